"""What `watch --record` and `record` write on a real interface, beside candump's own log of the same traffic."""

import re
import sys
from pathlib import Path
from typing import NamedTuple

import can
import pytest
from kernel_bus import (
    BUS,
    DM1,
    Code,
    Node,
    broadcast,
    diagnostic_message,
    faults_document,
    listeners,
    listening,
    recorded,
)

pytestmark = pytest.mark.kernel

CODES = [Code(110, 3, 2), Code(105, 4, 1), Code(520200, 31, 127)]
BURST = 3000
# All frames, and all error classes.
EVERYTHING = f"{BUS},0:0,#FFFFFFFF"
_LINE = re.compile(r"\((\d+)\.(\d{6})\) (\S+) (\S+)")


class Line(NamedTuple):
    """One line of either log, without what only candump writes.

    That is a remote frame's length, and the flag of CAN FD frames that says no more than that they are such
    (linux/can.h: CANFD_FDF, 4).
    """

    time_us: int
    channel: str
    frame: str


def lines_of(log: Path) -> list[Line]:
    """The lines of a log, read with no help from the project."""
    lines = []
    for text in log.read_text().splitlines():
        match = _LINE.fullmatch(text)
        assert match is not None, f"no log line: {text!r}"
        frame = re.sub(r"#R\d$", "#R", match[4])
        frame = re.sub(r"##([0-9A-F])", lambda flags: f"##{int(flags[1], 16) & 3:X}", frame)
        lines.append(Line(int(match[1] + match[2]), match[3], frame))
    return lines


def send_everything() -> None:
    """Every kind of frame that SocketCAN has, a DM1 from the kernel's own stack, and a burst."""
    with can.Bus(interface="socketcan", channel=BUS, fd=True, ignore_config=True) as peer:
        for length in range(9):
            peer.send(can.Message(arbitration_id=0x18FF1000 + length, data=bytes(range(length))))
            peer.send(can.Message(arbitration_id=0x7F0 + length, is_extended_id=False, data=bytes(length)))
        peer.send(can.Message(arbitration_id=0x1FFFFFFF, data=b"\xff" * 8))
        peer.send(can.Message(arbitration_id=0x18EAFF00, is_remote_frame=True, dlc=3))
        peer.send(can.Message(arbitration_id=0x7DF, is_extended_id=False, is_remote_frame=True, dlc=8))
        peer.send(can.Message(arbitration_id=0x20, is_extended_id=False, is_error_frame=True, data=bytes(8)))
        peer.send(can.Message(arbitration_id=0x123, is_extended_id=False, is_fd=True, data=bytes(64)))
        peer.send(can.Message(arbitration_id=0x18FF0000, is_fd=True, bitrate_switch=True, data=bytes(range(12))))
        broadcast(0x00, DM1, diagnostic_message(b"\x14\xff", CODES))
        with Node(0x3D) as node:
            node.send(DM1, diagnostic_message(b"\x04\xff", CODES[:1]))
        for number in range(BURST):
            peer.send(can.Message(arbitration_id=0x18FF0000 | number & 0xFF, data=number.to_bytes(8, "little")))


@pytest.mark.parametrize("words", [("watch", "--record"), ("record", "-o")], ids=["watch", "record"])
def test_a_recording_equals_candumps(tmp_path: Path, words: tuple[str, str]) -> None:
    """Line for line in order, times to the microsecond that each rounds or cuts, and the same history from both."""
    theirs, ours = tmp_path / "candump.log", tmp_path / "ours.log"
    command = [sys.executable, "-m", "faultlamp", words[0], "-i", "socketcan", "-c", BUS, words[1], str(ours),
               "--for", "3"]
    with (
        recorded(theirs, buses=(EVERYTHING,)),
        (tmp_path / "output.txt").open("wb") as file,
        listening(command, listeners() + 1, file) as program,
    ):
        send_everything()
        assert program.wait(30) == 0
    expected, got = lines_of(theirs), lines_of(ours)
    assert len(expected) > BURST
    assert [(line.channel, line.frame) for line in got] == [(line.channel, line.frame) for line in expected]
    assert all(abs(mine.time_us - other.time_us) <= 1 for mine, other in zip(got, expected, strict=True))
    document, reference = faults_document(ours), faults_document(theirs)
    assert document["capture"]["bad_lines"] == 0
    assert {(fault["source_address"], fault["spn"], fault["fmi"]) for fault in document["faults"]} == {
        (0x00, 110, 3), (0x00, 105, 4), (0x00, 520200, 31), (0x3D, 110, 3),
    }
    assert document["transport"] == reference["transport"]
    assert document["capture"]["frames"] == reference["capture"]["frames"] == len(expected)
