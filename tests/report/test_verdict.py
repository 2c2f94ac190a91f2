"""What the first sentences say, and what they say is not known. SAE J1939-73, section 5.7.1: DM1 each second."""

from collections.abc import Callable

import pytest

from faultlamp.frames import Frame, FrameBlock
from faultlamp.history.history import History
from faultlamp.history.latest import LatestValues
from faultlamp.history.nodes import Nodes
from faultlamp.knowledge.spn_table import SpnNames
from faultlamp.report.gather import gather
from faultlamp.report.paper import About, Heard
from support.papers import LAYOUTS, paper
from support.wire import frame, ns
from tui.scene import AMBER, COOLANT_HIGH, NO_LAMPS, OIL_LOW, RED_AND_AMBER, dm1, rpm, second

DM2 = "18FECB00"


def seconds(first: int, end: int, lamps: str = NO_LAMPS, *codes: str) -> list[Frame]:
    """Seconds of the engine's frames."""
    return [one for at in range(first, end) for one in second(at, lamps=lamps, codes=codes)]


def other(first: int, end: int) -> list[Frame]:
    """Another controller's reports, so that time goes on."""
    return [one for at in range(first, end) for one in dm1(at + 0.4, NO_LAMPS, source="3D")]


CASES: dict[str, tuple[Callable[[], list[Frame]], list[str], bool]] = {
    "none": (lambda: seconds(0, 12), ["No fault was reported."], False),
    "one active": (lambda: seconds(0, 12, AMBER, COOLANT_HIGH), ["1 fault was active at the end."], False),
    "two came and went": (
        lambda: seconds(0, 6, AMBER, COOLANT_HIGH, OIL_LOW) + seconds(6, 12),
        ["No fault was active at the end.", "2 faults were active during the job and went."], False,
    ),
    "red stop": (
        lambda: seconds(0, 12, RED_AND_AMBER, OIL_LOW),
        ["Engine 1 asked for the red stop lamp at the end: do not run the engine.",
         "The maker's manual decides what comes next.", "1 fault was active at the end."], True,
    ),
    "silent": (
        lambda: seconds(0, 12, AMBER, COOLANT_HIGH) + other(0, 30),
        ["No fault is known to have been active at the end.",
         "1 fault was active when its controller fell silent: whether it is gone is not known."], False,
    ),
    "silent with red stop": (
        lambda: seconds(0, 12, RED_AND_AMBER, OIL_LOW) + other(0, 30),
        ["Engine 1 asked for the red stop lamp in the last report before silence: do not run the engine before that is "
         "cleared up.", "The maker's manual decides what comes next.",
         "No fault is known to have been active at the end.",
         "1 fault was active when its controller fell silent: whether it is gone is not known."], True,
    ),
    "gone, and then its controller fell silent": (
        lambda: seconds(0, 6, AMBER, COOLANT_HIGH) + seconds(6, 12) + other(0, 30),
        ["No fault is known to have been active at the end.", "1 fault was active during the job and went."], False,
    ),
    "a lamp without a fault": (
        lambda: seconds(0, 6, AMBER, COOLANT_HIGH) + seconds(6, 12, AMBER),
        ["No fault was active at the end.", "1 fault was active during the job and went.",
         "Engine 1 asked for the amber warning lamp at the end, but listed no fault with it."], False,
    ),
    "all silent": (
        lambda: seconds(0, 12) + [rpm(at, 700) for at in range(12, 30)],
        ["At the end no controller sent a fault report any more, so it is not known what was active then."], False,
    ),
    "only stored": (
        lambda: [*seconds(0, 12), frame(5.5, DM2, "00FF" + COOLANT_HIGH + "FFFF")],
        ["No fault was active at the end.",
         "1 fault was not active in this job and only listed as stored or pending."], False,
    ),
    "no report": (
        lambda: [rpm(at, 700) for at in range(12)],
        ["No fault report (DM1) was heard, so it is not known whether a fault is active."], False,
    ),
    "not J1939": (
        lambda: [Frame(ns(at), "can0", 0x123, bytes(8), 0) for at in range(12)],
        ["Frames were recorded, but none of them is J1939, so nothing is known about faults."], False,
    ),
    "lamp check": (
        lambda: seconds(0, 11) + second(11, lamps="55FF"),
        ["Engine 1 asked for the red stop lamp at the end: do not run the engine. There was no fault with it, so it "
         "may have been a lamp check at key on.", "The maker's manual decides what comes next.",
         "No fault was reported."],
        True,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_the_sentences(name: str) -> None:
    """Nothing that was not heard is claimed."""
    make, sentences, grave = CASES[name]
    verdict = paper(sorted(make(), key=lambda one: one.time_ns)).verdict
    if name == "lamp check":
        # 55 is all four lamps on by the table of SAE J1939-73, section 5.7.1.
        assert verdict.grave
    assert (list(verdict.sentences), verdict.grave) == (sentences, grave)


def test_what_is_not_known() -> None:
    """Bad lines, a short recording, a silent engine, gaps of a live bus, broken transfers: each has its sentence."""
    frames = [*dm1(0.1, NO_LAMPS, source="3D"), frame(0.2, "1CECFF3D", "20140003FFCAFE00"),
              frame(0.3, "1CEBFF3D", "0300000000000000")]
    unknown = paper(frames, bad_lines=3, lost_ns=[(ns(0), ns(2))]).verdict.unknown
    assert unknown == (
        "3 lines of the recording could not be read as a frame.",
        "Nothing was heard from the engine's address (0).",
        "The recording is only 0.2 s long: a fault may need longer to show.",
        "The bus could not be heard 1 time, 2.0 s in all.",
        "Some long messages did not arrive whole (1 out of order); a list of faults may have been among them.",
    )


def test_a_silent_controller_is_named() -> None:
    """With how long ago its last report was."""
    frames = sorted([*seconds(0, 12, AMBER, COOLANT_HIGH), *other(0, 31)], key=lambda one: one.time_ns)
    assert "Engine 1 sent no fault report in the last 19.3 s." in paper(frames).verdict.unknown


def test_an_older_form_of_code_is_told() -> None:
    """CM bit 1: the top bit of the DTC's fourth byte (SAE J1939-73, section 5.7.1)."""
    unknown = paper(seconds(0, 12, AMBER, "6E000381")).verdict.unknown
    assert unknown == (
        "1 code came in an older form (CM bit 1), in which the SPN cannot be known for certain; --spn-conversion says "
        "how to read it.",
    )


def test_a_clock_step_is_told() -> None:
    """Two stretches: what was open ends at the step, and the length is not claimed."""
    history, nodes, latest = History(), Nodes(), LatestValues(LAYOUTS.groups)
    for part, starts in ((seconds(100, 112, AMBER, COOLANT_HIGH), False), (seconds(0, 12), True)):
        part.sort(key=lambda one: one.time_ns)
        block = FrameBlock.from_frames(part, starts_stretch=starts)
        for one in (history, nodes, latest):
            one.feed_block(block)
    made = gather(Heard(history, nodes, latest, LAYOUTS, history.end_ns, SpnNames()), About())
    assert made.verdict.unknown == (
        "The clock stepped back 1 time: what was open then was taken to end there; readings, and who was on the bus, "
        "are those since the last step.",
    )
    assert made.timeline is not None
    assert made.timeline.left_out.startswith("The clock stepped back")
    assert [fact.text for fact in made.job if fact.name == "Length"] == ["not known: the clock stepped back"]
    # Which lamps lay over which time cannot be told then.
    assert made.faults[0].lamps == "lamps not known"
    assert made.faults[0].spans == ("22:15:00.1 to 22:15:11.9 (11.8 s; silent)",)


def test_channels_are_named_where_there_are_several() -> None:
    """The same address on two buses is two controllers."""
    frames = seconds(0, 12, AMBER, COOLANT_HIGH)
    frames += [Frame(one.time_ns + 1, "can1", one.can_id, one.data, one.flags) for one in frames]
    made = paper(sorted(frames, key=lambda one: one.time_ns))
    assert [row.sender for row in made.faults] == ["engine 1 (0) on can0", "engine 1 (0) on can1"]
    assert [row.channel for row in made.cycles] == ["can0", "can1"]
    assert made.timeline is not None
    assert [key.label for key in made.timeline.keys] == ["Key, can0", "Key, can1"]


@pytest.mark.parametrize(("bad_lines", "words"), [(0, "Nothing was recorded"), (2, "Nothing in the recording")])
def test_an_unreadable_recording_is_not_an_empty_one(bad_lines: int, words: str) -> None:
    """Lines that are no frame were recorded all the same."""
    assert paper([], bad_lines=bad_lines).verdict.sentences[0].startswith(words)
