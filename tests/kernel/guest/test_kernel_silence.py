"""Nothing is transmitted by the commands that listen: the interface's own counter of transmitted frames says so."""

import sys
from pathlib import Path

import pytest
from kernel_bus import BUS, RawNode, listeners, listening

pytestmark = pytest.mark.kernel

# Whoever took part in the bus would have to answer. SAE J1939-21, section 5.4.2: requests for address claims to
# everybody and to a service tool's address; section 5.10: a request to send to that address, and a packet of it.
# SAE J1939-81, section 4.5: its address is claimed by another. SAE J1939-73, section 5.7.1: a DM1.
PROVOCATIONS = [
    (0x18EAFF00, "00EE00FFFFFFFFFF"), (0x18EAF900, "00EE00FFFFFFFFFF"), (0x1CECF900, "100E0002FFCAFE00"),
    (0x1CEBF900, "0114FF6E00030264"), (0x18EEFFF9, "0000000000000000"), (0x18FECA00, "04FF6E000301FFFF"),
]


def transmitted() -> int:
    """Frames that anybody has sent on the bus, by the interface's own counter."""
    return int(Path("/sys/class/net", BUS, "statistics", "tx_packets").read_text())


@pytest.mark.parametrize(
    "words",
    [
        pytest.param(("watch",), id="watch"),
        pytest.param(("record", "-o", "FILE"), id="record"),
        pytest.param(("doctor",), id="doctor"),
    ],
)
def test_the_interface_transmits_what_others_send_and_no_more(tmp_path: Path, words: tuple[str, ...]) -> None:
    """A second of frames that ask for answers; the counter grows by just these."""
    given = [str(tmp_path / "bus.log") if word == "FILE" else word for word in words]
    command = [sys.executable, "-m", "faultlamp", *given, "-i", "socketcan", "-c", BUS, "--for", "1"]
    before, sent = transmitted(), 0
    output = tmp_path / "output.txt"
    with output.open("wb") as file, RawNode() as node, listening(command, listeners() + 1, file) as program:
        while program.poll() is None:
            for can_id, data in PROVOCATIONS:
                node.send(can_id, data)
                sent += 1
        assert program.returncode == 0
    assert sent >= len(PROVOCATIONS)
    assert transmitted() - before == sent
