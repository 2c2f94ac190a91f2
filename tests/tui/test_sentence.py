"""The sentence says what a colleague would, and nothing that was not heard."""

import pytest

from faultlamp.frames import Frame
from faultlamp.tui.head.sentence import Sentence, sentence
from faultlamp.tui.job import Job
from faultlamp.tui.paint import Role
from faultlamp.tui.readings.value import Pick, Readings
from support.wire import frame, ns
from tui.scene import (
    AMBER,
    COOLANT_HIGH,
    LAYOUTS,
    NO_LAMPS,
    OIL_LOW,
    RED_AND_AMBER,
    dm1,
    eec1,
    job_of,
    rpm,
)

WAITING = "Nothing heard yet: is the key on?"


def say(job: Job, now_s: float | None, trouble: str = "") -> Sentence:
    """The sentence at a moment."""
    now_ns = None if now_s is None else ns(now_s)
    speed = Readings(LAYOUTS).value(job, Pick(190, source_address=job.history.engine_address), now_ns or 0)
    return sentence(job, speed, now_ns, waiting=WAITING, trouble=trouble)


# The states are those of SAE J1939-73, section 5.7.1 (DM1 and its lamps) and of the key-cycle rule (common practice,
# no source: a controller talks while the key is on; 2 s of silence end the cycle, 5 s without DM1 are silence).
TABLE: list[tuple[str, list[Frame], float, str, Role]] = [
    ("running", [rpm(1, 1500), *dm1(1, NO_LAMPS)], 1.5, "Running at 1500 rpm, no active faults.", Role.CALM),
    ("runs-from-400-rpm", [rpm(1, 400), *dm1(1, NO_LAMPS)], 1.5, "Running at 400 rpm, no active faults.", Role.CALM),
    ("turning", [rpm(1, 180), *dm1(1, NO_LAMPS)], 1.5, "Turning at 180 rpm, no active faults.", Role.CALM),
    ("stopped", [rpm(1, 0), *dm1(1, NO_LAMPS)], 1.5, "Key on, engine stopped, no active faults.", Role.CALM),
    (
        "red", [rpm(1, 1500), *dm1(1, RED_AND_AMBER, COOLANT_HIGH, OIL_LOW)], 1.5,
        "Running at 1500 rpm, 2 active faults. Engine 1 asks for the red stop lamp: stop the engine; "
        "the maker's manual decides.", Role.STOP,
    ),
    (
        "red-while-stopped", [rpm(1, 0), *dm1(1, RED_AND_AMBER, COOLANT_HIGH)], 1.5,
        "Key on, engine stopped, 1 active fault. Engine 1 asks for the red stop lamp: keep the engine stopped; "
        "the maker's manual decides.", Role.STOP,
    ),
    (
        "red-without-fault", [rpm(1, 0), *dm1(1, RED_AND_AMBER)], 1.5,
        "Key on, engine stopped, no active faults. Engine 1 asks for the red stop lamp without a fault: "
        "a lamp test at key on? If not, keep the engine stopped.", Role.STOP,
    ),
    (
        "amber", [rpm(1, 1500), *dm1(1, AMBER, COOLANT_HIGH)], 1.5,
        "Running at 1500 rpm, 1 active fault. Engine 1 asks for the amber warning lamp.", Role.WARN,
    ),
    (
        "protect", [rpm(1, 1500), *dm1(1, "01FF", COOLANT_HIGH)], 1.5,
        "Running at 1500 rpm, 1 active fault. Engine 1 asks for the protect lamp.", Role.WARN,
    ),
    (
        "malfunction-indicator", [rpm(1, 1500), *dm1(1, "40FF", COOLANT_HIGH)], 1.5,
        "Running at 1500 rpm, 1 active fault. Engine 1 asks for the malfunction indicator lamp.", Role.WARN,
    ),
    (
        "two-senders", [rpm(1, 1500), *dm1(1, AMBER, COOLANT_HIGH), *dm1(1, AMBER, OIL_LOW, source="03")], 1.5,
        "Running at 1500 rpm, 2 active faults. Engine 1 and transmission 1 ask for the amber warning lamp.", Role.WARN,
    ),
    (
        "the-graver-lamp-counts",
        [rpm(1, 1500), *dm1(1, AMBER, COOLANT_HIGH), *dm1(1, RED_AND_AMBER, OIL_LOW, source="03")], 1.5,
        "Running at 1500 rpm, 2 active faults. Transmission 1 asks for the red stop lamp: stop the engine; "
        "the maker's manual decides.", Role.STOP,
    ),
    ("no-report", [rpm(1, 1500)], 1.5, "Running at 1500 rpm, no fault report (DM1) heard yet.", Role.PLAIN),
    (
        "speed-not-available", [eec1(1, 0xFFFF), *dm1(1, NO_LAMPS)], 1.5,
        "Key on, engine speed not available, no active faults.", Role.CALM,
    ),
    (
        "speed-in-error", [eec1(1, 0xFE00), *dm1(1, NO_LAMPS)], 1.5,
        "Key on, engine speed sensor error, no active faults.", Role.CALM,
    ),
    (
        "speed-stale", [rpm(1, 1500), *dm1(1, NO_LAMPS), *dm1(2, NO_LAMPS)], 2.5,
        "Key on, engine speed stale for 1 s, last 1500 rpm, no active faults.", Role.CALM,
    ),
    (
        "speed-never-seen", dm1(1, NO_LAMPS), 1.5, "Key on, engine speed never seen, no active faults.", Role.CALM,
    ),
    (
        "engine-silent", [rpm(1, 1500), *(one for at in range(1, 9) for one in dm1(at, NO_LAMPS, source="3D"))], 8.0,
        "Engine 1 has been silent for 7 s, others still talk, no active faults.", Role.CALM,
    ),
    (
        "report-stopped",
        [*(rpm(at, 1500) for at in range(1, 12)), *(one for at in range(1, 12) for one in dm1(at, NO_LAMPS)),
         *dm1(1, AMBER, COOLANT_HIGH, source="03")], 11.5,
        "Running at 1500 rpm, no active faults. No fault report from transmission 1 for 10 s.", Role.WARN,
    ),
    (
        "key-off", [rpm(1, 1500), *dm1(1, NO_LAMPS)], 4.0,
        "Key off: nothing heard for 3 s. Last reported: no active faults.", Role.PLAIN,
    ),
    (
        "key-off-with-faults", [rpm(1, 1500), *dm1(1, RED_AND_AMBER, COOLANT_HIGH, OIL_LOW)], 61.15,
        "Key off: nothing heard for 1 min 00 s. Last reported: 2 active faults, red stop lamp asked for.", Role.PLAIN,
    ),
    (
        "engine-not-heard", dm1(1, AMBER, COOLANT_HIGH, source="03"), 1.5,
        "Engine 1 not heard yet, 1 other controller heard, 1 active fault. "
        "Transmission 1 asks for the amber warning lamp.", Role.WARN,
    ),
    (
        "not-j1939", [frame(1, "123", "00", flags=0)], 1.5,
        "Frames arrive, but none of them is J1939: check the bit rate, and that this is the engine's bus.", Role.WARN,
    ),
]


@pytest.mark.parametrize(("frames", "now_s", "text", "role"), [row[1:] for row in TABLE], ids=[row[0] for row in TABLE])
def test_it_says_what_a_colleague_would(frames: list[Frame], now_s: float, text: str, role: Role) -> None:
    """Each situation has its sentence, and its weight for the eye."""
    assert say(job_of(frames, now_s), now_s)[:2] == (text, role)


def test_nothing_heard_says_what_to_do() -> None:
    """Before the first frame the feed's advice stands there."""
    assert say(job_of([]), None) == Sentence(WAITING, Role.PLAIN)


def test_a_broken_adapter_is_not_taken_for_key_off() -> None:
    """While nothing can be heard, nothing is said about the engine."""
    said = say(job_of([rpm(1, 1500), *dm1(1, NO_LAMPS)], 60), 60, trouble="can0: the adapter has gone")
    words = "Not listening now: can0: the adapter has gone. What stands below is as it was last heard."
    assert said == Sentence(words, Role.WARN)


def test_several_channels_are_named() -> None:
    """Where the job has two buses a controller is named with its own."""
    frames = [rpm(1, 1500), *dm1(1, AMBER, COOLANT_HIGH), *dm1(1, NO_LAMPS, source="03", channel="can1")]
    assert "Engine 1 on can0 asks for the amber warning lamp." in say(job_of(frames, 1.5), 1.5).text


def test_the_engine_may_sit_at_another_address() -> None:
    """With --engine-address the second engine's speed and silence count."""
    job = job_of([rpm(1, 900, source="01"), *dm1(1, NO_LAMPS, source="01")], 1.5, engine_address=1)
    assert say(job, 1.5).text == "Running at 900 rpm, no active faults."
