"""Faults in messages that the Linux kernel's J1939 stack cut into frames, recorded by candump."""

import json
from pathlib import Path
from typing import Any

import pytest
from kernel_bus import (
    BUS,
    DM1,
    DM2,
    OTHER_BUS,
    Code,
    Node,
    broadcast,
    diagnostic_message,
    faultlamp,
    faults_document,
    logged_frames,
    recorded,
)

pytestmark = pytest.mark.kernel

NO_TRANSPORT = {"completed": 0, "aborted": 0, "timed_out": 0, "incomplete": 0, "out_of_order": 0, "malformed": 0}

# Lamp bytes, SAE J1939-73 section 5.7.1: amber warning on (04), red stop and amber on (14); flash byte FF.
AMBER = b"\x04\xff"
RED_AND_AMBER = b"\x14\xff"

ONE = [Code(110, 3, 2)]
THREE = [Code(110, 3, 2), Code(105, 4, 1), Code(520200, 31, 127)]
# Straddles packets at every offset; SPNs below and above 65535, FMI 0 to 31, counts 1 to 126 and 'not available'.
TWENTY = [
    Code(91, 8, 1), Code(94, 18, 2), Code(97, 31, 3), Code(100, 1, 126), Code(102, 16, 5), Code(105, 4, 1),
    Code(108, 2, 7), Code(110, 0, 2), Code(110, 3, 2), Code(111, 17, 10), Code(158, 20, 11), Code(168, 21, 12),
    Code(174, 9, 13), Code(190, 10, 14), Code(639, 19, 15), Code(1761, 14, 16), Code(65535, 5, 17),
    Code(65536, 6, 18), Code(131071, 7, 127), Code(520200, 31, 64),
]  # fmt: skip


def told(document: dict[str, Any]) -> list[tuple[object, ...]]:
    """What the document says about each fault, without times."""
    keys = ("channel", "source_address", "spn", "fmi", "occurrence_count", "conversion_method", "state", "reported_in")
    return [tuple(fault[key] for key in keys) for fault in document["faults"]]


def sent(codes: list[Code], source: int, state: str, message: str, channel: str = BUS) -> list[tuple[object, ...]]:
    """The same for codes that were sent, in the order of the contract; a count of 127 is 'not available'."""
    return sorted(
        (channel, source, code.spn, code.fmi, None if code.occurrence == 127 else code.occurrence, 0, state, [message])
        for code in codes
    )


def test_single_frame_dm1(tmp_path: Path) -> None:
    """A DM1 with one code is one frame, and is read as that code."""
    with recorded(tmp_path / "bus.log") as log:
        broadcast(0, DM1, diagnostic_message(AMBER, ONE))
    assert len(logged_frames(log)) == 1
    done = faultlamp("faults", log, "--format", "json")
    assert (done.returncode, done.stderr) == (0, "")
    document = json.loads(done.stdout)
    assert told(document) == sent(ONE, 0, "active", "DM1")
    assert document["transport"] == NO_TRANSPORT


@pytest.mark.parametrize(
    ("codes", "frames"), [pytest.param(THREE, 3, id="3 codes"), pytest.param(TWENTY, 13, id="20 codes")]
)
def test_dm1_by_broadcast(tmp_path: Path, codes: list[Code], frames: int) -> None:
    """Exactly the codes that the kernel sent by BAM are listed, from the packet that completed them."""
    with recorded(tmp_path / "bus.log") as log:
        broadcast(0, DM1, diagnostic_message(RED_AND_AMBER, codes))
    heard = logged_frames(log)
    assert len(heard) == frames
    document = faults_document(log)
    assert told(document) == sent(codes, 0, "active", "DM1")
    assert document["transport"] == NO_TRANSPORT | {"completed": 1}
    starts = {span["start"] for fault in document["faults"] for span in fault["active_spans"]}
    assert starts == {heard[-1].time_us / 1e6}
    assert {(lamp["lamp"], span["state"]) for lamp in document["lamps"] for span in lamp["spans"]} == {
        ("malfunction_indicator", "off"), ("red_stop", "on"), ("amber_warning", "on"), ("protect", "off"),
    }  # fmt: skip


def test_dm2_by_connection_between_claimed_addresses(tmp_path: Path) -> None:
    """A DM2 sent to one node that has claimed its address (RTS/CTS) is overheard; its codes are previously active."""
    with (
        recorded(tmp_path / "bus.log") as log,
        Node(0x00, name=0x8000_0000_0000_0001) as engine,
        Node(0xF9, name=0x8000_8100_0000_0002) as tool,
    ):
        engine.send(DM2, diagnostic_message(AMBER, TWENTY), to=0xF9)
        assert tool.receive(DM2) == diagnostic_message(AMBER, TWENTY)
    document = faults_document(log)
    assert told(document) == sent(TWENTY, 0, "previously_active", "DM2")
    assert all(not fault["active_spans"] for fault in document["faults"])
    assert document["lamps"] == []
    assert document["transport"] == NO_TRANSPORT | {"completed": 1}


def test_several_senders_at_once(tmp_path: Path) -> None:
    """Broadcasts that interleave, from three sources and on two buses, are kept apart."""
    with (
        recorded(tmp_path / "bus.log", buses=(BUS, OTHER_BUS)) as log,
        Node(0x00) as engine,
        Node(0x3D) as aftertreatment,
        Node(0x31) as cab,
        Node(0x00, bus=OTHER_BUS) as other,
    ):
        engine.send(DM1, diagnostic_message(RED_AND_AMBER, TWENTY))
        aftertreatment.send(DM1, diagnostic_message(AMBER, THREE))
        cab.send(DM1, diagnostic_message(AMBER, TWENTY[:7]))
        other.send(DM1, diagnostic_message(AMBER, TWENTY[7:]))
    sources = [frame.can_id & 0xFF for frame in logged_frames(log) if frame.channel == BUS]
    assert sources != sorted(sources, key=sources.index), "the broadcasts did not interleave"
    document = faults_document(log)
    assert told(document) == [
        *sent(TWENTY, 0x00, "active", "DM1"),
        *sent(TWENTY[:7], 0x31, "active", "DM1"),
        *sent(THREE, 0x3D, "active", "DM1"),
        *sent(TWENTY[7:], 0x00, "active", "DM1", channel=OTHER_BUS),
    ]
    assert document["transport"] == NO_TRANSPORT | {"completed": 4}


def test_fault_that_goes_and_comes_back(tmp_path: Path) -> None:
    """A code left out of one DM1 and listed in the next has two spans, the first cleared."""
    with recorded(tmp_path / "bus.log") as log:
        broadcast(0, DM1, diagnostic_message(AMBER, THREE))
        broadcast(0, DM1, diagnostic_message(AMBER, ONE))
        broadcast(0, DM1, diagnostic_message(AMBER, THREE))
    document = faults_document(log)
    reasons = {fault["spn"]: [span["end_reason"] for span in fault["active_spans"]] for fault in document["faults"]}
    assert reasons == {
        105: ["cleared", "capture_end"],
        110: ["capture_end"],
        520200: ["cleared", "capture_end"],
    }
    assert document["transport"] == NO_TRANSPORT | {"completed": 2}
