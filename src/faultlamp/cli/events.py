"""A change of the history as one line of plain words.

    2026-11-25T07:21:50.123Z can0 fault active: engine 1 (0) SPN 110 FMI 3 Engine Coolant Temperature 1, voltage ...

Times are UTC, ISO 8601. A lamp that is not lit when its controller is first heard is no event.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from faultlamp.history.changes import Change, What
from faultlamp.j1939.diagnostics import LampState
from faultlamp.knowledge.addresses import address_name
from faultlamp.knowledge.names import describe_spn, fmi_meaning

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

_FAULT_WORDS = {
    What.FAULT_ACTIVE: "fault active",
    What.FAULT_CLEARED: "fault cleared",
    What.FAULT_SILENT: "fault unknown, its controller fell silent",
}
# What a silence is worth in which nobody could be heard.
_UNHEARD_WORDS = {
    What.FAULT_SILENT: "fault unknown, the bus was lost",
    What.KEY_OFF: "key unknown, the bus was lost",
}
_KEY_WORDS = {
    What.KEY_ON: "key on",
    What.KEY_OFF: "key off",
    What.ENGINE_RAN: "engine running",
}
_LAMP_WORDS = {
    LampState.OFF: "off",
    LampState.ON: "on",
    LampState.SLOW_FLASH: "flashes slowly",
    LampState.FAST_FLASH: "flashes fast",
    LampState.RESERVED: "in a reserved state",
    LampState.NOT_AVAILABLE: "not available",
}
_UNLIT = frozenset({LampState.OFF, LampState.NOT_AVAILABLE})


class EventLines:
    """Words for changes, in the order they come; it remembers which lamps were lit. describe: a parameter in words."""

    def __init__(self, describe: Callable[[int], str] = describe_spn) -> None:
        self._describe = describe
        self._lit: set[tuple[str, int, str]] = set()

    def line(self, change: Change, *, heard: bool = True) -> str | None:
        """The line, None for what is not worth one. heard: False when the bus was lost soon after the change."""
        words = self._words(change) if heard or change.what not in _UNHEARD_WORDS else (
            f"{_UNHEARD_WORDS[change.what]}: {_who(change)}{self._of(change)}"
        )
        if words is None:
            return None
        return f"{moment(change.time_ns)} {change.channel or '-'} {words}"

    def _words(self, change: Change) -> str | None:
        if change.what is What.LAMP:
            return self._lamp(change)
        if change.what in _FAULT_WORDS:
            return f"{_FAULT_WORDS[change.what]}: {_who(change)}{self._of(change)}"
        if change.what is What.CLOCK_STEP:
            return "the clock stepped back by more than a second: what was open ends here"
        return f"{_KEY_WORDS[change.what]}: {_who(change)}"

    def _of(self, change: Change) -> str:
        spn, fmi = change.spn, change.fmi
        if spn is None or fmi is None:
            return ""
        return f" SPN {spn} FMI {fmi} {self._describe(spn)}, {fmi_meaning(fmi)}"

    def _lamp(self, change: Change) -> str | None:
        lamp, _, raw_state = change.detail.partition(" ")
        state = LampState(raw_state)
        key = change.channel, change.source_address, lamp
        if state in _UNLIT and key not in self._lit:
            return None
        if state in _UNLIT:
            self._lit.discard(key)
        else:
            self._lit.add(key)
        return f"lamp {lamp.replace('_', ' ')} {_LAMP_WORDS[state]}: {_who(change)}"


def moment(time_ns: int) -> str:
    """ISO 8601 in UTC with milliseconds, cut off.

    >>> moment(1_795_591_310_123_999_000)
    '2026-11-25T07:21:50.123Z'
    """
    when = _EPOCH + timedelta(microseconds=time_ns // 1000)
    return when.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def _who(change: Change) -> str:
    name = address_name(change.source_address)
    return f"{name} ({change.source_address})" if name else f"source address {change.source_address}"
