"""What the first paint does without, loaded in the quiet after it: so that the first press of a key is quick too.

Rule: a piece at a time, in a thread of its own, so that a key or a frame that comes meanwhile waits for little.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module

_MODULES = (
    "faultlamp.tui.findings.causes",  # for the first fault
    "faultlamp.tui.detail.screen",
    "faultlamp.tui.readings.chooser",
    "faultlamp.tui.export.page",
    "faultlamp.tui.findings.page",
    "faultlamp.tui.findings.checks",
    "faultlamp.tui.nodes.page",
    "faultlamp.tui.wiggle.page",
    "faultlamp.tui.keys",
    "faultlamp.tui.marks.page",
    "faultlamp.tui.unknown.page",
)
_FOR_ASKING = ("faultlamp.tui.intake.page", "faultlamp.asking.document")


def load(*, asking: bool, stop: Callable[[], bool]) -> None:
    """Load it all, unless `stop` says that it is of no use any more. asking: there is a bus to ask on."""
    for module in (*_MODULES, *(_FOR_ASKING if asking else ())):
        if stop():
            return
        import_module(module)
    for table in _tables():
        if stop():
            return
        table()


def _tables() -> tuple[Callable[[], object], ...]:
    """What reads the tables of the pages, each once."""
    from faultlamp.knowledge.advice import shipped_advice
    from faultlamp.knowledge.plausibility import load_plausibility
    from faultlamp.knowledge.shared_causes import load_shared_causes

    return load_shared_causes, shipped_advice, load_plausibility
