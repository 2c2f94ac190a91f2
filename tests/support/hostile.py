"""Frames as a hostile bus sends them, and the whole road that they go: each consumer, by rows and by blocks."""

from __future__ import annotations

import json
import os
import random
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise

import numpy as np
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from faultlamp.bus.pump import STEP_NS
from faultlamp.bus.reader import channel_text
from faultlamp.cli.events import EventLines
from faultlamp.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, Frame, FrameBlock
from faultlamp.history.changes import Change
from faultlamp.history.document import fault_document
from faultlamp.history.history import IDENTITY_PGNS, History
from faultlamp.history.latest import LatestValues
from faultlamp.history.nodes import Nodes
from faultlamp.j1939.diagnostics import DM_BY_PGN
from faultlamp.j1939.identifier import build_identifier
from faultlamp.j1939.segmentation import broadcast
from faultlamp.knowledge.layouts import load_layouts
from faultlamp.knowledge.names import fmi_meaning, spn_name
from faultlamp.tui.board import Board
from faultlamp.tui.detail.screen import DetailPage
from faultlamp.tui.feed import FeedStatus
from faultlamp.tui.findings.page import ChecksPage
from faultlamp.tui.nodes.page import NodesPage
from faultlamp.tui.paint import Line
from faultlamp.tui.readings.chooser import offer_text, offers
from faultlamp.tui.unknown.page import unknown_lines
from faultlamp.values.columns import Decoder
from support.strategies import traffic

EXAMPLES = int(os.environ.get("FAULTLAMP_FUZZ_EXAMPLES", "40"))
"""Hypothesis examples of each test; 40 keep the suite quick, 150 take a minute in all."""

fuzzing = settings(
    max_examples=EXAMPLES, deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example],
)
"""Decorator of every fuzz test; `@fuzzing` below `@given`."""

LAYOUTS = load_layouts()
SIZES = ((80, 24), (160, 48), (40, 12), (10, 4), (300, 100))
START_NS = 1_700_000_000_000_000_000
LATEST_NS = 9_000_000_000 * 10**9 - 1
HIGHEST_29_BIT = (1 << 29) - 1

# Controls, formats (bidirectional ones among them), surrogates, private use, unassigned, separators: what may move a
# cursor, reorder a line or hide. Unicode Standard, section 4.5, general category.
_UNSAFE = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})

NASTY = (
    "\x1b[2J\x1b[31m", "\x1b]0;title\a", "\x9b31m", "[red]x[/red]", "[bold", "[/]", "[@click=app.quit]x[/]",
    "\u202egnihsarc\u202c", "\u2066\u2069", "\x00\x00", "\r\n", "\x7f\b\b", "{0!r}%s%n", "<script>", "=1+1", "\ud800",
    "\u200b", "\ue000", "\u2028", "'); DROP", "*" * 50, "\N{COMBINING ACUTE ACCENT}" * 20, "漢字" * 30,
)
nasty_text = st.lists(st.sampled_from(NASTY) | st.text(max_size=8), max_size=6).map("".join)
channel_names = nasty_text.map(channel_text) | st.sampled_from(["can0", "can1"])


def control(rng: random.Random, source: int, destination: int) -> tuple[int, bytes]:
    """A transport control frame in which anything may be a lie."""
    extended = rng.random() < 0.4
    kind = rng.choice((16, 17, 19, 32, 255, 20, 21, 22, 23, rng.randrange(256)))
    pgn = rng.choice((*DM_BY_PGN, *IDENTITY_PGNS, 0xEF00, rng.randrange(1 << 24)))
    size = rng.choice((0, 1, 8, 9, 14, 1785, 1786, 65535, 117_440_505, rng.randrange(1 << 32)))
    if extended:
        middle = size.to_bytes(4, "little") if kind == 20 else rng.randbytes(4)
    else:
        packets = rng.choice((0, 1, (size + 6) // 7 & 0xFF, 255))
        middle = (size & 0xFFFF).to_bytes(2, "little") + bytes((packets, rng.randrange(256)))
    data = bytes((kind,)) + middle + (pgn & 0xFFFFFF).to_bytes(3, "little")
    carrier = 0xC800 if extended else 0xEC00
    return build_identifier(7, carrier, source, destination), data[: rng.choice((8, 8, 8, 8, rng.randrange(9)))]


def packet(rng: random.Random, source: int, destination: int, number: int) -> tuple[int, bytes]:
    """A transport data frame."""
    carrier = 0xC700 if rng.random() < 0.4 else 0xEB00
    data = bytes((number & 0xFF,)) + rng.randbytes(7)
    return build_identifier(7, carrier, source, destination), data[: rng.choice((8, 8, 8, 8, rng.randrange(9)))]


@st.composite
def storms(draw: st.DrawFn) -> list[tuple[int, bytes]]:
    """Sessions of many sources to many destinations at once, with control frames that lie."""
    rng = random.Random(draw(st.integers(0, 1 << 32)))
    sources, destinations = draw(st.integers(1, 254)), draw(st.integers(1, 255))
    wire: list[tuple[int, bytes]] = []
    for _ in range(draw(st.integers(1, 120))):
        source, destination = rng.randrange(sources), rng.randrange(255 - destinations, 256)
        if rng.random() < 0.5:
            wire.append(control(rng, source, destination))
        else:
            wire.extend(packet(rng, source, destination, number) for number in range(1, rng.randrange(2, 6)))
    return wire


identities = st.builds(
    lambda pgn, source, text: broadcast(pgn, source, text.encode("latin-1", "replace")[:1785].ljust(9, b"*")),
    st.sampled_from(sorted(IDENTITY_PGNS)), st.integers(0, 253), nasty_text,
)
anything = st.lists(
    st.tuples(st.integers(0, HIGHEST_29_BIT), st.binary(max_size=8)), min_size=1, max_size=20
)
jumps_ns = st.sampled_from([
    0, 0, 1_000, 1_000_000, 500_000_000, 2_000_000_000, 6_000_000_000, 86_400_000_000_000, 10**18, 10**18 * 8,
    -1_000, -999_999_000, -2_000_000_000, -86_400_000_000_000, -(10**18),
])
kinds = st.sampled_from(
    [EXTENDED] * 20 + [0, EXTENDED | REMOTE, REMOTE, ERROR, FD, EXTENDED | FD, EXTENDED | FD | BRS | ESI]
)


@st.composite
def hostile_frames(draw: st.DrawFn) -> list[Frame]:
    """Frames of all kinds in the order they were heard, at times that jump, on channels with nasty names."""
    frames = draw(traffic(max_size=8)) if draw(st.booleans()) else []
    time_ns = frames[-1].time_ns if frames else START_NS
    names = draw(st.lists(channel_names, min_size=1, max_size=3))
    for wire in draw(st.lists(storms() | identities | anything, max_size=6)):
        time_ns = min(max(time_ns + draw(jumps_ns), 0), LATEST_NS - 10**9)
        step_ns = draw(st.sampled_from([0, 100_000, 50_000_000]))
        channel, flags = draw(st.sampled_from(names)), draw(kinds)
        for can_id, data in wire:
            time_ns = min(time_ns + step_ns, LATEST_NS)
            highest = HIGHEST_29_BIT if flags & (EXTENDED | ERROR) else 0x7FF
            frames.append(Frame(time_ns, channel, can_id & highest, b"" if flags & REMOTE else data, flags))
    return frames


def unsafe(text: str) -> list[str]:
    """Characters of the text that no output may have."""
    return [char for char in text if unicodedata.category(char) in _UNSAFE]


def blocks_of(frames: Sequence[Frame], cuts: Iterable[int] = ()) -> Iterator[FrameBlock]:
    """The frames as blocks: cut at these places, and where the clock steps back, as the pump and captures cut them."""
    steps = {at for at in range(1, len(frames)) if frames[at].time_ns < frames[at - 1].time_ns - STEP_NS}
    edges = sorted({0, len(frames), *steps, *(cut for cut in cuts if cut < len(frames))})
    for first, end in pairwise(edges):
        yield FrameBlock.from_frames(frames[first:end], starts_stretch=first in steps)


class _Feed:
    """A live feed that brings one block a tick."""

    epoch = 0
    behind = False

    def __init__(self, channel: str) -> None:
        self.blocks: list[FrameBlock] = []
        self.last_ns: int | None = None
        self._channel = channel

    def take(self) -> list[FrameBlock]:
        taken, self.blocks = self.blocks, []
        return taken

    def now_ns(self) -> int | None:
        return self.last_ns

    def settled_ns(self) -> int | None:
        return self.last_ns

    def status(self) -> FeedStatus:
        return FeedStatus(
            live=True, source=self._channel, mode="listening only", short_mode="listens", waiting="Nothing heard yet."
        )


class Road:
    """All that listens to a bus, fed by blocks; `rows` beside it are fed frame by frame where both exist."""

    def __init__(self, channel: str = "can0") -> None:
        self.event_lines: list[str] = []
        self._words = EventLines()
        self.history = History(on_change=self._note)
        self.row_history = History()
        self.latest, self.row_latest = LatestValues(LAYOUTS.groups), LatestValues(LAYOUTS.groups)
        self.nodes, self.row_nodes = Nodes(), Nodes()
        self.decoder = Decoder(LAYOUTS, name_of=spn_name)
        self._feed = _Feed(channel)
        self.board = Board(self._feed, LAYOUTS, {})
        self.decoded = 0

    def drive(self, frames: Sequence[Frame], cuts: Iterable[int] = ()) -> None:
        """Feed the frames to everything."""
        for block in blocks_of(frames, cuts):
            self.history.feed_block(block)
            self.latest.feed_block(block)
            self.nodes.feed_block(block)
            self.decoded += len(self.decoder.decode(block))
            self._feed.blocks.append(block)
            self._feed.last_ns = int(block.time_ns[-1])
            self.board.tick()
        before_ns: int | None = None
        for frame in frames:
            if before_ns is not None and frame.time_ns < before_ns - STEP_NS:
                self.row_history.step_back()
            before_ns = frame.time_ns
            self.row_history.feed(frame)
            self.row_latest.feed(frame)
            self.row_nodes.feed(frame)

    def _note(self, change: Change) -> None:
        line = self._words.line(change)
        if line is not None:
            self.event_lines.append(line)

    def document(self, history: History) -> dict[str, object]:
        """The history as JSON, which it must fit."""
        made = fault_document(history, files=[], bad_lines=0, spn_name=spn_name, fmi_meaning=fmi_meaning)
        text = json.dumps(made, allow_nan=False)
        assert not unsafe(text)
        return made

    def check(self) -> None:
        """Both roads agree, every output is harmless and fits, every store is within its bounds."""
        assert self.document(self.history) == self.document(self.row_history)
        assert self.history.identities == self.row_history.identities
        assert self.nodes.nodes == self.row_nodes.nodes
        for source, track in self.latest.tracks.items():
            assert track.since(0) == self.row_latest.tracks[source].since(0)
        assert self.latest.tracks.keys() == self.row_latest.tracks.keys()
        for text in self.event_lines:
            assert not unsafe(text), text
        for width, height in SIZES:
            self.check_lines(self.screen(width, height), width)
        check_bounds(self)

    def screen(self, width: int, height: int) -> list[Line]:
        """All bands, and the pages behind them."""
        board = self.board
        rows = [*board.head(width, height), *board.readings_band(width, height), *board.lanes_band(width, height)]
        rows.append(board.status(width))
        wide = max(width, 20)
        detail = DetailPage(board)
        for lane in board.lanes[:3]:
            detail.key = lane.key
            rows += detail.page(wide)[:400]
        rows += [*ChecksPage(board).page(wide)[:400], *NodesPage(board).page(wide)[:400]]
        channels = len(board.job.history.channels)
        rows += unknown_lines(board.job.unknown, board.now_ns or 0, channels, wide)[:400]
        for pick, value in offers(board, "")[:50]:
            text = offer_text(value, pick in board.picks, width)
            assert not unsafe(text), text
        return rows

    def check_lines(self, rows: list[Line], width: int) -> None:
        """Nothing that a terminal would obey, and the bands as wide as the screen at most."""
        for row in rows:
            assert not unsafe(row.text), row.text
        bands = rows[: len(self.board.head(width, 24))]
        assert all(cell_len(row.text) <= max(width, 1) for row in bands)


def check_bounds(road: Road) -> None:
    """What may be kept of a hostile bus: the limits that the modules set themselves."""
    from faultlamp.history import latest, room
    from faultlamp.j1939 import transport
    from faultlamp.tui.unknown import groups as unknown

    for history in (road.history, road.row_history, road.board.job.history):
        sessions = history._transport
        assert len(sessions._sessions) <= transport.MOST_SESSIONS
        assert 0 <= sessions.kept_bytes <= transport.MOST_KEPT
        held = [session for session in sessions._sessions.values() if session.buffer is not None]
        assert sum(len(session.buffer or b"") for session in held) == sessions.kept_bytes
        assert all(len(session.buffer or b"") <= transport.LARGEST_KEPT + 7 for session in held)
        assert all(len(session.runs) <= transport.MOST_RUNS for session in sessions._sessions.values())
        assert len(sessions.troubles) <= 200
        assert all(len(text) <= 1785 for text in history.identities.values())
        faults = sum(len(controller.faults) for controller in history.controllers.values())
        assert faults <= room.MOST_FAULTS
        assert history.room.faults == room.MOST_FAULTS - faults
        assert 0 <= history.room.spans <= room.MOST_SPANS
    for values in (road.latest, road.row_latest, road.board.job.latest):
        assert len(values.tracks) <= latest.MOST_GROUPS
        assert all(len(track._times) <= latest.MOST_SAMPLES for track in values.tracks.values())
    assert len(road.board.job.unknown.groups) <= unknown.MOST_GROUPS
    assert len(road.nodes.nodes) <= 256 * max(len(road.history.channels), 1)


def as_frames(rng: np.random.Generator, count: int, channel: str = "can0") -> list[Frame]:
    """Frames with random identifiers and bytes, a tenth of a millisecond apart."""
    ids = rng.integers(0, HIGHEST_29_BIT, count).tolist()
    return [
        Frame(START_NS + number * 100_000, channel, can_id, rng.bytes(int(rng.integers(0, 9))))
        for number, can_id in enumerate(ids)
    ]
