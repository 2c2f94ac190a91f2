"""Trying bit rates through python-can's real slcan driver, with an adapter at the other end of a pseudo-terminal."""

import json
import sys
import threading
from collections.abc import Iterator

import pytest

from faultlamp.cli.main import main
from faultlamp.frames import Frame

pytest.importorskip("serial")
if sys.platform == "win32":
    pytest.skip("needs pseudo-terminals", allow_module_level=True)

from support.serial_adapter import SerialAdapter

RATE_OF_THE_BUS = 500_000
# SAE J1939-71, EEC1, from Laixer J1939: electronic_engine_controller_1_message_2.
ENGINE_SPEED = Frame(0, "", 0x0CF00400, bytes.fromhex("F39191AA1800F3FF"))


@pytest.fixture
def adapter(monkeypatch: pytest.MonkeyPatch) -> Iterator[SerialAdapter]:
    """An adapter on a bus of 500 kbit/s, 100 frames/s; at other rates it hears nothing whole and stays silent."""
    monkeypatch.setenv("CAN_CONFIG", json.dumps({"sleep_after_open": 0.0}))
    over = threading.Event()
    with SerialAdapter() as adapter:

        def talk() -> None:
            while not over.wait(0.01):
                if adapter.bit_rate == RATE_OF_THE_BUS:
                    adapter.deliver(ENGINE_SPEED)

        thread = threading.Thread(target=talk)
        thread.start()
        yield adapter
        over.set()
        thread.join()


def test_the_rate_of_the_bus_is_found_without_a_word(
    adapter: SerialAdapter, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every opening of the channel is listen-only (`L`, never `O`), and no frame is handed to the adapter.

    Commands: the public Lawicel protocol (from memory): S5, S6, S8 are 250, 500 and 1000 kbit/s.
    """
    code = main(["doctor", "-i", "slcan", "-c", adapter.port, "--try-bitrates", "--for", "0.6", "--format", "json"])
    document = json.loads(capsys.readouterr().out)
    assert code == 0
    assert [(trial["bit_rate"], trial["state"], trial["right"]) for trial in document["bit_rate_trials"]] == [
        (250_000, "silent", False), (500_000, "alive", True), (1_000_000, "silent", False)
    ]
    assert document["bus"]["bit_rate"] == RATE_OF_THE_BUS
    assert document["bus"]["engine"]["heard"]
    assert [word for word in adapter.commands if word.startswith("S")] == ["S5", "S6", "S8"]
    assert "L" in adapter.commands
    assert "O" not in adapter.commands
    assert adapter.transmitted == []


def test_one_rate_as_chosen(adapter: SerialAdapter, capsys: pytest.CaptureFixture[str]) -> None:
    """With -b the load is against that rate: frames of 8 bytes, 131 bits each without stuffing (ISO 11898-1)."""
    code = main(["doctor", "-i", "slcan", "-c", adapter.port, "-b", "500000", "--for", "0.6", "--format", "json"])
    bus = json.loads(capsys.readouterr().out)["bus"]
    assert code == 0
    assert bus["hardware_listen_only"] is True
    (load,) = bus["load"]
    assert load["least_percent"] == pytest.approx(bus["frames"] * 131 / bus["listened_s"] / 500_000 * 100, abs=0.02)
    adapter.wait_for(lambda one: not one.mode)
    assert adapter.transmitted == []
