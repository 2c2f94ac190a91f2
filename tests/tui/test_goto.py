"""What can be typed to go to a place, and what is said when it is none."""

import pytest

from faultlamp.frames import Frame, FrameBlock
from faultlamp.tui.replay.goto import WrongPlaceError, place_of
from faultlamp.tui.replay.recording import Recording
from support.wire import ns
from tui.scene import rpm

S = 1_000_000_000


def recording(first_s: float, last_s: float, *, dated: bool = True) -> Recording:
    """A frame at each end. Dated ones begin at 22:13:20 UTC plus `first_s`."""
    frames = [rpm(first_s, 800), rpm(last_s, 800)]
    if not dated:
        frames = [Frame(one.time_ns - ns(0), one.channel, one.can_id, one.data) for one in frames]
    return Recording([FrameBlock.from_frames(frames)])


@pytest.mark.parametrize(
    ("text", "elapsed_s"),
    [("00:00", 0), ("1:30", 90), (" 01:30.5 ", 90.5), ("0%", 0), ("50 %", 300), ("100%", 600), ("10:00", 600),
     ("22:13:20", 0), ("22:15:00", 100), ("22:23:20", 600)],
)
def test_places_in_a_recording_with_a_date(text: str, elapsed_s: float) -> None:
    """Two parts count from the start, three are the time of day, a share is of the length."""
    assert place_of(text, recording(0, 600)) == round(elapsed_s * S)


@pytest.mark.parametrize(("text", "elapsed_s"), [("0:01:30", 90), ("1:30", 90), ("25%", 150)])
def test_places_in_a_recording_without_a_date(text: str, elapsed_s: float) -> None:
    """Without a date all times count from the start."""
    assert place_of(text, recording(0, 600, dated=False)) == round(elapsed_s * S)


def test_past_midnight() -> None:
    """A time of day before the start is the next day's: 1700000000 is 22:13:20 UTC (POSIX time)."""
    assert place_of("00:13:20", recording(0, 4 * 3600)) == 2 * 3600 * S


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "mm:ss from the start"),
        ("soon", "mm:ss from the start"),
        ("90", "mm:ss from the start"),
        ("-1:00", "mm:ss from the start"),
        ("101%", "0% to 100%"),
        ("00:60", "go up to 59"),
        ("22:61:00", "go up to 59"),
        ("24:00:00", "up to 23:59:59"),
        ("10:01", "the recording is 10:00 long"),
        ("22:23:21", "not in the recording"),
        ("22:13:19", "not in the recording"),
        ("9" * 4000 + ":00", "mm:ss from the start"),
    ],
)
def test_what_is_no_place_is_said_so(text: str, message: str) -> None:
    """One line that says what can be typed, or why it leads nowhere."""
    with pytest.raises(WrongPlaceError, match=message):
        place_of(text, recording(0, 600))
