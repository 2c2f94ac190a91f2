"""A python-can that knows no configuration of this computer, and virtual channels that no two tests share."""

from support.virtual_bus import settings, unconfigured

__all__ = ["settings", "unconfigured"]
