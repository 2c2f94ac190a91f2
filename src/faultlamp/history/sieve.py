"""The few frames of a block that the history depends on: what one process tells another about a recording.

Kept are transport and diagnostic frames; of the engine's address, on each channel, the first, the last and the fastest
frame of each second, and the first running one where the second before had none, so that every gap, every highest speed
and the moment at which the engine ran stay what they were; and each channel's first frame, the block's ends, and the
frame before each step back of the time, so that the order in a merge stays. A history fed with what is left equals the
history of all, but for its count of frames.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from faultlamp.frames import FrameBlock
from faultlamp.history.history import Selection
from faultlamp.history.key_cycles import RUNNING_RAW, speed_column

_SECOND_NS = 1_000_000_000
_SPEED_BITS = 17


def sieve(block: FrameBlock, engine_address: int = 0) -> FrameBlock:
    """The frames of the block that matter, in their order."""
    if not len(block):
        return block
    chosen = Selection.of(block, engine_address)
    ends = np.array([0, len(block) - 1])
    newcomers = np.unique(block.channel, return_index=True)[1]
    peaks = np.flatnonzero(np.diff(block.time_ns) < 0)
    rows = np.unique(np.concatenate((ends, newcomers, peaks, chosen.protocol, _landmarks(block, chosen))))
    return block.take(rows)


def _landmarks(block: FrameBlock, chosen: Selection) -> npt.NDArray[np.intp]:
    """First, last and fastest frame of each second of one channel's engine frames, and where it began to run."""
    # Stable: within a channel the order of the recording stays.
    rows = chosen.engine[np.argsort(block.channel[chosen.engine], kind="stable")]
    if not len(rows):
        return rows
    channel, second = block.channel[rows], block.time_ns[rows] // _SECOND_NS
    starts = np.append(True, (channel[1:] != channel[:-1]) | (second[1:] != second[:-1]))
    run = np.cumsum(starts) - 1
    first = np.flatnonzero(starts)
    last = np.append(first[1:], len(rows)) - 1
    speed = speed_column(chosen.groups[rows], block.data[rows])
    fastest = np.argsort(run << _SPEED_BITS | speed + 1, kind="stable")[last]
    begins = _first_running(run, speed)
    carried_on = (begins[:-1] >= 0) & (channel[first[1:]] == channel[first[:-1]]) & (np.diff(second[first]) == 1)
    begins = begins[np.append(True, ~carried_on) & (begins >= 0)]
    landmarks: npt.NDArray[np.intp] = rows[np.concatenate((first, last, fastest, begins))]
    return landmarks


def _first_running(run: npt.NDArray[np.intp], speed: npt.NDArray[np.int64]) -> npt.NDArray[np.intp]:
    """The first place in each run at which the engine runs, -1 where it never does. run: numbers from 0, ascending."""
    running = np.flatnonzero(speed >= RUNNING_RAW)
    which, at = np.unique(run[running], return_index=True)
    begins = np.full(int(run[-1]) + 1, -1, np.intp)
    begins[which] = running[at]
    return begins
