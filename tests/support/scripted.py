"""A bus of python-can's kind that does as it is told."""

from typing import Any

import can


class ScriptedBus:
    """Delivers or raises what a list says, in order; nothing comes after its end."""

    def __init__(self, script: list[Any]) -> None:
        self.script = script

    def recv(self, _: float) -> can.Message | None:
        if not self.script:
            return None
        step = self.script.pop(0)
        if isinstance(step, Exception):
            raise step
        assert step is None or isinstance(step, can.Message)
        return step
