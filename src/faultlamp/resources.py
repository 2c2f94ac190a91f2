"""Where the shipped layouts and recordings lie: inside the installed package, or at the top of a checkout."""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_SHIPPED = _PACKAGE / "_shipped"
_CHECKOUT = _PACKAGE.parent.parent


def shipped(folder: str) -> Path:
    """The shipped folder `dbc` or `captures`, whether faultlamp is installed or runs from a checkout."""
    inside = _SHIPPED / folder
    return inside if inside.is_dir() else _CHECKOUT / folder
