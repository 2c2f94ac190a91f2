"""Transport and the bus as a whole against their expectations.

Rule: sessions end as SAE J1939-21, section 5.10 and ISO 11783-3 say (`j1939.transport`); a load is an estimate from
the bits of each second (`frames.load`).
"""

from __future__ import annotations

from faultlamp.prove.expectations import BusExpected, TransportExpected
from faultlamp.prove.heard import Heard
from faultlamp.prove.loads import Loads
from faultlamp.prove.verdict import Finding, failed, held, not_shown, together
from faultlamp.prove.wording import counted, seconds


def judge_transport(heard: Heard, expected: TransportExpected) -> Finding:
    """How the multi-packet messages ended."""
    if not heard.frames:
        return not_shown("nothing was heard")
    counts = heard.history.transport_counts().as_dict()
    if not any(counts.values()):
        return not_shown("no multi-packet message was heard")
    findings = []
    for ending, most in expected.most:
        number = counts[ending]
        findings.append((failed if number > most else held)(f"{number} {ending.replace('_', ' ')}"))
    if expected.least_completed is not None:
        number = counts["completed"]
        findings.append((failed if number < expected.least_completed else held)(f"{number} completed"))
    return together(findings)


def judge_bus(heard: Heard, expected: BusExpected) -> Finding:
    """Counts, length and load."""
    if not heard.frames:
        return not_shown("nothing was heard")
    findings = []
    for number, most, noun in (
        (heard.bad_lines, expected.most_bad_lines, "bad line"),
        (heard.error_frames, expected.most_error_frames, "error frame"),
        (heard.history.clock_steps, expected.most_clock_steps, "clock step"),
    ):
        if most is not None and number is None:
            findings.append(not_shown(f"nobody counted {noun}s"))
        elif most is not None and number is not None:
            findings.append((failed if number > most else held)(counted(number, noun)))
    if expected.least_ns is not None:
        length_ns = heard.last_ns - heard.start_ns
        words = f"{seconds(length_ns)} from the first to the last frame"
        findings.append((failed if length_ns < expected.least_ns else held)(words))
    if expected.load_below_percent is not None and expected.bit_rate is not None and heard.loads is not None:
        findings.append(_load(heard, heard.loads, expected.load_below_percent, expected.bit_rate, expected.channel))
    return together(findings)


def _load(heard: Heard, loads: Loads, below_percent: float, bit_rate: int, channel: str | None) -> Finding:
    if loads.refused:
        return not_shown("too many seconds for a load of each: cut the recording into shorter ones")
    fullest = loads.fullest(bit_rate, channel)
    if fullest is None:
        return not_shown("nothing was heard on that channel")
    after_ns, load = fullest
    time_ns = heard.start_ns + after_ns
    words = f"fullest second about {load.percent:.1f} %, from {heard.at(time_ns)}"
    return (held if load.percent < below_percent else failed)(words, time_ns)
