"""A short job for the dashboard's tests, written byte by byte from the published layouts.

EEC1 (PGN 61444) bytes 4-5 speed in 0.125 rpm, ET1 (65262) byte 1 coolant in 1 degC - 40, VEP1 (65271) bytes 5-6
battery in 0.05 V, HOURS (65253) bytes 1-4 in 0.05 h, EEC2 (61443) byte 3 load in 1 %, EFL/P1 (65263) byte 4 oil
pressure in 4 kPa: SAE J1939-71, as the public libraries Laixer J1939 and voltage_j1939 have them too. DM1 (65226):
SAE J1939-73, section 5.7.1. The job itself is invented: a trailer-mounted irrigation pump set.
"""

from collections.abc import Iterable, Sequence

from faultlamp.frames import Frame, FrameBlock
from faultlamp.j1939.readings import Layouts
from faultlamp.knowledge.layouts import load_layouts
from faultlamp.tui.feed import FeedStatus
from faultlamp.tui.job import Job
from support.wire import frame, ns

NO_LAMPS = "00FF"
AMBER = "04FF"
RED_AND_AMBER = "14FF"
NO_FAULT = "00000000"
COOLANT_HIGH = "6E000301"  # SPN 110 FMI 3 OC 1
COOLANT_HIGH_TWICE = "6E000302"
OIL_LOW = "64000105"  # SPN 100 FMI 1 OC 5

LAYOUTS: Layouts = load_layouts()


def eec1(seconds: float, raw_speed: int, source: str = "00", channel: str = "can0") -> Frame:
    """Engine speed, raw: 0.125 rpm a bit."""
    return frame(
        seconds, f"0CF004{source}", "F07D7D" + raw_speed.to_bytes(2, "little").hex() + "00F0FF", channel=channel
    )


def rpm(seconds: float, speed_rpm: float, source: str = "00", channel: str = "can0") -> Frame:
    """Engine speed."""
    return eec1(seconds, round(speed_rpm * 8), source, channel)


def coolant(seconds: float, raw: int) -> Frame:
    """Coolant temperature, raw: 1 degC a bit, from -40 degC."""
    return frame(seconds, "18FEEE00", f"{raw:02X}FFFFFFFFFFFFFF")


def dm1(seconds: float, lamps: str, *codes: str, source: str = "00", channel: str = "can0") -> list[Frame]:
    """A DM1, as a single frame or by broadcast transport (SAE J1939-21, section 5.10)."""
    payload = bytes.fromhex(lamps + "".join(codes or (NO_FAULT,)))
    if len(payload) <= 8:
        return [frame(seconds, f"18FECA{source}", payload.ljust(8, b"\xff").hex(), channel=channel)]
    packets = -(-len(payload) // 7)
    size = len(payload).to_bytes(2, "little").hex()
    sent = [frame(seconds, f"1CECFF{source}", f"20{size}{packets:02X}FFCAFE00", channel=channel)]
    for number in range(packets):
        part = payload[7 * number : 7 * number + 7].ljust(7, b"\xff").hex()
        at = seconds + 0.05 * (number + 1)
        sent.append(frame(at, f"1CEBFF{source}", f"{number + 1:02X}{part}", channel=channel))
    return sent


def block(frames: Iterable[Frame], *, starts_stretch: bool = False) -> FrameBlock:
    """The frames as one block, sorted by time."""
    return FrameBlock.from_frames(sorted(frames, key=lambda one: one.time_ns), starts_stretch=starts_stretch)


def job_of(frames: Iterable[Frame], until_s: float | None = None, **options: object) -> Job:
    """A job that has heard the frames, and then nothing until `until_s`."""
    job = Job(LAYOUTS.groups, options)
    job.take([block(frames)])
    if until_s is not None:
        job.advance(ns(until_s))
    return job


def second(at: float, *, speed_rpm: float = 1500.0, coolant_raw: int = 125, lamps: str = NO_LAMPS,
           codes: Sequence[str] = ()) -> list[Frame]:
    """One second of the engine's frames."""
    frames = [rpm(at + tenth / 10, speed_rpm) for tenth in range(10)]
    frames += [
        coolant(at + 0.02, coolant_raw),
        frame(at + 0.03, "18FEF700", "FFFFFFFF2802FFFF"),  # 27.6 V
        frame(at + 0.04, "18FEE500", "C8AF0000FFFFFFFF"),  # 2250 h
        frame(at + 0.05, "0CF00300", "FFFF37FFFFFFFFFF"),  # 55 %
        frame(at + 0.06, "18FEEF00", "FFFFFF64FFFFFFFF"),  # 400 kPa
        *dm1(at + 0.1, lamps, *codes),
    ]
    return frames


def pump_job(seconds: int = 30) -> list[Frame]:
    """Idle; from 10 s on coolant sensor high, amber; from 20 s on oil pressure low too, red. A second controller."""
    frames: list[Frame] = []
    for at in range(seconds):
        codes = [COOLANT_HIGH] * (at >= 10) + [OIL_LOW] * (at >= 20)
        lamps = RED_AND_AMBER if at >= 20 else AMBER if at >= 10 else NO_LAMPS
        frames += second(at, lamps=lamps, codes=codes, coolant_raw=0xFE if at >= 10 else 125)
        frames += dm1(at + 0.4, NO_LAMPS, source="3D")
    return sorted(frames, key=lambda one: one.time_ns)


class StillFeed:
    """A feed that brings blocks once and then stands at `now_s` seconds."""

    epoch = 0
    behind = False

    def __init__(self, frames: Iterable[Frame], now_s: float | None, status: FeedStatus | None = None) -> None:
        self.pending = [block(frames)]
        self.now_s = now_s
        self.said = status or FeedStatus(
            live=True, source="can0 (socketcan)", mode="listening only, nothing is sent", short_mode="sends nothing",
            waiting="Nothing heard yet.", notes=("adapter open, nothing lost", "not recording"),
            short_notes=("open, nothing lost", "no rec"),
        )

    def take(self) -> list[FrameBlock]:
        """The blocks, the first time."""
        taken, self.pending = self.pending, []
        return taken

    def now_ns(self) -> int | None:
        """The present."""
        return None if self.now_s is None else ns(self.now_s)

    def settled_ns(self) -> int | None:
        """The same."""
        return self.now_ns()

    def status(self) -> FeedStatus:
        """What was given."""
        return self.said


class HandClock:
    """A clock that tests turn by hand."""

    def __init__(self) -> None:
        self.at_ns = 0

    def __call__(self) -> int:
        return self.at_ns

    def pass_s(self, seconds: float) -> None:
        """Let time pass."""
        self.at_ns += round(seconds * 1_000_000_000)


