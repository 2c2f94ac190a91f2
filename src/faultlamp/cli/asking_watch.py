"""The intake of `watch`: who would ask on the bus that is watched."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from faultlamp.errors import BusError

if TYPE_CHECKING:
    from faultlamp.cli.listening import Ear
    from faultlamp.j1939.readings import Layouts
    from faultlamp.tui.intake.asker import Asker


def asker_on(ear: Ear, layouts: Layouts, *, spn_conversion: Mapping[int, int], listen_only: bool) -> Asker:
    """Ready to ask, and silent until it is told to."""
    from faultlamp.cli.asking_line import refuse_listen_only, tool_name
    from faultlamp.tui.intake.asker import Asker

    def objection() -> str | None:
        try:
            refuse_listen_only(ear.source.settings)
        except BusError as error:
            return str(error)
        return None

    return Asker(
        ear.source, ear.title, tool_name(), layouts, spn_conversion=spn_conversion, listen_only=listen_only,
        objection=objection,
    )
