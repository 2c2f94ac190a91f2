"""A line beside the listening: opened twice where a driver lets that be, else the adapter changes hands and comes back.

The serial adapter at the other end of a pseudo-terminal speaks the public Lawicel ASCII protocol (from memory): `L`
opens it in listen-only mode, `O` to send, `C` closes it.
"""

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import can
import pytest

from faultlamp.bus.lending import MOST_OVERHEARD, OPENED_TWICE, Overheard, line_beside
from faultlamp.bus.line import Line
from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from faultlamp.bus.pump import LivePump
from faultlamp.bus.reconnect import BusLost, Reconnecting
from faultlamp.bus.recorder import Recorder
from faultlamp.errors import BusError
from faultlamp.frames import Frame
from support.serial_adapter import SerialAdapter

REQUEST = 0x18EA00F9
"""SAE J1939-21, section 5.4.2: a request from address 249 to address 0."""
SPEED = Frame(0, "", 0x0CF00400, bytes.fromhex("F07D7D803E00F0FF"))


def until(true: Callable[[], object]) -> None:
    """Wait for a thing to become so, 20 s at most."""
    end = time.monotonic() + 20
    while not true():
        assert time.monotonic() < end
        time.sleep(0.01)


@pytest.fixture
def adapter() -> Iterator[SerialAdapter]:
    """A serial adapter, plugged in."""
    with SerialAdapter() as plugged:
        yield plugged


def listening(adapter: SerialAdapter) -> Reconnecting:
    """As `watch` listens on it."""
    return Reconnecting(lambda: Listener(BusSettings("slcan", adapter.port, 250_000)))


def test_a_serial_adapter_changes_hands_and_comes_back(adapter: SerialAdapter, tmp_path: Path) -> None:
    """Listen-only before and after, both sides recorded in between, the two changes told as gaps, nothing else lost."""
    path = tmp_path / "job.log"
    with listening(adapter) as source:
        pump = LivePump(source, recorder=Recorder(str(path)))
        pump.start()
        try:
            assert (adapter.mode, source.hardware_listen_only, adapter.transmitted) == ("L", True, [])
            with line_beside(source) as line:
                until(lambda: pump.trouble is None)
                assert (adapter.mode, source.hardware_listen_only, source.reopening) == ("O", False, False)
                before = pump.frames
                line.send(REQUEST, bytes.fromhex("CBFE00"))
                adapter.deliver(SPEED)
                assert [frame.can_id for frame in line.read(5)] == [SPEED.can_id]
                until(lambda: pump.frames == before + 2)
            until(lambda: adapter.mode == "L" and pump.trouble is None and source.hardware_listen_only)
            adapter.deliver(SPEED)
            until(lambda: pump.frames == before + 3)
        finally:
            pump.close()
    assert adapter.transmitted == ["T18EA00F93CBFE00"]
    assert [gap.reason for gap in pump.gaps()] == [
        "the adapter is opened anew, to ask", "the adapter is opened again, to listen only"
    ]
    assert pump.error is None
    assert [line.split()[2] for line in path.read_text().splitlines()] == [
        "18EA00F9#CBFE00", "0CF00400#F07D7D803E00F0FF", "0CF00400#F07D7D803E00F0FF"
    ]


def test_an_adapter_unplugged_while_it_is_lent(adapter: SerialAdapter) -> None:
    """The line says so; the listening goes back to trying."""
    with listening(adapter) as source:
        pump = LivePump(source)
        pump.start()
        try:
            with line_beside(source) as line:
                adapter.unplug()
                with pytest.raises(BusError, match="cannot read from"):
                    until(lambda: line.read(0.05))
            until(lambda: "cannot open" in (pump.trouble or ""))
            assert not source.lent
            assert not source.reopening
        finally:
            pump.close()


def test_an_adapter_that_is_not_let_go_is_not_waited_for_after_a_stop(adapter: SerialAdapter) -> None:
    """Nobody reads: it stays with the listening, and nothing was sent."""
    with listening(adapter) as source:
        with pytest.raises(BusError, match="did not let go"), line_beside(source, lambda: True):
            raise AssertionError("it was opened")
        assert adapter.transmitted == []
        # The loan is over, and the next reads listen again.
        for _ in range(3):
            try:
                source.read(0.0)
            except BusLost:
                continue
        assert not source.lent
        assert adapter.mode == "L"


def test_beside_the_listening_where_the_bus_can_be_opened_twice(settings: BusSettings, peer: can.BusABC) -> None:
    """No gap, and what is sent is heard as anybody hears it."""
    with Reconnecting(lambda: Listener(settings)) as source:
        pump = LivePump(source)
        pump.start()
        try:
            with line_beside(source) as line:
                line.send(REQUEST, bytes.fromhex("CBFE00"))
                until(lambda: pump.frames == 1)
                assert not source.lent
            assert peer.recv(1) is not None
        finally:
            pump.close()
        assert pump.gaps() == ()
    assert settings.interface in OPENED_TWICE


def test_what_is_sent_is_stamped_on_the_adapters_clock(
    settings: BusSettings, send: Callable[[Frame], None]
) -> None:
    """A clock an hour behind: the recording does not step back, nor do two frames change places."""
    behind_ns = 3_600_000_000_000
    with Line(settings) as line:
        heard: list[Frame] = []
        line.tap = heard.extend
        send(Frame(time.time_ns() - behind_ns, "", SPEED.can_id, SPEED.data))
        line.read(1)
        line.send(REQUEST, bytes.fromhex("CBFE00"))
    first, second = heard
    assert first.time_ns <= second.time_ns < first.time_ns + 1_000_000_000


def test_what_is_overheard_is_bounded(settings: BusSettings) -> None:
    """What finds no room is counted."""
    with Line(settings) as line:
        overheard = Overheard(line)
        line.tap([SPEED] * (MOST_OVERHEARD + 5))
        line.tap([SPEED])
        assert overheard.dropped == 6
        assert len(overheard.read(0)) == MOST_OVERHEARD
        assert overheard.read(0) == []
        waiting = threading.Timer(0.05, line.tap, ([SPEED],))
        waiting.start()
        assert overheard.read(5) == [SPEED]
        waiting.join()
