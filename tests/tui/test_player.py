"""The player's laws: whatever is stopped, skipped and sought, the history is that of straight listening."""

import copy
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.frames import Frame, FrameBlock
from faultlamp.history.history import History
from faultlamp.tui.replay import player as player_module
from faultlamp.tui.replay.marks import find_marks
from faultlamp.tui.replay.player import SPEEDS, Player
from faultlamp.tui.replay.recording import Recording
from support.strategies import traffic
from support.wire import document, ns
from tui.scene import AMBER, COOLANT_HIGH, NO_LAMPS, HandClock, dm1, pump_job, rpm

S = 1_000_000_000
BACK_NS = 3600 * S


def cut(frames: Sequence[Frame], cuts: Sequence[int]) -> list[FrameBlock]:
    """Blocks cut at the given places and wherever the clock steps back by more than a second, as recordings are."""
    steps = {at for at in range(1, len(frames)) if frames[at].time_ns < frames[at - 1].time_ns - S}
    edges = sorted({0, len(frames), *steps, *(at for at in cuts if at <= len(frames))})
    return [
        FrameBlock.from_frames(frames[first:end], ("can0", "can1"), starts_stretch=first in steps)
        for first, end in pairwise(edges)
    ]


@st.composite
def recordings(draw: st.DrawFn) -> list[FrameBlock]:
    """One or two stretches of traffic, in blocks of any size."""
    frames = draw(traffic(max_size=12))
    if draw(st.booleans()):
        frames += [
            Frame(one.time_ns - BACK_NS, one.channel, one.can_id, one.data, one.flags)
            for one in draw(traffic(max_size=6))
        ]
    return cut(frames, draw(st.lists(st.integers(0, 60), max_size=5)))


actions = st.one_of(
    st.tuples(st.just("pass"), st.sampled_from([0.01, 0.3, 1.0, 4.0, 20.0])),
    st.tuples(st.sampled_from(["pause", "faster", "slower", "step", "home", "next", "previous"]), st.just(0.0)),
    st.tuples(st.just("skip"), st.sampled_from([-1.0, 1.0, 5.5])),
    st.tuples(st.just("share"), st.floats(0, 1)),
)


def act(player: Player, clock: HandClock, action: str, amount: float) -> None:
    """Do it."""
    match action:
        case "pass":
            clock.pass_s(amount)
        case "pause":
            player.toggle_pause()
        case "skip":
            player.skip(amount)
        case "share":
            player.seek(round(amount * player.recording.length_ns))
        case "next":
            player.next_change()
        case "previous":
            player.previous_change()
        case _:
            getattr(player, action)()


class Listener:
    """Follows a player as the dashboard does."""

    def __init__(self, player: Player) -> None:
        self.player = player
        self.epoch = player.epoch
        self.history = History()

    def tick(self) -> None:
        """One look at the player."""
        if self.player.epoch != self.epoch:
            self.epoch = self.player.epoch
            self.history = History()
        for block in self.player.take():
            self.history.feed_block(block)
        settled_ns = self.player.settled_ns()
        if settled_ns is not None:
            self.history.advance(settled_ns)

    def settle(self) -> None:
        """Until the player has arrived."""
        self.tick()
        while self.player.behind:
            self.tick()


def straight(blocks: Sequence[FrameBlock], frames: int, settled_ns: int | None) -> dict[str, Any]:
    """The history of the first frames, heard one block after the other without a player."""
    history = History()
    for block in blocks:
        part = block.take(slice(0, frames))
        frames -= len(part)
        if len(part):
            history.feed_block(part)
    if settled_ns is not None:
        history.advance(settled_ns)
    return document(history)


@given(recordings(), st.lists(actions, max_size=12), st.integers(1, 40))
@settings(max_examples=70, deadline=None)
def test_any_use_of_the_keys_gives_the_history_of_straight_listening(
    blocks: list[FrameBlock], done: list[tuple[str, float]], at_once: int
) -> None:
    """After every action the history equals the one of hearing the same first frames straight."""
    clock = HandClock()
    recording = Recording(blocks)
    player = Player(recording, clock)
    player.marks = find_marks(recording, {})
    listener = Listener(player)
    before, player_module._MOST_AT_ONCE = player_module._MOST_AT_ONCE, at_once
    try:
        for action, amount in done:
            act(player, clock, action, amount)
            listener.settle()
            seen = document(copy.deepcopy(listener.history))
            assert seen == straight(blocks, player.given, player.settled_ns())
        player.end()
        listener.settle()
    finally:
        player_module._MOST_AT_ONCE = before
    assert document(listener.history) == straight(blocks, recording.frames, None)


@given(recordings(), st.lists(st.integers(0, 200), max_size=6))
@settings(max_examples=100, deadline=None)
def test_slices_put_together_are_the_recording(blocks: list[FrameBlock], cuts: list[int]) -> None:
    """Every frame once, in order, and each step of the clock exactly where it was."""
    recording = Recording(blocks)
    edges = sorted({0, recording.frames, *(at for at in cuts if at < recording.frames)})
    parts = [part for first, end in pairwise(edges) for part in recording.slices(first, end)]
    assert [one for part in parts for one in part.rows()] == [one for block in blocks for one in block.rows()]
    assert places_of_steps(parts) == places_of_steps(blocks)


def places_of_steps(blocks: Sequence[FrameBlock]) -> list[int]:
    """Frames before each step of the clock."""
    before, found = 0, []
    for block in blocks:
        if block.starts_stretch:
            found.append(before)
        before += len(block)
    return found


@given(recordings())
@settings(max_examples=100, deadline=None)
def test_place_and_time_belong_together(blocks: list[FrameBlock]) -> None:
    """Elapsed time never steps back, and at the time at which frame k is due at least k frames are due."""
    recording = Recording(blocks)
    dues = [recording.elapsed_at(position) for position in range(1, recording.frames + 1)]
    assert dues == sorted(dues)
    assert all(recording.position_at(due) >= position for position, due in enumerate(dues, 1))
    assert recording.length_ns == (dues[-1] if dues else 0)
    if dues:
        assert recording.position_at(recording.length_ns) == recording.frames


@given(recordings(), st.integers(0, 200))
@settings(max_examples=100, deadline=None)
def test_no_frame_is_older_than_what_is_settled(blocks: list[FrameBlock], position: int) -> None:
    """Of the frames that follow in the same stretch none is older than the settled moment."""
    recording = Recording(blocks)
    position = min(position, recording.frames)
    settled_ns = recording.settled_ns(position)
    rest = recording.slices(position, recording.frames)
    stretch = []
    for place, part in enumerate(rest):
        if part.starts_stretch and (place or position):
            break
        stretch += part.time_ns.tolist()
    if settled_ns is None:
        assert not recording.frames
    else:
        assert all(settled_ns <= time_ns for time_ns in stretch)


def playing(frames: list[Frame]) -> tuple[Player, HandClock]:
    """A player over one block, its marks found."""
    clock = HandClock()
    recording = Recording([FrameBlock.from_frames(frames)])
    player = Player(recording, clock, "pump.log")
    player.marks = find_marks(recording, {})
    return player, clock


def given_after(player: Player) -> int:
    """Frames handed out, once all due ones are."""
    player.take()
    return player.given


TEN_S = [rpm(at, 800) for at in range(11)]


def test_it_plays_at_the_speed_that_is_set() -> None:
    """At 1x a second a second, at 2x two, at 0.5x half."""
    player, clock = playing(TEN_S)
    assert given_after(player) == 1
    clock.pass_s(3)
    assert given_after(player) == 4
    player.faster()
    clock.pass_s(2)
    assert given_after(player) == 8
    player.slower()
    player.slower()
    clock.pass_s(2)
    assert given_after(player) == 9
    assert player.now_ns() == ns(8)


def test_speeds_go_from_a_tenth_to_a_hundred() -> None:
    """The ends of the scale hold."""
    player, _ = playing(TEN_S)
    for _ in range(20):
        player.faster()
    assert player.speed == 100
    for _ in range(20):
        player.slower()
    assert player.speed == 0.1
    player.set_speed(6)
    assert player.speed == 5
    assert SPEEDS == (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100)


def test_while_it_stands_still_time_does_not_pass() -> None:
    """Paused, the present stays where it is."""
    player, clock = playing(TEN_S)
    clock.pass_s(2)
    player.toggle_pause()
    clock.pass_s(60)
    assert given_after(player) == 3
    assert player.now_ns() == ns(2)
    assert player.paused
    player.toggle_pause()
    clock.pass_s(1)
    assert given_after(player) == 4


def test_one_step_is_one_frame() -> None:
    """Stepping stops the playing and shows exactly one frame more, also of frames with equal stamps."""
    player, clock = playing([rpm(0, 800), rpm(1, 800), rpm(1, 900), rpm(1, 950), rpm(2, 800)])
    player.toggle_pause()
    player.home()
    seen = []
    for _ in range(6):
        player.step()
        clock.pass_s(5)
        seen.append(given_after(player))
    assert seen == [1, 2, 3, 4, 5, 5]


def test_a_second_back_and_forward() -> None:
    """Moving back starts anew and hands out the same frames."""
    player, _ = playing(TEN_S)
    player.skip(5)
    assert given_after(player) == 6
    player.skip(-1)
    assert player.epoch == 1
    assert given_after(player) == 5
    player.skip(-100)
    assert given_after(player) == 1
    player.skip(100)
    assert (given_after(player), player.at_end) == (11, True)


def test_at_the_end_it_stops_and_plays_again_from_the_start() -> None:
    """The end is no place to get stuck in."""
    player, clock = playing(TEN_S)
    player.end()
    assert player.paused
    assert player.status().mode == "replay at the end, 1x, 00:10 of 00:10 (100 %)"
    player.toggle_pause()
    assert player.position == 0
    clock.pass_s(1)
    assert given_after(player) == 2


def test_far_moves_are_handed_out_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """A key must not wait for millions of frames; on the way the present is that of the frames so far."""
    monkeypatch.setattr(player_module, "_MOST_AT_ONCE", 4)
    player, clock = playing(TEN_S)
    player.end()
    parts: list[int] = []
    while not parts or player.behind:
        parts.append(sum(len(block) for block in player.take()))
        clock.pass_s(1)
        if player.behind:
            assert player.status().short_mode.startswith("moving")
            assert player.now_ns() == ns(player.given - 1)
    assert parts == [4, 4, 3]


def test_marks_are_where_faults_and_lamps_change() -> None:
    """Amber, red, and nothing else: of a DM1 in several packets the frame that completes it."""
    player, _ = playing(pump_job(30))
    assert player.marks is not None
    assert [round(elapsed_ns / S, 2) for elapsed_ns, _ in player.marks] == [10.1, 20.2]


def test_jumps_go_from_mark_to_mark() -> None:
    """Forward and back, and False when there is none left."""
    player, _ = playing(pump_job(30))
    player.toggle_pause()
    assert player.marks is not None
    there = []
    while player.next_change():
        there.append((player.elapsed_ns, player.position))
    assert there == list(player.marks)
    back = []
    while player.previous_change():
        back.append((player.elapsed_ns, player.position))
    assert back == list(player.marks)[-2::-1]
    assert not player.previous_change()


def test_after_a_jump_the_change_has_happened() -> None:
    """At the mark the history knows the change, a frame before it does not."""
    player, _ = playing(pump_job(30))
    player.toggle_pause()
    player.seek(11 * S)
    assert player.next_change()
    listener = Listener(player)
    listener.settle()
    active = [fault.spn for fault in listener.history.controllers["can0", 0].active_faults]
    assert active == [110, 100]
    before = straight(player.recording.blocks, player.position - 1, None)
    assert [fault["spn"] for fault in before["faults"] if fault["state"] == "active"] == [110]


def test_while_playing_the_change_just_passed_does_not_hold_one_up() -> None:
    """'Previous' within a second after a mark goes to the one before."""
    player, clock = playing(pump_job(30))
    player.seek(round(20.2 * S))
    player.take()
    clock.pass_s(0.5)
    assert player.previous_change()
    assert player.elapsed_ns == round(10.1 * S)


def test_a_silence_is_marked_when_it_is_known() -> None:
    """A controller that stops is silent 5 s later, and the jump leads there (the history's silence rule)."""
    player, _ = playing([*dm1(0, AMBER, COOLANT_HIGH), *(rpm(at, 800) for at in range(1, 20))])
    assert player.marks == [(0, 1), (5 * S, 6)]
    player.toggle_pause()
    player.seek(5 * S)
    listener = Listener(player)
    listener.settle()
    assert not listener.history.controllers["can0", 0].active_faults


def test_a_clock_step_is_marked_where_it_ends_a_fault() -> None:
    """What was active before the step has ended by the first frame after it."""
    blocks = cut([*dm1(100, AMBER, COOLANT_HIGH), rpm(101, 800), rpm(3, 800), rpm(4, 800)], [])
    recording = Recording(blocks)
    assert find_marks(recording, {}) == [(0, 1), (1 * S, 3)]


def test_looking_for_marks_can_be_given_up() -> None:
    """Whoever leaves does not wait for a long recording to be looked through."""
    recording = Recording(cut(pump_job(30), [300]))
    answers = iter([False, True])
    assert find_marks(recording, {}, lambda: next(answers)) == find_marks(recording, {})[:1]


def test_an_empty_recording_is_no_trouble() -> None:
    """Nothing to play, nothing to jump to, nothing breaks."""
    player = Player(Recording([]), HandClock())
    player.marks = find_marks(player.recording, {})
    for action in ("toggle_pause", "step", "home", "end", "next_change", "previous_change", "take"):
        getattr(player, action)()
    assert player.now_ns() is None
    assert player.settled_ns() is None
    assert player.status().waiting == "There is no frame in this recording."


def test_lamps_are_marked_when_they_are_or_were_lit() -> None:
    """A lamp test is two marks; lamps that are off from the first report on are none."""
    player, _ = playing([*dm1(0, NO_LAMPS), *dm1(1, AMBER), *dm1(2, NO_LAMPS), *dm1(3, "F0FF")])
    assert player.marks == [(1 * S, 2), (2 * S, 3)]
