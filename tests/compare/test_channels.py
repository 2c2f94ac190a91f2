"""Which channel of one recording is which of the other (our own rule, docs/compare.md)."""

import pytest

from faultlamp.compare.channels import ChannelPair, MatchedBy, match_channels
from faultlamp.errors import CaptureError

GIVEN, NAME, ONLY = MatchedBy.GIVEN, MatchedBy.NAME, MatchedBy.ONLY_ONE


@pytest.mark.parametrize(
    ("before", "after", "given", "pairs"),
    [
        pytest.param([], [], [], [], id="nothing recorded"),
        pytest.param(["can0"], ["can0"], [], [("can0", "can0", NAME)], id="one name"),
        pytest.param(["can0"], ["vcan0"], [], [("can0", "vcan0", ONLY)], id="one each, whatever the name"),
        pytest.param(["can0"], [], [], [("can0", None, None)], id="nothing after"),
        pytest.param(["can0"], ["can1", "vcan0"], [], [("can0", None, None), (None, "can1", None),
                                                       (None, "vcan0", None)], id="no guess among several"),
        pytest.param(["can0", "can1"], ["can0", "can2"], [],
                     [("can0", "can0", NAME), ("can1", None, None), (None, "can2", None)], id="no guess of the rest"),
        pytest.param(["can0", "can1"], ["can0", "can1"], [("can0", "can1"), ("can1", "can0")],
                     [("can0", "can1", GIVEN), ("can1", "can0", GIVEN)], id="crossed on purpose"),
        pytest.param(["can0"], ["can0", "can1"], [("can0", "can1")],
                     [("can0", "can1", GIVEN), (None, "can0", None)], id="given wins over the name"),
    ],
)
def test_pairs(
    before: list[str], after: list[str], given: list[tuple[str, str]],
    pairs: list[tuple[str | None, str | None, MatchedBy | None]],
) -> None:
    """Every channel stands in one pair, and a pair that is not certain is not made."""
    assert match_channels(before, after, given) == [ChannelPair(*pair) for pair in pairs]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        pytest.param([("can7", "can0")], "BEFORE has no channel can7; its channels: can0, can1", id="not in BEFORE"),
        pytest.param([("can0", "x\x1b[2J")], "AFTER has no channel x·[2J", id="not in AFTER, hostile name"),
        pytest.param([("can0", "can0"), ("can0", "can1")], "can0 of BEFORE is given twice", id="twice"),
    ],
)
def test_wrong_pairs(given: list[tuple[str, str]], said: str) -> None:
    """A name that is not there, or not free, is an error that says which are."""
    with pytest.raises(CaptureError) as error:
        match_channels(["can0", "can1"], ["can0", "can1"], given)
    assert said in str(error.value)
