"""A small engine as a script of frames, and expectations judged on it.

Built from the layouts of the published standards by hand, not by the project's encoders:

    DM1    PGN 65226, 18FECA..: lamps in byte 1, flash in byte 2, codes of four bytes (SAE J1939-73, section 5.7.1)
    EEC1   PGN 61444, 0CF004..: engine speed in bytes 4 and 5, 0.125 rpm a bit (SAE J1939-71, section 5.3.7)
    ET1    PGN 65262, 18FEEE..: coolant temperature in byte 1, 1 degC a bit, -40 degC (SAE J1939-71, section 5.3.28)
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path

from faultlamp.frames import Frame, FrameBlock
from faultlamp.knowledge.layouts import load_layouts
from faultlamp.prove.heard import Heard
from faultlamp.prove.judging import verdicts
from faultlamp.prove.loading import load_expectations
from faultlamp.prove.outcome import Outcome
from support.wire import frame

Code = tuple[int, int, int]
OFF, AMBER, RED = "00", "04", "10"


def code_hex(spn: int, fmi: int, count: int) -> str:
    """A trouble code's four bytes, CM 0."""
    return bytes((spn & 0xFF, spn >> 8 & 0xFF, spn >> 16 << 5 | fmi, count)).hex()


def dm1(at_s: float, *codes: Code, lamps: str = OFF, address: int = 0, channel: str = "can0") -> list[Frame]:
    """A DM1: one code or none in one frame, more by broadcast, 1 ms between its frames (SAE J1939-21, 5.10)."""
    body = bytes.fromhex(lamps + "FF" + ("".join(code_hex(*code) for code in codes) or "00000000"))
    if len(codes) < 2:
        return [frame(at_s, f"18FECA{address:02X}", body.ljust(8, b"\xff").hex(), channel=channel)]
    packets = [body[place : place + 7].ljust(7, b"\xff") for place in range(0, len(body), 7)]
    announced = bytes((32, len(body), 0, len(packets), 0xFF, 0xCA, 0xFE, 0))
    frames = [frame(at_s, f"18ECFF{address:02X}", announced.hex(), channel=channel)]
    for number, packet in enumerate(packets, 1):
        data = bytes((number,)) + packet
        frames.append(frame(round(at_s + number / 1000, 6), f"18EBFF{address:02X}", data.hex(), channel=channel))
    return frames


def eec1(at_s: float, rpm: float, address: int = 0, channel: str = "can0") -> Frame:
    """Engine speed."""
    raw = round(rpm / 0.125)
    return frame(at_s, f"0CF004{address:02X}", f"FFFFFF{raw & 0xFF:02X}{raw >> 8:02X}FFFFFF", channel=channel)


def et1(at_s: float, byte_1: int, address: int = 0, channel: str = "can0") -> Frame:
    """Coolant temperature as its raw byte: 0xFE is 'error', 0xFF 'not available'."""
    return frame(at_s, f"18FEEE{address:02X}", f"{byte_1:02X}FFFFFFFFFFFFFF", channel=channel)


def engine() -> list[Frame]:
    """20 s of one engine: key on at 0, running at 800 rpm from 3 s, SPN 110 FMI 3 with amber from 10.1 s to 15.1 s.

    The red lamp is lit until 2.1 s. Coolant is 60 degC each second from 0.2 s on, 'error' from 10.2 s to 14.2 s.
    """
    frames = [frame(0, "18EEFF00", "0100000000000050")]  # NAME: identity number 1, function 0, industry group 5
    for tenth in range(201):
        at_s = round(tenth / 10, 1)
        frames.append(eec1(at_s, 800 if at_s >= 3 else 0))
        if tenth % 10 == 1:
            active = 10.1 <= at_s < 15.1
            lamps = RED if at_s < 2 else AMBER if active else OFF
            frames += dm1(at_s, *([(110, 3, 2)] if active else []), lamps=lamps)
        if tenth % 10 == 2:
            frames.append(et1(at_s, 0xFE if 10.2 <= at_s <= 14.2 else 100))
    return frames


def judged(
    text: str, frames: Sequence[Frame], folder: Path, cuts: Iterable[int] = (), steps: Iterable[int] = (),
    now_ns: int | None = None,
) -> Outcome:
    """Expectations, as TOML, on frames that are cut into blocks; at `steps` a block starts a stretch."""
    path = folder / "expectations.toml"
    path.write_text(text, encoding="utf-8")
    layouts = load_layouts()
    expectations = load_expectations(path, layouts)
    heard = Heard(layouts, expectations)
    starts = set(steps)
    for first, end in pairwise(sorted({0, *cuts, *starts, len(frames)})):
        heard.feed_block(FrameBlock.from_frames(
            frames[first:end], ("can0", "can1"), starts_stretch=first in starts
        ))
    if now_ns is not None:
        heard.advance(now_ns)
    heard.close()
    return Outcome("a script", expectations, heard, verdicts(heard, expectations))


def result_of(text: str, frames: Sequence[Frame], folder: Path) -> tuple[str, str]:
    """Result and evidence of the last expectation, in the order of the kinds."""
    verdict = judged(text, frames, folder).verdicts[-1]
    return str(verdict.result), verdict.finding.words
