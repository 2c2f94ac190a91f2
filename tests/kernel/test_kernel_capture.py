"""The shipped recording of the Linux kernel's J1939 stack is read as what was handed to the kernel.

The facts below are those of guest/make_capture.py, whose frames the kernel made: an encoder that is not ours.
"""

import json
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import pytest

CAPTURE = Path(__file__).resolve().parents[2] / "captures" / "kernel-j1939.log"

# Seconds are counted from the first EEC1. A DM1 that was handed over at a whole or half second is complete within 50 ms
# a packet (the kernel's spacing), here two packets at most.
LATEST_S = 0.15

# (source, SPN, FMI) -> occurrence count, state, messages, spans as (from, to) with None for the end of the recording.
FAULTS: dict[tuple[int, int, int], tuple[int | None, str, list[str], list[tuple[float, float | None]]]] = {
    (0, 100, 1): (1, "previously_active", ["DM1", "DM2"], [(12.0, 17.0)]),
    (0, 105, 3): (1, "previously_active", ["DM1", "DM2"], [(6.0, 14.0)]),
    (0, 110, 3): (2, "active", ["DM1"], [(6.0, 14.0), (18.0, None)]),
    (61, 1761, 1): (3, "previously_active", ["DM2"], []),
    (61, 1761, 18): (4, "active", ["DM1"], [(0.5, None)]),
    (61, 3364, 2): (6, "previously_active", ["DM2"], []),
    (61, 4334, 18): (1, "previously_active", ["DM2"], []),
    (61, 4364, 18): (2, "active", ["DM1"], [(0.5, None)]),
    (61, 520201, 31): (None, "active", ["DM1"], [(10.5, None)]),
}

# (source, lamp) -> states with the second each began.
LAMPS: dict[tuple[int, str], list[tuple[str, float]]] = {
    (0, "malfunction_indicator"): [("off", 0.0)],
    (0, "red_stop"): [("off", 0.0), ("on", 12.0), ("off", 17.0)],
    (0, "amber_warning"): [("off", 0.0), ("on", 6.0), ("off", 17.0), ("on", 18.0)],
    (0, "protect"): [("off", 0.0)],
    (61, "malfunction_indicator"): [("off", 0.5)],
    (61, "red_stop"): [("off", 0.5)],
    (61, "amber_warning"): [("on", 0.5)],
    (61, "protect"): [("off", 0.5)],
}


@cache
def document() -> dict[str, Any]:
    """What `faultlamp faults` says about the recording."""
    command = [sys.executable, "-m", "faultlamp", "faults", str(CAPTURE), "--format", "json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return dict(json.loads(done.stdout))


def seconds(time: float) -> float:
    """Seconds after the first EEC1 of the recording."""
    first = next(line for line in CAPTURE.read_text().splitlines() if " 0CF00400#" in line)
    return time - float(first.split(")")[0].lstrip("("))


def soon_after(second: float) -> Any:
    """A time from `second` to when its message must be complete."""
    return pytest.approx(second + LATEST_S / 2, abs=LATEST_S / 2)


def test_faults() -> None:
    """Each code has the sender, count, state and messages it was sent with, and no other code is listed."""
    told = {
        (fault["source_address"], fault["spn"], fault["fmi"]): (
            fault["occurrence_count"],
            fault["state"],
            fault["reported_in"],
        )
        for fault in document()["faults"]
    }
    assert told == {key: expected[:3] for key, expected in FAULTS.items()}
    assert {(fault["channel"], fault["conversion_method"]) for fault in document()["faults"]} == {("vcan0", 0)}


def test_spans() -> None:
    """Each span begins and ends with the DM1 that was handed to the kernel at that second."""
    for fault in document()["faults"]:
        expected = FAULTS[fault["source_address"], fault["spn"], fault["fmi"]][3]
        spans = fault["active_spans"]
        assert [span["end_reason"] for span in spans] == [
            "capture_end" if end is None else "cleared" for _, end in expected
        ]
        assert [seconds(span["start"]) for span in spans] == [soon_after(start) for start, _ in expected]
        assert [span["end"] and seconds(span["end"]) for span in spans] == [
            end and soon_after(end) for _, end in expected
        ]


def test_lamps() -> None:
    """The lamps of each controller changed when its DM1 did."""
    told = {
        (lamp["source_address"], lamp["lamp"]): [(span["state"], seconds(span["start"])) for span in lamp["spans"]]
        for lamp in document()["lamps"]
    }
    assert told == {key: [(state, soon_after(second)) for state, second in spans] for key, spans in LAMPS.items()}


def test_transport_and_key_cycle() -> None:
    """28 DM1s by BAM and 2 DM2s by RTS/CTS were completed; the engine ran at 1500 rpm in one key cycle."""
    assert document()["transport"] == {
        "completed": 30,
        "aborted": 0,
        "timed_out": 0,
        "incomplete": 0,
        "out_of_order": 0,
        "malformed": 0,
    }
    capture = document()["capture"]
    assert (capture["frames"], capture["bad_lines"], capture["clock_steps"]) == (311, 0, 0)
    assert document()["key_cycles"] == [
        {
            "channel": "vcan0",
            "start": capture["start"],
            "end": None,
            "engine_ran": True,
            "max_engine_speed_rpm": 1500.0,
        }
    ]
