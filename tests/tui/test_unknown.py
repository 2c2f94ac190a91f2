"""Groups without a layout: listed with rate and bytes, bounded, and what faultlamp knows is not among them."""

import pytest

from faultlamp.frames import Frame, FrameBlock
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.unknown import groups as groups_module
from faultlamp.tui.unknown.groups import Group, UnknownGroups
from faultlamp.tui.unknown.page import UnknownPage, rate_words, unknown_lines
from support.wire import frame, ns
from tui.scene import LAYOUTS, StillFeed, pump_job, second

# Proprietary B 65280..65535, proprietary A 61184, A2 126720: SAE J1939-21, section 5.4.6 (from memory).
OWN_B = "18FF0A00"
OWN_A = "18EF2103"


def listening(*frames: Frame) -> UnknownGroups:
    """What is unknown of these frames."""
    unknown = UnknownGroups(LAYOUTS.groups)
    unknown.feed_block(FrameBlock.from_frames(list(frames)))
    return unknown


def page(unknown: UnknownGroups, now_s: float, channels: int = 1, width: int = 100) -> str:
    """The page as plain text."""
    rows = unknown_lines(unknown, ns(now_s), channels, width)
    assert all(len(row.text) <= width for row in rows)
    return "\n".join(row.text.rstrip() for row in rows)


def test_what_has_a_layout_or_is_read_otherwise_is_not_unknown() -> None:
    """Readings, diagnostics, transport, requests, acknowledgements, claims, identification: none is listed."""
    known = [
        *pump_job(12),
        frame(20, "18EAFF21", "CAFE00"), frame(20, "18E8FF00", "01FFFFFFFFCAFE00"), frame(20, "18EEFF00", "00" * 8),
        frame(20, "18FEEC00", "00" * 8), frame(20, "18FECE00", "00" * 8), frame(20, "18D300F9", "00" * 8),
        frame(20, "1CECFF00", "20 11 00 03 FF EC FE 00".replace(" ", "")),
        frame(20, "7E0", "00" * 8),
    ]
    assert listening(*known).groups == {}


def test_number_sender_rate_and_bytes() -> None:
    """A broadcast group keeps its low byte; of an addressed one that is the destination, and not of the group."""
    frames = [frame(at / 10, OWN_B, f"{at:02X}1122") for at in range(31)]
    frames += [frame(at * 5.0, OWN_A, "0102030405060708") for at in range(3)]
    frames += [frame(1, "19EF0503", "AA"), frame(2, "19EF0603", "BB")]
    frames.sort(key=lambda one: one.time_ns)
    unknown = listening(*frames)
    assert set(unknown.groups) == {Group("can0", 0, 65290), Group("can0", 3, 61184), Group("can0", 3, 126720)}
    text = page(unknown, 11)
    assert " 65290 0FF0A Engine 1" in text
    assert "10/s    8 s ago  1E 11 22                 own" in text
    assert "every 5 s    1 s ago  01 02 03 04 05 06 07 08  own" in text
    assert "126720 1EF00" in text
    assert text.index(" 61184 ") < text.index(" 65290 ") < text.index("126720 ")
    assert "3 groups" in text


@pytest.mark.parametrize("size", [1, 7, 1000], ids=lambda size: f"blocks of {size}")
def test_any_cut_into_blocks_gives_the_same(size: int) -> None:
    """What is listed does not depend on how frames arrive; the rate goes by the last ten seconds and more."""
    frames = [frame(at / 10, OWN_B, f"{at % 256:02X}") for at in range(300)]
    frames += [frame(30 + at, OWN_B, "EE") for at in range(25)]
    unknown = UnknownGroups(LAYOUTS.groups)
    for start in range(0, len(frames), size):
        unknown.feed_block(FrameBlock.from_frames(frames[start : start + size]))
    (heard,) = unknown.groups.values()
    assert (heard.frames, heard.payload, heard.last_ns) == (325, b"\xee", ns(54))
    if size < 100:
        assert rate_words(heard) == "1/s"


@pytest.mark.parametrize(
    ("times", "words"),
    [([1.0], "once"), ([1.0, 1.0], "-"), ([1.0, 61.0], "every 60 s"), ([1.0, 1.05], "20/s"), ([0, 1, 2, 3], "1/s")],
)
def test_rates_in_words(times: list[float], words: str) -> None:
    """As often as it was heard, never more than is known."""
    (heard,) = listening(*(frame(at, OWN_B, "00") for at in times)).groups.values()
    assert rate_words(heard) == words


def test_a_multi_packet_group_is_known_by_its_announcement() -> None:
    """SAE J1939-21, section 5.10: BAM and RTS name the group and its size; what contradicts itself does not count."""
    unknown = listening(
        frame(1, "1CECFF00", "201E0005FF0BFF00"),  # BAM, 30 bytes, PGN 65291
        frame(2, "1CEC2100", "101E0005FF0CFF00"),  # RTS, 30 bytes, PGN 65292
        frame(3, "1CEC0021", "110501FFFF0DFF00"),  # CTS: announces nothing
        frame(4, "1CECFF00", "20000005FF0EFF00"),  # size 0
        frame(5, "1CECFF00", "20FFFF05FF0FFF00"),  # size 65535
    )
    assert [(group.pgn, heard.size) for group, heard in unknown.groups.items()] == [(65291, 30), (65292, 30)]
    assert "30 bytes in packets" in page(unknown, 6)


def test_it_is_bounded_and_what_finds_no_room_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    """A flood of senders and groups keeps those that came first and says how much it leaves out."""
    monkeypatch.setattr(groups_module, "MOST_GROUPS", 100)
    flood = [frame(at / 1000, f"18FF{at % 256:02X}{at // 256:02X}", "00") for at in range(1024)]
    unknown = listening(*flood)
    unknown.feed_block(FrameBlock.from_frames(flood))
    assert len(unknown.groups) == 100
    assert unknown.refused == 2 * 924
    assert "1848 further messages of more groups found no room here." in page(unknown, 2)


def test_nothing_unknown_is_said() -> None:
    """An empty page would look broken."""
    assert "None so far: every group that came has a layout" in page(listening(*second(0)), 1)


def test_channels_are_named_where_there_are_several() -> None:
    """And made harmless, like all that comes from outside."""
    unknown = listening(frame(1, OWN_B, "00", channel="ca\x1bn0"), frame(1, OWN_B, "00", channel="can1"))
    assert len(unknown.groups) == 2
    assert "Engine 1 on can1" in page(unknown, 2, 2)
    assert "Engine 1 on ca·n0" in page(unknown, 2, 2)
    assert "on can1" not in page(unknown, 2, 1)


async def test_the_key_opens_the_page_and_it_goes_on() -> None:
    """`u` opens it, frames that come meanwhile are counted, Esc leads back."""
    feed = StillFeed([*second(0), frame(0.5, OWN_B, "BEEF")], 1)
    app = DashboardApp(Board(feed, LAYOUTS, {}))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("u")
        await pilot.pause()
        assert isinstance(app.screen, UnknownPage)
        app.tick()

        def text() -> str:
            return "\n".join(row.text for row in app.screen.query_one("#page", Canvas).lines)

        assert "BE EF" in text()
        feed.pending = [FrameBlock.from_frames([frame(1.5, OWN_B, "CAFE")])]
        app.tick()
        assert "CA FE" in text()
        await pilot.press("escape")
        await pilot.pause()
        assert isinstance(app.screen, Dashboard)


def test_in_a_narrow_window_the_bytes_stand_below() -> None:
    """All eight, as in a wide one; before the first frame the page says where to look."""
    unknown = UnknownGroups(())
    unknown.feed_block(FrameBlock.from_frames([frame(0, "18FF1234", "0102030405060708")]))
    for width in (58, 78, 98):
        rows = [row.text for row in unknown_lines(unknown, ns(1), 1, width)]
        assert all(len(row) <= width for row in rows)
        assert sum("01 02 03 04 05 06 07 08  own" in row for row in rows) == 1
    silent = " ".join(row.text for row in unknown_lines(UnknownGroups(()), ns(1), 1, 78, heard=False))
    assert "faultlamp doctor" in silent
    assert "every group that came" not in silent
