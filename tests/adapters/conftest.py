"""A python-can that knows no configuration of this computer, and serial adapters that need no hardware."""

import json
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from support.serial_adapter import SerialAdapter


@pytest.fixture(autouse=True)
def unconfigured(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No configuration file; of the environment variables only that serial ports need no pause after opening."""
    monkeypatch.setattr("can.util.CONFIG_FILES", [str(tmp_path / "can.conf")])
    for name in ("CAN_INTERFACE", "CAN_CHANNEL", "CAN_BITRATE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("CAN_CONFIG", json.dumps({"sleep_after_open": 0.0}))


@pytest.fixture
def adapter() -> Iterator[SerialAdapter]:
    """A serial adapter that is plugged in."""
    with SerialAdapter() as adapter:
        yield adapter


@pytest.fixture
def open_serial(adapter: SerialAdapter) -> Iterator[Callable[[int], Listener]]:
    """Open a listener on it at a bit rate; closed after the test."""
    with ExitStack() as stack:

        def open_at(bit_rate: int = 250_000) -> Listener:
            listener = stack.enter_context(Listener(BusSettings("slcan", adapter.port, bit_rate)))
            adapter.wait_for(lambda one: one.mode)
            return listener

        yield open_at
