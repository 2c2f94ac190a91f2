"""What there was to read, counted while it is read."""

from dataclasses import dataclass, field


@dataclass(slots=True)
class CaptureStats:
    """Counts over all recordings of a capture; complete when its blocks are used up.

    frames: frames of every kind. bad_lines: lines, or messages of other formats, that are no frame.
    clock_steps: steps back of more than one second. start_ns, end_ns: first and last frame, in the order delivered;
    None without frames. channels: names, sorted. untimed: some lines had no time stamp.
    warnings: one line each, for people.
    """

    frames: int = 0
    bad_lines: int = 0
    clock_steps: int = 0
    start_ns: int | None = None
    end_ns: int | None = None
    channels: list[str] = field(default_factory=list)
    untimed: bool = False
    warnings: list[str] = field(default_factory=list)
