"""Hostile traffic over the whole road: history, values, nodes, dashboard, event lines. No exception, harmless text,
bounded memory.

`FAULTLAMP_FUZZ_EXAMPLES=5000 pytest tests/fuzz` searches longer; atheris_road.py searches by coverage.
"""

import random
import time
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from textual.app import App

from faultlamp.frames import Frame, FrameBlock
from faultlamp.history.history import History
from faultlamp.history.latest import LatestValues
from faultlamp.history.room import MOST_FAULTS, Room
from faultlamp.j1939 import transport
from faultlamp.j1939.diagnostics import DM1, PGN_BY_DM, decode_report
from faultlamp.j1939.identifier import build_identifier
from faultlamp.j1939.segmentation import (
    bam,
    broadcast,
    data_packet_offset,
    extended_clear_to_send,
    extended_request_to_send,
    request_to_send,
)
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from support.hostile import (
    LAYOUTS,
    START_NS,
    Road,
    as_frames,
    fuzzing,
    hostile_frames,
    nasty_text,
    unsafe,
)
from tui.scene import StillFeed

DM1_PGN = PGN_BY_DM[DM1]
LARGEST_TP = 1785  # SAE J1939-21, section 5.10


@given(frames=hostile_frames(), cuts=st.lists(st.integers(1, 400), max_size=3))
@fuzzing
def test_hostile_traffic_breaks_nothing(frames: list[Frame], cuts: list[int]) -> None:
    """Frames of all kinds, storms, lies about sizes, nasty names, jumping clocks: both roads agree, all is harmless."""
    road = Road(frames[0].channel if frames else "can0")
    road.drive(frames, cuts)
    road.check()


@given(seed=st.integers(0, 1 << 32), count=st.integers(0, 2000))
@fuzzing
def test_random_frames_break_nothing(seed: int, count: int) -> None:
    """Noise that fills the identifier space: thousands of parameter groups from 256 addresses."""
    road = Road()
    road.drive(as_frames(np.random.default_rng(seed), count), (500, 1000))
    road.check()


def storm(rng: random.Random, sources: int, destinations: int) -> Iterator[tuple[int, bytes]]:
    """Announcements from each source to each destination, half of them of a group that is kept, with two packets."""
    for source in range(sources):
        for destination in range(destinations):
            if destination == source:
                continue
            pgn = DM1_PGN if rng.random() < 0.5 else 0xEF00
            announce = bam(LARGEST_TP, pgn) if destination == 255 else request_to_send(LARGEST_TP, pgn)
            yield build_identifier(7, 0xEC00, source, destination), announce
            for number in (1, 2):
                yield build_identifier(7, 0xEB00, source, destination), bytes((number,)) + rng.randbytes(7)


def test_a_storm_of_all_sources_to_all_destinations() -> None:
    """254 to 254 at once, on two channels, faster than any session times out: sessions and bytes stay bounded."""
    history = History()
    for channel in ("can0", "can1"):
        wire = list(storm(random.Random(channel), 254, 254))
        for first in range(0, len(wire), 4096):
            some = wire[first : first + 4096]
            history.feed_block(FrameBlock.from_frames(Frame(START_NS, channel, *one) for one in some))
            held = history._transport
            assert len(held._sessions) <= transport.MOST_SESSIONS
            assert 0 <= held.kept_bytes <= transport.MOST_KEPT
    counts = history.transport_counts()
    # Every announcement is accounted for: open, or given up for want of room.
    assert counts.incomplete + counts.aborted == 2 * 254 * 253
    assert counts.incomplete == len(history._transport._sessions) > transport.MOST_SESSIONS // 2


def test_extended_sessions_that_announce_the_largest_size() -> None:
    """254 senders announce 117,440,505 bytes each and send on: nothing is kept for what could not be a fault list."""
    history = History()
    for source in range(254):
        frames = [(0xC800, extended_request_to_send(117_440_505, DM1_PGN))]
        frames += [(0xC800, data_packet_offset(255, 0, DM1_PGN))]
        frames += [(0xC700, bytes((number,)) + b"\x11" * 7) for number in range(1, 256)]
        for carrier, data in frames:
            history.feed(Frame(START_NS, "can0", build_identifier(7, carrier, source, 254), data))
    assert len(history._transport._sessions) == 254
    assert history._transport.kept_bytes == 0


def test_extended_sessions_fill_no_more_than_the_kept_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    """254 senders with messages as long as one is kept: the bytes held stay within the limit (here a small one)."""
    monkeypatch.setattr(transport, "LARGEST_KEPT", 1 << 13)
    monkeypatch.setattr(transport, "MOST_KEPT", 1 << 20)
    held = transport.Reassembler(frozenset({DM1_PGN}))
    most = 0

    def say(time_ns: int, source: int, carrier: int, data: bytes) -> None:
        held.feed(time_ns, "can0", build_identifier(7, carrier, source, 254), int.from_bytes(data, "little"), 8)

    for time_ns, first in enumerate(range(0, transport.LARGEST_KEPT // 7, 255), START_NS):
        for source in range(254):
            if first == 0:
                say(time_ns, source, 0xC800, extended_request_to_send(transport.LARGEST_KEPT, DM1_PGN))
            say(time_ns, source, 0xC800, data_packet_offset(255, first, DM1_PGN))
            for number in range(1, 256):
                say(time_ns, source, 0xC700, bytes((number,)) + b"\x22" * 7)
            most = max(most, held.kept_bytes)
    assert transport.MOST_KEPT // 2 < most <= transport.MOST_KEPT


def test_clear_to_send_that_jumps_about_costs_little() -> None:
    """A receiver that asks for every second packet of the largest message leaves no trail that grows without end."""
    history = History()

    def say(source: int, destination: int, carrier: int, data: bytes) -> None:
        history.feed(Frame(START_NS, "can0", build_identifier(7, carrier, source, destination), data))

    say(0, 249, 0xC800, extended_request_to_send(117_440_505, 0xEF00))
    began = time.process_time()
    for number in range(1, 40_001, 2):
        say(249, 0, 0xC800, extended_clear_to_send(1, number, 0xEF00))
        say(0, 249, 0xC800, data_packet_offset(1, number - 1, 0xEF00))
        say(0, 249, 0xC700, b"\x01" + bytes(7))
    # Kept, 20,000 runs would take minutes of searching; dropped, this takes well under a second.
    assert time.process_time() - began < 20
    sessions = history._transport._sessions.values()
    assert all(len(session.runs) <= transport.MOST_RUNS for session in sessions)
    assert history.transport_counts().aborted == 1


def test_remembered_reports_are_short_ones() -> None:
    """Fault lists that never repeat, as long as they come, are decoded and forgotten."""
    rng = random.Random(3)
    for length in (1785, transport.LARGEST_KEPT):
        report = decode_report(DM1, bytes(2) + rng.randbytes(length - 2))
        assert report is not None
        again = decode_report(DM1, bytes(2) + rng.randbytes(length - 2))
        assert again is not None
        assert again.dtcs != report.dtcs
    payload = bytes(2) + rng.randbytes(1783)
    assert decode_report(DM1, payload) is not decode_report(DM1, payload)
    assert decode_report(DM1, payload) == decode_report(DM1, payload)


def test_more_faults_than_there_is_room_for() -> None:
    """Invented faults by the hundred thousand: the room runs out, what found none is counted, the rest stays."""
    history = History()
    history.room = Room(faults=1000, spans=3000)
    history.controllers.clear()
    time_ns = START_NS
    for number in range(60):
        source, base = number % 254, number * 100 + 1
        codes = b"".join((base + one).to_bytes(2, "little") + bytes((one & 31, 1)) for one in range(100))
        for can_id, data in broadcast(DM1_PGN, source, b"\x04\xff" + codes):
            time_ns += 1_000_000
            history.feed(Frame(time_ns, "can0", can_id, data))
    faults = sum(len(controller.faults) for controller in history.controllers.values())
    assert faults == 1000
    assert history.room.refused >= 60 * 100 - 1000


def full_board(faults: int) -> Board:
    """A dashboard over as many invented faults, of 200 controllers."""
    frames: list[Frame] = []
    time_ns = START_NS
    for first in range(0, faults, 400):
        source = first // 400 % 250
        listed = range(first, min(first + 400, faults))
        codes = b"".join(((one % 65000) + 1).to_bytes(2, "little") + bytes(((one // 65000) & 31, 1)) for one in listed)
        for can_id, data in broadcast(DM1_PGN, source, b"\x14\xff" + codes):
            time_ns += 10_000
            frames.append(Frame(time_ns, "can0", can_id, data))
    board = Board(StillFeed(frames, None), LAYOUTS, {})
    board.tick()
    board.now_ns = time_ns
    return board


def test_as_many_faults_as_there_is_room_for_still_draw() -> None:
    """The dashboard's bands stand when a hostile bus has filled the room for faults."""
    board = full_board(MOST_FAULTS)
    assert len(board.lanes) == MOST_FAULTS
    for _ in range(2):
        rows = [*board.head(80, 24), *board.readings_band(80, 24), *board.lanes_band(80, 12), board.status(80)]
        assert not unsafe("".join(row.text for row in rows))


@given(name=nasty_text)
@fuzzing
def test_channel_names_and_texts_reach_the_screen_harmless(name: str) -> None:
    """A name that python-can hands over, as an event line and the dashboard show it."""
    from faultlamp.bus.reader import channel_text

    channel = channel_text(name)
    assert channel.isascii()
    assert channel.isprintable()
    frames = [Frame(START_NS, channel, 0x18FECA00, bytes.fromhex("04FF6E000301FFFF"))]
    road = Road(channel)
    road.drive([*frames, Frame(START_NS + 1, "can1", 0x18FECA03, bytes.fromhex("10FF64000102FFFF"))])
    road.check()
    assert any(channel in line for line in road.event_lines)


@pytest.mark.parametrize("channel", ["[red]x[/red]", "[/]", "[bold", "[@click=app.quit]x[/]", "{0!r}%s"])
async def test_markup_in_names_is_text_on_the_screen(channel: str) -> None:
    """A channel that is named like markup stands there letter by letter, in all pages."""
    frames = [
        Frame(START_NS + at * 100_000_000, name, 0x18FECA00 + source, bytes.fromhex("04FF6E000301FFFF"))
        for at in range(3) for name, source in ((channel, 0), ("~", 3))
    ]
    feed = StillFeed(frames, 1.0)
    app: App[None] = DashboardApp(Board(feed, LAYOUTS, {}))
    async with app.run_test(size=(160, 48)) as pilot:
        for keys in ((), ("enter",), ("escape", "r"), ("escape", "question_mark")):
            await pilot.press(*keys)
            for _ in range(200):
                await pilot.pause(0.01)
                strips = app.screen._compositor.render_strips()
                text = "\n".join("".join(segment.text for segment in strip) for strip in strips)
                if channel in text or keys != ("enter",):
                    break
            assert not unsafe(text.replace("\n", ""))
            assert channel in text or keys != ("enter",)
        assert app.is_running


def test_tracks_of_values_are_bounded() -> None:
    """Every parameter group of every address with a value: no more tracks than the limit, nor samples in all."""
    from faultlamp.history import latest

    values = LatestValues(range(1 << 18))
    for first in range(0, 1 << 16, 4096):
        ids = [0x18FF0000 | number for number in range(first, first + 4096)]
        values.feed_block(FrameBlock.from_frames(Frame(START_NS, "can0", can_id, bytes(8)) for can_id in ids))
    assert len(values.tracks) == latest.MOST_GROUPS
