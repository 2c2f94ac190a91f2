"""Which faults began together.

Rule: faults belong together when all of them began within one window of time; beginnings are never chained, so that
'within 3 s' stays true however many there are. Of windows that overlap, the one with the most faults is taken. A fault
is in one group at most: the largest, and of equal ones the latest. That the same faults began together at other times
too is counted: an intermittent contact shows itself so.

Time: the order of sorting, also when thousands of faults begin at once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from faultlamp.findings.onsets import FaultId, Onset


@dataclass(slots=True)
class Together:
    """Faults that began together.

    onsets: of each fault the one that counts, in order of time. times_ns: every time it was so.
    """

    onsets: list[Onset]
    times_ns: list[int]

    @property
    def first_ns(self) -> int:
        """The earliest of the beginnings."""
        return self.onsets[0].time_ns

    @property
    def last_ns(self) -> int:
        """The latest of the beginnings."""
        return self.onsets[-1].time_ns


def began_together(onsets: Sequence[Onset], window_ns: int, least: int) -> list[Together]:
    """Groups of at least `least` faults out of onsets in order of time."""
    groups: list[Together] = []
    group_of: dict[FaultId, int] = {}
    windows = [_one_each(onsets[first:stop]) for first, stop in _windows(onsets, window_ns)]
    windows += [_one_each(rest) for rest in _rest(onsets, windows, window_ns)]
    for members in sorted(windows, key=lambda members: (-len(members), -members[0].time_ns, members[0].fault)):
        homes = {group_of.get(onset.fault) for onset in members}
        if len(homes) == 1 and len(members) >= 2 and (home := next(iter(homes))) is not None:
            groups[home].times_ns.append(members[0].time_ns)
            continue
        free = [onset for onset in members if onset.fault not in group_of]
        if len(free) >= least:
            group_of.update((onset.fault, len(groups)) for onset in free)
            groups.append(Together(free, [free[0].time_ns]))
    for group in groups:
        group.times_ns.sort()
    return sorted(groups, key=lambda group: (group.first_ns, group.onsets[0].fault))


def _windows(onsets: Sequence[Onset], window_ns: int) -> list[tuple[int, int]]:
    """Windows [first, stop) that do not overlap, those with the most faults first."""
    candidates: list[tuple[int, int, int]] = []
    inside: Counter[FaultId] = Counter()
    stop = 0
    for first, onset in enumerate(onsets):
        while stop < len(onsets) and onsets[stop].time_ns - onset.time_ns <= window_ns:
            inside[onsets[stop].fault] += 1
            stop += 1
        # A window that starts in the middle of one moment, or ends where the one before did, holds nothing new.
        if not candidates or (stop > candidates[-1][2] and onset.time_ns != onsets[first - 1].time_ns):
            candidates.append((len(inside), first, stop))
        inside[onset.fault] -= 1
        if not inside[onset.fault]:
            del inside[onset.fault]
    taken = bytearray(len(onsets))
    chosen = []
    for _, first, stop in sorted(candidates, key=lambda candidate: (-candidate[0], candidate[1])):
        # None that was taken before lies inside, since it has no fewer faults.
        if not taken[first] and not taken[stop - 1]:
            taken[first:stop] = b"\1" * (stop - first)
            chosen.append((first, stop))
    return chosen


def _rest(onsets: Sequence[Onset], windows: Sequence[Sequence[Onset]], window_ns: int) -> list[list[Onset]]:
    """The onsets that count in no window, swept from the left."""
    held = {onset for members in windows for onset in members}
    parts: list[list[Onset]] = []
    for onset in onsets:
        if onset in held:
            continue
        if parts and onset.time_ns - parts[-1][0].time_ns <= window_ns:
            parts[-1].append(onset)
        else:
            parts.append([onset])
    return parts


def _one_each(onsets: Sequence[Onset]) -> list[Onset]:
    """The first onset of each fault."""
    first: dict[FaultId, Onset] = {}
    for onset in onsets:
        first.setdefault(onset.fault, onset)
    return list(first.values())
