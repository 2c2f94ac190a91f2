"""A driver that hangs hangs nobody who uses it: opening and closing end, and Ctrl-C ends the waiting."""

import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import can
import pytest

from faultlamp.bus import opening, patience, reader
from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from faultlamp.bus.patience import Hanging, within
from faultlamp.errors import BusError

SETTINGS = BusSettings("virtual", "hanging")


class Stuck:
    """What hangs, until `let_go`; `shut` is set when it was closed."""

    def __init__(self) -> None:
        self.let_go = threading.Event()
        self.shut = threading.Event()

    def open(self, **_: Any) -> "Stuck":
        """As a driver's constructor that hangs."""
        self.let_go.wait(20)
        return self

    def recv(self, timeout: float) -> None:
        """Nothing comes."""

    def shutdown(self) -> None:
        """Told that it is no longer wanted; hangs, too."""
        self.shut.set()
        self.let_go.wait(20)


@pytest.fixture
def stuck() -> Iterator[Stuck]:
    """Let go after the test."""
    stuck = Stuck()
    yield stuck
    stuck.let_go.set()


def test_the_result_and_the_error_come_through() -> None:
    """As if nothing were between."""
    assert within(5.0, lambda: 7) == 7
    with pytest.raises(KeyError, match="gone"):
        within(5.0, lambda: {}["gone"])


def test_what_comes_too_late_is_cleaned_up(stuck: Stuck) -> None:
    """Nobody waits for it any more; once it comes it is given to whoever cleans up."""
    came: list[object] = []
    with pytest.raises(Hanging, match=r"no end after 0\.1 s") as raised:
        within(0.1, stuck.open, late=came.append)
    assert came == []
    stuck.let_go.set()
    assert raised.value.done.wait(5)
    until(lambda: came == [stuck])


def test_ctrl_c_ends_the_waiting(stuck: Stuck, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is raised in the middle of the wait, and what comes afterwards is cleaned up."""
    came: list[object] = []

    class Interrupting(threading.Event):
        def wait(self, timeout: float | None = None) -> bool:
            if timeout is not None and timeout <= 0.2:
                raise KeyboardInterrupt
            return super().wait(timeout)

    monkeypatch.setattr(patience.threading, "Event", Interrupting)
    began_s = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        within(20.0, stuck.open, late=came.append)
    assert time.monotonic() - began_s < 5
    stuck.let_go.set()
    until(lambda: came == [stuck])


def test_a_driver_that_hangs_in_opening_is_one_line(stuck: Stuck, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is not started once more while it hangs; what it opens too late is closed; then it is opened as ever."""
    opened: list[object] = []

    def driver(**config: Any) -> Stuck:
        opened.append(config["channel"])
        return stuck.open()

    monkeypatch.setattr(can, "Bus", driver)
    monkeypatch.setattr(opening, "OPENING_S", 0.1)
    with pytest.raises(BusError, match=r"cannot open hanging \(virtual\): the driver hangs, .*; unplug") as one:
        Listener(SETTINGS)
    with pytest.raises(BusError, match="still hangs in the attempt before") as two:
        Listener(SETTINGS)
    assert "\n" not in f"{one.value}{two.value}"
    assert opened == ["hanging"]
    stuck.let_go.set()
    assert stuck.shut.wait(5)
    Listener(SETTINGS).close()
    assert opened == ["hanging"] * 2


def test_a_driver_that_hangs_in_closing_is_left(stuck: Stuck, monkeypatch: pytest.MonkeyPatch) -> None:
    """It was told to close, and is waited for no longer."""
    monkeypatch.setattr(can, "Bus", lambda **_: stuck)
    monkeypatch.setattr(reader, "CLOSING_S", 0.1)
    listener = Listener(SETTINGS)
    began_s = time.monotonic()
    listener.close()
    assert stuck.shut.is_set()
    assert time.monotonic() - began_s < 5


def until(what: Callable[[], bool]) -> None:
    """Wait for it, five seconds at most."""
    end_s = time.monotonic() + 5
    while not what():
        assert time.monotonic() < end_s
        time.sleep(0.005)
