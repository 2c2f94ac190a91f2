"""The intake as `faultlamp watch` wires it: serial adapter, UDP multicast, simulated engine; and refused."""


import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from faultlamp.cli.main import main
from faultlamp.tui import watching
from faultlamp.tui.intake.asker import Asker, Stage
from faultlamp.tui.watching import LiveFeed
from support.multicast import GROUP, Counter, free_port
from support.serial_adapter import SerialAdapter
from support.virtual_bus import unconfigured

__all__ = ["unconfigured"]

Act = Callable[[Asker, LiveFeed], None]


@pytest.fixture
def watch(monkeypatch: pytest.MonkeyPatch) -> Callable[[list[str], Act], None]:
    """Run `watch` with these options as on a terminal; in place of the dashboard somebody acts on who would ask."""

    def run(options: list[str], act: Act) -> None:
        def dashboard(feed: LiveFeed, *, asker: Asker, **_: Any) -> int:
            try:
                act(asker, feed)
            finally:
                asker.close()
            return 0

        monkeypatch.setattr(watching, "run_dashboard", dashboard)
        monkeypatch.setattr("faultlamp.cli.watch.on_terminal", lambda: True)
        assert main(["watch", *options]) == 0

    return run


def until(true: Callable[[], object]) -> None:
    """Wait for a thing to become so, 30 s at most."""
    end = time.monotonic() + 30
    while not true():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_a_simulated_engine_answers(watch: Callable[[list[str], Act], None]) -> None:
    """Everything, with nothing plugged in."""

    def act(asker: Asker, feed: LiveFeed) -> None:
        until(feed.take)
        asker.start()
        until(lambda: asker.stage is Stage.OVER)
        assert (asker.trouble, asker.found_nobody) == ("", "")
        assert [one["address"] for one in asker.controllers()] == [0, 23, 61]
        assert asker.progress.done == asker.progress.of >= 23
        assert not asker.reopens

    watch(["--rig", "quick-look"], act)


def test_listen_only_never_sends(watch: Callable[[list[str], Act], None]) -> None:
    """The option reaches who would ask."""

    def act(asker: Asker, _: LiveFeed) -> None:
        assert asker.listen_only
        asker.start()
        assert asker.stage is Stage.NOT_ASKED

    watch(["--rig", "quick-look", "--listen-only"], act)


def test_a_serial_adapter_is_opened_to_send_only_for_the_intake(watch: Callable[[list[str], Act], None]) -> None:
    """Listen-only until the yes; the status line follows; listen-only again afterwards, whoever was there or not."""

    def act(asker: Asker, feed: LiveFeed) -> None:
        until(lambda: adapter.mode == "L")
        assert asker.reopens
        assert feed.status().short_mode == "only listens"
        time.sleep(0.3)
        assert adapter.transmitted == []
        asker.start()
        until(lambda: feed.status().trouble)
        assert feed.status().trouble == "the adapter is opened anew, to ask"
        assert feed.status().notes[0].startswith("adapter is opened anew")
        until(lambda: adapter.transmitted)
        until(lambda: feed.status().short_mode == "only acknowledges")
        until(lambda: asker.stage is Stage.OVER)
        sent = len(adapter.transmitted)
        # A claim of address 249 and one request to everybody for address claims (SAE J1939-81); nobody is there.
        assert [command[:9] for command in adapter.transmitted] == ["T18EEFFF9", "T18EAFFF9"]
        until(lambda: feed.status().short_mode == "only listens" and not feed.status().trouble)
        assert adapter.mode == "L"
        assert len(adapter.transmitted) == sent == asker.progress.sent
        assert asker.found_nobody == "nobody was heard"

    with SerialAdapter() as adapter:
        watch(["-i", "slcan", "-c", adapter.port, "-b", "250000"], act)
        assert len(adapter.transmitted) == 2


def test_every_datagram_is_counted(
    watch: Callable[[list[str], Act], None], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """None before the yes, as many as are told after it, none after the end; the recording has each once."""
    port, recording = free_port(), tmp_path / "job.log"
    monkeypatch.setenv("CAN_CONFIG", f'{{"port": {port}, "hop_limit": 0}}')

    def act(asker: Asker, feed: LiveFeed) -> None:
        with Counter(port) as counter:
            time.sleep(0.3)
            assert counter.count() == 0
            asker.start()
            until(lambda: asker.stage is Stage.OVER)
            assert counter.count() == asker.progress.sent == 2
            time.sleep(0.3)
            assert counter.count() == 2

    watch(["-i", "udp_multicast", "-c", GROUP, "--record", str(recording)], act)
    assert [line.split()[2][:9] for line in recording.read_text().splitlines()] == ["18EEFFF9#", "18EAFFF9#"]
