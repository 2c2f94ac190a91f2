"""Changes in plain words."""

import pytest

from faultlamp.cli.events import EventLines, moment
from faultlamp.history.changes import Change, What

AT_NS = 1_795_591_310_123_999_000
AT = "2026-11-25T07:21:50.123Z"


def change(what: What, detail: str = "", source: int = 0, **fields: int) -> Change:
    """A change on can0."""
    return Change(AT_NS, what, "can0", source, detail=detail, **fields)


@pytest.mark.parametrize(
    ("what", "line"),
    [
        # SPN 110 and FMI 3 by SAE J1939-71 and J1939-73; source address 0 is engine 1 by SAE J1939-81.
        pytest.param(
            change(What.FAULT_ACTIVE, spn=110, fmi=3),
            "can0 fault active: engine 1 (0) SPN 110 FMI 3 Engine Coolant Temperature 1, "
            "voltage above normal, or shorted to high source", id="fault"),
        pytest.param(
            change(What.FAULT_CLEARED, spn=520192, fmi=31),
            "can0 fault cleared: engine 1 (0) SPN 520192 FMI 31 maker-specific SPN, condition exists", id="maker-spn"),
        pytest.param(
            change(What.FAULT_SILENT, spn=0, fmi=0, source=160),
            "can0 fault unknown, its controller fell silent: source address 160 SPN 0 FMI 0", id="silent"),
        pytest.param(change(What.KEY_ON), "can0 key on: engine 1 (0)", id="key-on"),
        pytest.param(change(What.KEY_OFF), "can0 key off: engine 1 (0)", id="key-off"),
        pytest.param(change(What.ENGINE_RAN), "can0 engine running: engine 1 (0)", id="running"),
        pytest.param(change(What.LAMP, "red_stop fast_flash"), "can0 lamp red stop flashes fast: engine 1 (0)",
                     id="lamp"),
        pytest.param(change(What.CLOCK_STEP)._replace(channel=""), "- the clock stepped back", id="clock"),
    ],
)
def test_each_change_has_a_line(what: Change, line: str) -> None:
    """Time, channel, what happened, who, and the standard's words."""
    said = EventLines().line(what)
    assert said is not None
    assert said.startswith(f"{AT} {line}")


def test_lamps_speak_when_they_are_lit_or_go_out() -> None:
    """A lamp that was never lit is no event, whichever word its controller has for that."""
    words = EventLines()
    states = ["off", "not_available", "on", "slow_flash", "off", "off", "reserved", "not_available"]
    lines = [words.line(change(What.LAMP, f"amber_warning {state}")) for state in states]
    assert [line is not None for line in lines] == [False, False, True, True, True, False, True, True]
    assert words.line(change(What.LAMP, "amber_warning off", source=61)) is None


@pytest.mark.parametrize(
    ("time_ns", "text"),
    [
        (0, "1970-01-01T00:00:00.000Z"),
        (999_999_999, "1970-01-01T00:00:00.999Z"),
        # GNU date: date -u -d @1700000000
        (1_700_000_000_000_000_000, "2023-11-14T22:13:20.000Z"),
        (8_999_999_999_000_000_000, "2255-03-14T15:59:59.000Z"),
    ],
)
def test_moments_are_iso_8601_in_utc(time_ns: int, text: str) -> None:
    """Milliseconds, cut off and never rounded into the next second."""
    assert moment(time_ns) == text
