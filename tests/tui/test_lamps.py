"""Lamps are words with a shape and a state; the gravest controller comes first. SAE J1939-73, section 5.7.1."""

import pytest

from faultlamp.frames import Frame
from faultlamp.j1939.diagnostics import Lamp
from faultlamp.tui.board import Board
from faultlamp.tui.head.lamps import banner, lamp_lines
from faultlamp.tui.paint import Role
from support.wire import frame
from tui.scene import (
    AMBER,
    COOLANT_HIGH,
    LAYOUTS,
    NO_LAMPS,
    OIL_LOW,
    RED_AND_AMBER,
    StillFeed,
    dm1,
    job_of,
    pump_job,
    rpm,
)


def shown(frames: list[Frame], width: int = 78, most: int = 3, until_s: float = 1.5) -> list[str]:
    """The rows without their trailing spaces."""
    rows = [row.text for row in lamp_lines(job_of(frames, until_s), width, most)]
    assert all(len(row) == width for row in rows)
    return [row.rstrip() for row in rows]


def lamps(first: int, second: int) -> list[Frame]:
    """A DM1 of engine 1 with these two lamp bytes."""
    return dm1(1, f"{first:02X}{second:02X}")


# Lamp bits 01 with flash bits 00, 01, 10, 11; 00; 10; 11: SAE J1939-73, section 5.7.1.
@pytest.mark.parametrize(
    ("first", "second", "red_stop"),
    [
        pytest.param(0x10, 0x00, "◑ RED STOP slow flash", id="slow flash"),
        pytest.param(0x10, 0x10, "◐ RED STOP fast flash", id="fast flash"),
        pytest.param(0x10, 0x20, "■ RED STOP on", id="flash reserved"),
        pytest.param(0x10, 0x30, "■ RED STOP on", id="steady"),
        pytest.param(0x00, 0xFF, "□ RED STOP off", id="off"),
        pytest.param(0x20, 0xFF, "? RED STOP reserved", id="reserved"),
        pytest.param(0x30, 0xFF, "· RED STOP n/a", id="not available"),
    ],
)
def test_each_state_has_a_shape_and_a_word(first: int, second: int, red_stop: str) -> None:
    """Six states, six shapes, six words."""
    assert shown(lamps(first, second))[0].startswith(f"Engine 1      {red_stop}  □ AMBER off")


def test_one_row_when_all_say_the_same() -> None:
    """No need to repeat what all controllers say alike."""
    assert shown([*dm1(1, NO_LAMPS), *dm1(1, NO_LAMPS, source="3D")]) == [
        "2 controllers □ RED STOP off  □ AMBER off  □ PROTECT off  □ MALFUNCTION off"
    ]


def test_a_row_each_when_they_differ_gravest_first() -> None:
    """Whoever asks for the gravest lamp stands on top; who asks for none is one word."""
    frames = [
        *dm1(1, AMBER, COOLANT_HIGH), *dm1(1, RED_AND_AMBER, OIL_LOW, source="03"), *dm1(1, NO_LAMPS, source="0B"),
        *dm1(1, NO_LAMPS, source="21"),
    ]
    assert shown(frames) == [
        "Transmission 1 ■ RED STOP on  ■ AMBER on  □ PROTECT off  □ MALFUNCTION off",
        "Engine 1       □ RED STOP off  ■ AMBER on  □ PROTECT off  □ MALFUNCTION off",
        "2 others       □ no lamp asked for",
    ]


def test_channels_are_told_apart_or_every_lamp_says_who_asks() -> None:
    """The same address on two channels: no two rows may begin alike for different controllers."""
    for channel in ("can", "adapter-of-the-bay-"):
        frames = [
            *dm1(1, AMBER, COOLANT_HIGH, channel=f"{channel}0"), *dm1(1, RED_AND_AMBER, OIL_LOW, channel=f"{channel}1")
        ]
        for width in (38, 58, 78, 98, 158):
            rows = shown(frames, width=width, most=4)
            begins = [row.partition("RED STOP")[0] for row in rows if "RED STOP" in row]
            assert len(set(begins)) == len(begins)
        assert f"{channel}1" in " ".join(shown(frames, width=78))


@pytest.mark.parametrize(
    ("frames", "width", "rows"),
    [
        pytest.param(
            dm1(1, AMBER, COOLANT_HIGH) + dm1(1, AMBER, COOLANT_HIGH, source="3D"), 38,
            ["■ AMBER on  □ RED STOP off", "□ PROTECT off  □ MALFUNCTION off"], id="all alike",
        ),
        pytest.param(
            dm1(1, NO_LAMPS) + dm1(1, NO_LAMPS, source="3D"), 38, ["2 controllers □ no lamp asked for"], id="none",
        ),
        # Red stop fast, amber on, protect n/a, malfunction slow; transmission: amber slow, malfunction fast.
        pytest.param(
            dm1(1, "571F", COOLANT_HIGH) + dm1(1, "4473", COOLANT_HIGH, source="03"), 58,
            ["◐ RED STOP fast flash  ■ AMBER on  ◑ AMBER slow flash",
             "◐ MALFUNCTION fast flash  ◑ MALFUNCTION slow flash"], id="those asked for",
        ),
        pytest.param(
            dm1(1, "571F", COOLANT_HIGH) + dm1(1, "4473", COOLANT_HIGH, source="03"), 38,
            ["◐ RED STOP  ■ ◑ AMBER  ◐ ◑ MALFUNCTION", "no other asked for"], id="in shapes",
        ),
    ],
)
def test_in_two_narrow_rows_what_is_asked_for_comes_first(frames: list[Frame], width: int, rows: list[str]) -> None:
    """No lamp that is asked for gives way to one that is off (SAE J1939-73, section 5.7.1)."""
    assert shown(frames, width=width, most=2) == rows


def test_many_flashing_lamps_take_a_second_row() -> None:
    """Nothing is cut off when all four flash."""
    assert shown(lamps(0x55, 0x55)) == [
        "Engine 1      ◐ RED STOP fast flash  ◐ AMBER fast flash  ◐ PROTECT fast flash",
        "              ◐ MALFUNCTION fast flash",
    ]


def test_in_few_rows_each_lamp_says_who_asks_for_it() -> None:
    """Three controllers that differ, two rows: every lamp with its shape, state and senders, the gravest first."""
    frames = [
        *dm1(1, AMBER, COOLANT_HIGH), *dm1(1, RED_AND_AMBER, OIL_LOW, source="03"),
        *dm1(1, "03FF", COOLANT_HIGH, source="0B"), *dm1(1, NO_LAMPS, source="21"),
    ]
    assert shown(frames, most=2) == [
        "■ RED STOP on: transmission 1  ■ AMBER on: engine 1, transmission 1",
        "□ PROTECT off or n/a  □ MALFUNCTION off  □ no lamp asked for: 2 controllers",
    ]


def test_a_lamp_that_shines_and_flashes_is_two_entries() -> None:
    """Bits 01 with flash bits 00, slow, and 11, steady (SAE J1939-73, section 5.7.1)."""
    frames = [*dm1(1, "0400", COOLANT_HIGH), *dm1(1, "04FF", COOLANT_HIGH, source="03")]
    assert shown(frames, most=1, width=130)[0].startswith("■ AMBER on: transmission 1  ◑ AMBER slow flash: engine 1")
    narrow = "■ AMBER on  ◑ AMBER slow flash  □ RED STOP off  □ PROTECT off  □ MALFUNCTION off"
    assert shown(frames, most=1, width=100) == [narrow]


def test_many_senders_become_a_number_before_a_lamp_is_left_out() -> None:
    """Twelve controllers in two rows of 62: all four lamps and their states are there."""
    sources = [f"{address:02X}" for address in (0, 1, 3, 11, 12, 13, 15, 16, 17, 19, 33, 49)]
    frames = [one for source in sources for one in dm1(1, AMBER, COOLANT_HIGH, source=source)]
    frames += dm1(1, RED_AND_AMBER, OIL_LOW, source="31")
    assert shown(frames, width=62, most=2) == [
        "■ RED STOP on: cab controller, primary",
        "■ AMBER on: 12 controllers  □ PROTECT off  □ MALFUNCTION off",
    ]


def test_what_finds_no_room_is_announced() -> None:
    """With too few rows the last one says how much is missing; the gravest always shows."""
    states = "10", "14", "04", "01", "40"
    frames = [
        one for place, lamps in enumerate(states) for flash in ("00", "55", "FF")
        for one in dm1(1, lamps + flash, COOLANT_HIGH, source=f"{16 * place + int(flash[0], 16):02X}")
    ]
    rows = shown(frames, width=24, most=3)
    assert rows[0].strip() == "■ ◐ ◑ RED STOP"
    assert rows[1].strip() == "■ ◐ ◑ AMBER"
    assert rows[2].strip() == "and 2 more rows of lamps"


def test_silence_is_not_darkness() -> None:
    """5 s after the last DM1 no lamp is known (the silence rule of the history)."""
    frames = dm1(1, RED_AND_AMBER, COOLANT_HIGH)
    assert "■ RED STOP on" in shown(frames, until_s=5.9)[0]
    assert shown(frames, until_s=6.0) == ["Lamps: no fault report (DM1) at present, so none is known."]
    assert shown([frame(1, "0CF00400", "F07D7D0000")]) == shown(frames, until_s=6.0)


def test_the_gravest_lamp_in_letters_for_some_metres() -> None:
    """A tall window spells it out, on the ground of the sentence; a low one does not, nor without a lamp."""
    board = Board(StillFeed(pump_job(30), 30), LAYOUTS, {})
    board.tick()
    rows = board.head(160, 40)
    red_stop = [
        "█▀▀▀▄ █▀▀▀▀ █▀▀▀▄     ▄▀▀▀▀ ▀▀█▀▀ ▄▀▀▀▄ █▀▀▀▄",
        "█▄▄▄▀ █▄▄▄  █   █     ▀▄▄▄    █   █   █ █▄▄▄▀",
        "█ ▀▄  █     █   █         █   █   █   █ █",
        "▀   ▀ ▀▀▀▀▀ ▀▀▀▀      ▀▀▀▀    ▀    ▀▀▀  ▀",
    ]
    assert [row.text.strip() for row in rows[2:6]] == red_stop
    assert {row.ground for row in rows[:7]} == {Role.ALARM}
    assert "■ RED STOP on" in rows[7].text
    assert len(board.head(160, 39)) == len(rows) - 5
    calm = Board(StillFeed(pump_job(5), 5), LAYOUTS, {})
    calm.tick()
    assert "█" not in "".join(row.text for row in calm.head(160, 48))


def test_no_lamp_is_spelled_out_once_it_is_not_known_any_more() -> None:
    """After key off the sentence says what was asked for last; large letters would claim that it still is."""
    board = Board(StillFeed([rpm(1, 0), *dm1(1, RED_AND_AMBER, COOLANT_HIGH)], 30), LAYOUTS, {})
    board.tick()
    text = "".join(row.text for row in board.head(160, 48))
    assert "red stop lamp asked for" in text
    assert "█" not in text


@pytest.mark.parametrize("lamp", Lamp)
def test_every_lamp_can_be_spelled(lamp: Lamp) -> None:
    """Four rows and one to keep distance; nothing where the word is wider than the window."""
    rows = banner(lamp, 78)
    assert len(rows) == 5
    assert max(map(len, rows)) <= 78
    assert banner(lamp, 28) == []
