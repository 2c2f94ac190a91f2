"""Who is who, drawn for controllers of every temper: the rig's awkward machine, asked in simulated time.

The scenario is invented; what each of its controllers does wrong stands in it by name. Layouts: SAE J1939-73 and -71.
"""

from typing import Any

import pytest
from rich.cells import cell_len

from faultlamp.asking.document import intake_document
from faultlamp.asking.intake import Intake
from faultlamp.asking.plan import wanted
from faultlamp.asking.results import Outcome, Result
from faultlamp.j1939.participant import Participant
from faultlamp.j1939.reports.groups import GROUPS
from faultlamp.rig.live import LiveRig
from faultlamp.rig.loading import load_scenario
from faultlamp.rig.shipped import find_scenario
from faultlamp.tui.intake.asker import Progress
from faultlamp.tui.intake.panel import detail_lines, panel_lines
from faultlamp.tui.intake.text import (
    CAUTION,
    CHOICES,
    Situation,
    choice_line,
    consent_lines,
    outcome_words,
    progress_lines,
)
from faultlamp.tui.paint import Line, Role
from support.controllers import name
from support.simulated import CHANNEL, SimulatedBus
from tui.scene import LAYOUTS

S = 1_000_000_000


@pytest.fixture(scope="module")
def awkward() -> list[dict[str, Any]]:
    """What the awkward machine answered."""
    participant = Participant(name(5, 129), 249, channel=CHANNEL)
    intake = Intake(participant, wanted("all"), layouts=LAYOUTS, test_results=True)
    bus = SimulatedBus(LiveRig(load_scenario(find_scenario("awkward-pump"))), intake, keep=False)
    bus.run(2 * S)
    intake.start(bus.now_ns)
    bus.run(400 * S, until=lambda: intake.done)
    assert intake.done
    return intake_document(intake, LAYOUTS)


def rows_of(lines: list[Line]) -> str:
    """All rows as one text."""
    return " ".join(" ".join(row.text for row in lines).split())


def part(lines: list[Line], address: int) -> str:
    """The rows about one controller."""
    texts = [row.text for row in lines]
    start = next(place for place, text in enumerate(texts) if text.endswith(f"  address {address}"))
    end = next((place for place in range(start, len(texts)) if not texts[place].strip()), len(texts))
    return " ".join(" ".join(texts[start:end]).split())


@pytest.mark.parametrize("width", [40, 77, 157])
def test_no_row_is_wider_than_the_screen(awkward: list[dict[str, Any]], width: int) -> None:
    """In short and in full."""
    for lines in (panel_lines(awkward, width), detail_lines(awkward, width)):
        assert lines
        assert max(cell_len(row.text) for row in lines) <= width


@pytest.mark.parametrize(("address", "words"), [
    pytest.param(0, "Stored DM2 SPN 168 FMI 18", id="answers"),
    pytest.param(11, "No answer VIN", id="silent"),
    pytest.param(33, "Busy DM4 (also when asked again)", id="busy"),
    pytest.param(23, "(not supported, or not now)", id="refuses"),
    pytest.param(40, "Access denied", id="denies"),
    pytest.param(71, "Broken off", id="breaks off"),
    pytest.param(72, "Broken off", id="stops midway"),
    pytest.param(46, "Unreadable", id="wrong size"),
])
def test_what_each_controller_did_is_said(awkward: list[dict[str, Any]], address: int, words: str) -> None:
    """Answered, refused, denied, busy, silent, broken off, unreadable: each under its word."""
    assert words in part(panel_lines(awkward, 157), address)


def test_the_machine_stands_first(awkward: list[dict[str, Any]]) -> None:
    """VIN, hours, codes, who was silent, who shares an address."""
    first = rows_of(panel_lines(awkward, 157)).partition("ENGINE 1 address 0")[0]
    assert "VIN INVENTEDPUMPSET01 (Engine 1" in first
    assert "active" in first
    assert "stored" in first
    assert "No answer Brakes, system controller" in first
    assert "heard on the bus, but silent when asked" in first
    assert "several controllers claim address 50" in first


def test_a_silent_controllers_codes_are_not_called_none(awkward: list[dict[str, Any]]) -> None:
    """No answer to DM2 is not an empty DM2."""
    said = part(panel_lines(awkward, 157), 11)
    assert "Stored" not in said
    assert "DM2" in said.partition("No answer")[2]


def document_of(*results: Result) -> list[dict[str, Any]]:
    """The document of an intake that ended with these."""
    intake = Intake(Participant(name(5, 129), 249, channel=CHANNEL), (), sorted({one.address for one in results}))
    intake.results.update({(one.address, one.question): one for one in results})
    intake._begin(sorted({one.address for one in results}), 0)
    return intake_document(intake, LAYOUTS)


def answer(address: int, key: str, payload: bytes) -> Result:
    """An answer to the question with that name."""
    question = next(question for question in wanted("all") if question.key == key)
    return Result(address, question, Outcome.ANSWERED, 0, 1, payload, GROUPS[question.pgn].decode(payload))


def test_two_vins_are_both_shown_and_called_a_contradiction() -> None:
    """A controller from another machine (PGN 65260, text up to a star: SAE J1939-71)."""
    said = rows_of(panel_lines(document_of(
        answer(0, "VIN", b"INVENTED1*"), answer(61, "VIN", b"INVENTED2*"), answer(3, "VIN", b"INVENTED1*")
    ), 100))
    assert "INVENTED1 (Engine 1, Transmission 1) INVENTED2" not in said
    assert "VIN INVENTED1 (Engine 1, Transmission 1)" in said
    assert "VIN INVENTED2 (Exhaust emission controller)" in said
    assert "The controllers do not agree" in said


def test_hostile_answers_are_harmless_and_bounded() -> None:
    """Escape sequences in a text, and a thousand codes: bytes 3-6 of each of SAE J1939-73, section 5.7.1."""
    codes = b"\x04\xff" + b"".join(bytes((1 + at % 200, 1 + at // 200, 3, 1)) for at in range(1000))
    lines = panel_lines(document_of(answer(0, "component", b"\x1b[2JBAD\x07*M\x00*\n*"), answer(0, "DM2", codes)), 80)
    assert "and 900 more" in rows_of(lines)
    assert len(lines) < 300
    assert all(text.isprintable() for row in lines for text in (row.text,))


def test_no_code_is_said_only_of_lists_that_came() -> None:
    """An empty DM2 (SPN 0, FMI 0: SAE J1939-73, section 5.7.1) is none; DM28 was not asked for here."""
    said = rows_of(panel_lines(document_of(answer(0, "DM2", bytes.fromhex("00FF00000000FFFF"))), 100))
    assert "No code in Stored (DM2)" in said
    assert "DM28" not in said
    assert "0 stored" in said
    assert "permanent" not in said


def test_the_question_warns_of_a_machine_that_moves_and_of_another_tool() -> None:
    """The caution always, these when they are so."""
    still = Situation("can0", [0], "0 rpm", "never seen", moving=False)
    lines = consent_lines(still, 77)
    assert CAUTION in rows_of(lines)
    assert not any(piece.role is Role.ALARM for row in lines for piece in row.pieces)
    lines = consent_lines(still._replace(heard=[0, 250], engine="1500 rpm", moving=True, reopens=True), 77)
    alarms = " ".join(piece.text for row in lines for piece in row.pieces if piece.role is Role.ALARM)
    assert "engine speed 1500 rpm" in alarms
    assert "Another tool was heard: off-board service tool 2" in alarms
    assert "the adapter is opened anew" in rows_of(lines)
    assert max(cell_len(row.text) for row in lines) <= 77
    assert len(lines) <= 21


def test_no_is_there_also_when_nothing_can_be_asked() -> None:
    """The yes is not."""
    row, places = choice_line(0, 78, possible=True)
    assert [row.text[start:end] for start, end in places] == [f"▸[ {CHOICES[0]} ]", f" [ {CHOICES[1]} ]"]
    row, places = choice_line(0, 78, possible=False)
    assert len(places) == 1
    assert CHOICES[1] not in row.text


def test_both_answers_and_that_nothing_was_sent_stand_whole_in_40_columns() -> None:
    """A yes that is cut could be taken for another word."""
    row, places = choice_line(0, 38, possible=True)
    assert [row.text[start:end] for start, end in places] == [f"▸[{CHOICES[0]}]", f" [{CHOICES[1]}]"]
    assert cell_len(row.text.rstrip()) <= 38
    about = Situation("can0", [0], "0 rpm", "0 km/h", moving=False)
    assert [one.text for one in consent_lines(about, 38)[:2]] == ["ASK ALL CONTROLLERS", "nothing has been sent yet"]


def test_progress_in_words() -> None:
    """How far, what is asked of whom, how many frames left, how it ended."""
    question = next(question for question in wanted("all") if question.key == "DM4")
    progress = Progress(12, 48, (0, question), 17, 3.2)
    said = rows_of(progress_lines("can0", progress, 77, opening=False, stopping=False))
    assert "transmits; 17 frames sent in 3 s on can0" in said
    assert "█" * 7 + "░" * 23 + " 12 of 48 questions Engine 1: freeze frames (DM4)" in said
    assert "nothing is asked any more; transfers under way are aborted" in rows_of(
        progress_lines("can0", progress, 77, opening=False, stopping=True)
    )
    assert outcome_words(progress, "", stopped=True).startswith("stopped by you; 12 of 48")
    assert outcome_words(progress, "can0: gone", stopped=False).startswith("ended early: can0: gone; 12 of 48")
