"""Who is on the bus: when heard, how often, which NAMEs. Address claimed: PGN 60928, SAE J1939-81."""

import pytest

from faultlamp.frames import Frame, FrameBlock
from faultlamp.history.nodes import MOST_NAMES, NO_ADDRESS, Nodes
from faultlamp.j1939.address import Name
from support import names
from support.wire import frame, ns

S = 1_000_000_000


def name(number: int) -> Name:
    """An invented unit."""
    return names.name(number, function=0, manufacturer_code=2047, industry_group=5)


def claim(seconds: float, address: int, number: int, channel: str = "can0") -> Frame:
    """The unit claims the address: priority 6, PGN 60928 to everybody."""
    return frame(seconds, f"18EEFF{address:02X}", name(number).to_bytes().hex(), channel=channel)


def heard(*frames: Frame) -> Nodes:
    """Nodes that heard the frames as a block; by rows it must be the same."""
    blocks, rows = Nodes(), Nodes()
    blocks.feed_block(FrameBlock.from_frames(frames))
    for one in frames:
        rows.feed(one)
    assert {key: node.claims for key, node in blocks.nodes.items()} == {
        key: node.claims for key, node in rows.nodes.items()
    }
    return blocks


def test_names_are_kept_with_the_first_and_the_last_claim() -> None:
    """A repeated claim is the same claim; other messages of that length claim nothing."""
    nodes = heard(claim(0, 0, 7), frame(1, "18FEEE00", "FFFFFFFFFFFFFFFF"), claim(9, 0, 7), claim(9, 3, 8))
    [kept] = nodes.nodes["can0", 0].claims
    assert (kept.name, kept.first_ns, kept.last_ns) == (name(7), ns(0), ns(9))
    assert nodes.nodes["can0", 3].claims[0].name.identity_number == 8
    assert nodes.nodes["can0", 0].frames == 3


@pytest.mark.parametrize(
    ("frames", "rivals"),
    [
        pytest.param([claim(0, 0, 1)], [], id="one NAME"),
        pytest.param([claim(0, 0, 1), claim(1, 0, 2)], [1, 2], id="two that stay"),
        pytest.param([claim(0, 0, 1), claim(1, 0, 2), claim(2, 128, 2)], [], id="the second has moved on"),
        pytest.param([claim(0, 0, 1), claim(1, 0, 2), claim(2, NO_ADDRESS, 2)], [], id="the second found no address"),
        pytest.param([claim(0, 128, 2), claim(1, 0, 1), claim(2, 0, 2)], [1, 2], id="it came from elsewhere"),
        pytest.param([claim(0, 0, 1), claim(1, 0, 2), claim(2, 9, 2, "can1")], [1, 2], id="another bus is another"),
        pytest.param([claim(0, 254, 1), claim(1, 254, 2)], [], id="many may be without an address"),
    ],
)
def test_conflicts(frames: list[Frame], rivals: list[int]) -> None:
    """Two NAMEs that stay at one address are a conflict: SAE J1939-81, section 4.2 (section from memory)."""
    nodes = heard(*frames)
    found = [claim.name.identity_number for claim in nodes.rivals(nodes.nodes["can0", frames[0].can_id & 0xFF])]
    at_zero = nodes.nodes.get(("can0", 0))
    if at_zero is not None:
        found = [claim.name.identity_number for claim in nodes.rivals(at_zero)]
    assert found == rivals


def test_a_storm_of_names_is_bounded() -> None:
    """A hostile node can claim a new NAME with each frame."""
    nodes = heard(*(claim(at / 100, 0, at) for at in range(500)))
    assert len(nodes.nodes["can0", 0].claims) == MOST_NAMES


def test_the_rate_is_that_of_the_last_seconds() -> None:
    """Ten a second, then two; unknown at first."""
    nodes = Nodes()
    for at in range(10):
        nodes.feed(frame(at / 10, "0CF00400", "FF"))
    node = nodes.nodes["can0", 0]
    assert node.rate_per_s is None
    for at in range(10, 51):
        nodes.feed(frame(at / 10, "0CF00400", "FF"))
    assert node.rate_per_s == pytest.approx(10, abs=0.1)
    assert node.interval_ns == S // 10
    for at in range(12):
        nodes.feed(frame(6 + at / 2, "0CF00400", "FF"))
    assert node.rate_per_s == pytest.approx(2, abs=0.1)
