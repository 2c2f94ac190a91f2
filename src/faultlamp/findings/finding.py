"""What was found about several faults at once: a hint where to look first, with everything it rests on.

Rule: a finding never replaces its faults; they are named in it and stay in every list. What is claimed stands in the
evidence: times only where the beginnings were seen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from faultlamp.findings.onsets import FaultId, Onset, Onsets
from faultlamp.history.history import History
from faultlamp.j1939.diagnostics import Lamp, LampState
from faultlamp.knowledge.addresses import address_name
from faultlamp.knowledge.names import describe_spn

Describe = Callable[[int], str]
"""What a parameter is called: a user's own name, the public one, or in words that there is none."""

_LIT = frozenset({LampState.ON, LampState.SLOW_FLASH, LampState.FAST_FLASH})
_LAMP_AFTER_NS = 2_000_000_000
_TENTH_NS = 100_000_000


class Kind(StrEnum):
    """What the faults of a finding have in common. A fault is in one finding of each kind at most."""

    ELECTRICAL = "electrical"
    NETWORK = "network"
    CONSEQUENCE = "consequence"


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a finding rests on.

    seen: whether the beginnings were seen; else all times say when the faults were first reported.
    begins_ns: the beginning of each of the finding's faults, in their order. times_ns: each time they began together,
    the first of them.
    active: how many of the faults are active. missing: silent or named nodes, as (channel, address).
    lamps: lamps that were asked for with them. lines: the same in words, and more.
    """

    seen: bool
    begins_ns: tuple[int, ...]
    times_ns: tuple[int, ...]
    active: int
    missing: tuple[tuple[str, int], ...] = ()
    lamps: tuple[Lamp, ...] = ()
    lines: tuple[str, ...] = ()

    @property
    def first_ns(self) -> int:
        """The first beginning."""
        return self.begins_ns[0]

    @property
    def last_ns(self) -> int:
        """The last beginning."""
        return self.begins_ns[-1]


@dataclass(frozen=True, slots=True)
class Finding:
    """Faults that point the same way.

    faults: in order of their beginning. leading: the one to begin with, None when none stands out. suspect: a few
    words. sentence: what a colleague would say. points_to: what the pattern of failure modes says, "" when nothing.
    cautions: before anything is touched. tests: what to do first, in order.
    """

    kind: Kind
    faults: tuple[FaultId, ...]
    leading: FaultId | None
    suspect: str
    sentence: str
    points_to: str
    evidence: Evidence
    cautions: tuple[str, ...]
    tests: tuple[str, ...]


def fault_words(fault: FaultId, describe: Describe = describe_spn) -> str:
    """`SPN 100 FMI 3 Engine Oil Pressure`."""
    return f"SPN {fault.spn} FMI {fault.fmi} {describe(fault.spn)}"


def node_words(address: int) -> str:
    """`node 3 (transmission 1)`."""
    name = address_name(address)
    return f"node {address} ({name})" if name else f"node {address}"


def within_words(first_ns: int, last_ns: int) -> str:
    """`within 2 s`, rounded up to a tenth of a second."""
    if first_ns == last_ns:
        return "at the same moment"
    tenths = -(-(last_ns - first_ns) // _TENTH_NS)
    return f"within {tenths / 10:g} s"


def when_words(onsets: Onsets, history: History, first: Onset) -> str:
    """At what occasion faults were there whose beginnings nobody saw: `at key on` or `at the first report`."""
    cycles = history.key_cycles.get(first.fault.channel)
    keys = [cycle.start_ns for cycle in cycles.cycles if cycle.start_ns <= first.time_ns] if cycles else []
    # A key cycle that is as old as the listening may be much older.
    return "at key on" if keys and keys[-1] != onsets.listening_ns else "at the first report"


def evidence_of(
    onsets: Sequence[Onset], times_ns: Iterable[int], known: Onsets, history: History, *,
    missing: Iterable[tuple[str, int]] = (), lines: Iterable[str] = (),
) -> Evidence:
    """The evidence of faults by their onsets, which are in order of time."""
    seen = all(onset.seen for onset in onsets)
    times = tuple(times_ns)
    active = sum(onset.fault in known.active for onset in onsets)
    first_ns, last_ns = onsets[0].time_ns, onsets[-1].time_ns
    lamps = _lamps(history, onsets, first_ns, last_ns) if seen else ()
    how_many = "none" if not active else "all" if active == len(onsets) else f"{active} of {len(onsets)}"
    words = [f"{how_many} active now"]
    if len(times) > 1:
        words.append(f"together {len(times)} times: an intermittent contact is likely")
    if lamps:
        words.append(f"asked for with them: {', '.join(lamp.replace('_', ' ') for lamp in lamps)} lamp")
    begins_ns = tuple(onset.time_ns for onset in onsets)
    return Evidence(seen, begins_ns, times, active, tuple(missing), lamps, (*words, *lines))


def _lamps(history: History, onsets: Sequence[Onset], first_ns: int, last_ns: int) -> tuple[Lamp, ...]:
    """Lamps that began to be lit with the faults, of the controllers that report them."""
    lit = set()
    for channel, address in {(onset.fault.channel, onset.fault.source_address) for onset in onsets}:
        for lamp, spans in history.controllers[channel, address].lamp_spans.items():
            if any(span.state in _LIT and first_ns <= span.start_ns <= last_ns + _LAMP_AFTER_NS for span in spans):
                lit.add(lamp)
    return tuple(lamp for lamp in Lamp if lamp in lit)
