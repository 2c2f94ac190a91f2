"""Faults that are the answer to another: derates and shutdowns, and the echo of a lost reading in another controller.

Rule, common practice, no source: a controller that cuts torque or stops the engine because of a fault says so with a
code of its own, seconds after the fault or in the same DM1. A controller that receives 'error' instead of a reading
reports the same SPN with 'received network data in error' (SAE J1939-73, appendix A, FMI 19). The first fault leads;
nearest in time first.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence

from faultlamp.findings.finding import (
    Describe,
    Finding,
    Kind,
    evidence_of,
    fault_words,
    when_words,
    within_words,
)
from faultlamp.findings.onsets import FaultId, Onset, Onsets, by_time
from faultlamp.findings.together import began_together
from faultlamp.history.history import History
from faultlamp.knowledge.names import describe_spn
from faultlamp.knowledge.shared_causes import SharedCauseRules

# How many faults of one SPN are looked at for one echo.
_MOST_STEPS = 8


class _Line:
    """Possible causes in order of time."""

    def __init__(self) -> None:
        self._times_ns: list[int] = []
        self._onsets: list[Onset] = []

    def add(self, onset: Onset) -> None:
        """The next one; none is earlier than those before."""
        self._times_ns.append(onset.time_ns)
        self._onsets.append(onset)

    def back_from(self, time_ns: int, oldest_ns: int) -> Iterator[Onset]:
        """From the latest that is not after `time_ns` to the first that is not before `oldest_ns`."""
        place = bisect_right(self._times_ns, time_ns)
        while place and self._times_ns[place - 1] >= oldest_ns:
            place -= 1
            yield self._onsets[place]


class _Chain:
    """One finding in the making: possible causes and what followed."""

    def __init__(self) -> None:
        self.causes: list[Onset] = []
        self.followers: list[Onset] = []

    def leading(self) -> Onset:
        """The latest cause that was there before anything followed, else the earliest one."""
        first_ns = min(follower.time_ns for follower in self.followers)
        before = [cause for cause in self.causes if cause.time_ns <= first_ns]
        if not before:
            return min(self.causes, key=by_time)
        latest_ns = max(cause.time_ns for cause in before)
        return min((cause for cause in before if cause.time_ns == latest_ns), key=by_time)


class _Search:
    """Looks for the cause of each follower, the latest follower first, so that the newest occasion counts."""

    def __init__(self, known: Onsets, rules: SharedCauseRules) -> None:
        self.chains: list[_Chain] = []
        self.home: dict[FaultId, tuple[_Chain, Onset]] = {}
        self._rules = rules.consequence
        self._by_controller: dict[tuple[str, int], _Line] = defaultdict(_Line)
        self._by_channel: dict[str, _Line] = defaultdict(_Line)
        self._by_spn: dict[tuple[str, int], _Line] = defaultdict(_Line)
        self._network = rules.network
        seen = [onset for onset in known.all if onset.seen]
        for onset in seen:
            fault = onset.fault
            if fault.spn in self._rules.spns or self._rules.is_condition(fault.spn, fault.fmi):
                continue
            self._by_controller[fault.channel, fault.source_address].add(onset)
            self._by_channel[fault.channel].add(onset)
            if not self._network.concerns(fault.spn, fault.fmi):
                self._by_spn[fault.channel, fault.spn].add(onset)
        for onset in reversed(seen):
            if onset.fault not in self.home:
                self._explain(onset)

    def _explain(self, follower: Onset) -> None:
        channel, source, spn, fmi = follower.fault
        time_ns = follower.time_ns
        own = self._by_controller[channel, source]
        if spn in self._rules.spns:
            oldest_ns = time_ns - self._rules.follows_ns
            # Its own controller's faults come first; of the others' only the nearest is likely.
            if not self._join(follower, own.back_from(time_ns, oldest_ns)):
                self._join(follower, _first(self._by_channel[channel].back_from(time_ns, oldest_ns), 1))
        elif self._rules.is_condition(spn, fmi) and not self._network.concerns(spn, fmi):
            self._join(follower, own.back_from(time_ns, time_ns - self._rules.condition_follows_ns))
        elif fmi in self._rules.echo_fmis:
            latest_ns, oldest_ns = time_ns + self._rules.echo_early_ns, time_ns - self._rules.echo_ns
            line = self._by_spn[channel, spn].back_from(latest_ns, oldest_ns)
            others = (cause for cause in _first(line, _MOST_STEPS) if cause.fault.source_address != source)
            self._join(follower, _first(others, 1))

    def _join(self, follower: Onset, causes: Iterator[Onset]) -> bool:
        """Add the follower to the chain of the nearest cause, or start one with all causes that have none yet."""
        nearest = next(causes, None)
        if nearest is None:
            return False
        if nearest.fault in self.home:
            chain, onset = self.home[nearest.fault]
            if onset != nearest:
                return False  # that was another occasion
        else:
            chain = _Chain()
            self.chains.append(chain)
            self._claim(chain, nearest)
            for cause in causes:
                if cause.fault in self.home:
                    break
                self._claim(chain, cause)
        chain.followers.append(follower)
        self.home[follower.fault] = chain, follower
        return True

    def _claim(self, chain: _Chain, cause: Onset) -> None:
        chain.causes.append(cause)
        self.home[cause.fault] = chain, cause


def consequence_findings(
    history: History, known: Onsets, rules: SharedCauseRules, describe: Describe = describe_spn
) -> list[Finding]:
    """One finding for each cause, or few causes at once, that other faults followed.

    describe: what parameters are called.
    """
    search = _Search(known, rules)
    found = [_finding(chain, history, known, rules, describe) for chain in search.chains]
    unseen: dict[tuple[str, int], list[Onset]] = defaultdict(list)
    for onset in known.all:
        if not onset.seen and onset.fault not in search.home:
            unseen[onset.fault.channel, onset.fault.source_address].append(onset)
    for _, onsets in sorted(unseen.items()):
        for group in began_together(onsets, rules.key_on_ns, 2):
            chain = _Chain()
            for onset in group.onsets:
                answers = onset.fault.spn in rules.consequence.spns
                (chain.followers if answers else chain.causes).append(onset)
            if chain.followers and chain.causes:
                found.append(_finding(chain, history, known, rules, describe))
    return found


def _first(onsets: Iterator[Onset], most: int) -> Iterator[Onset]:
    return (onset for _, onset in zip(range(most), onsets, strict=False))


def _finding(
    chain: _Chain, history: History, known: Onsets, rules: SharedCauseRules, describe: Describe
) -> Finding:
    texts = rules.consequence
    leading = chain.leading()
    followers = sorted(chain.followers, key=by_time)
    onsets = sorted([*chain.causes, *followers], key=by_time)
    others = len(chain.causes) - 1
    together = all(cause.time_ns == leading.time_ns for cause in chain.causes)
    evidence = evidence_of(onsets, [onsets[0].time_ns], known, history)
    first_ns, last_ns = sorted((leading.time_ns, followers[-1].time_ns))
    lead_words = fault_words(leading.fault, describe)
    if others:
        other = "the other one" if others == 1 else f"one of the {others} others"
        lead_words += f" (or {other} that came {'with it' if together else 'shortly before'})"
    words = {
        "followers": _listed(followers, describe),
        "leading": lead_words,
        "within": "in the same report" if first_ns == last_ns else within_words(first_ns, last_ns),
        "when": when_words(known, history, onsets[0]),
    }
    sentence = texts.sentence
    if all(texts.is_condition(onset.fault.spn, onset.fault.fmi) and onset.fault.spn not in texts.spns
           for onset in followers):
        sentence = texts.sentence_condition
    return Finding(
        Kind.CONSEQUENCE, tuple(onset.fault for onset in onsets), leading.fault, fault_words(leading.fault, describe),
        (sentence if evidence.seen else texts.sentence_unseen).format(**words), "", evidence,
        (*texts.cautions, rules.caution), texts.tests,
    )


def _listed(followers: Sequence[Onset], describe: Describe) -> str:
    if len(followers) > 1:
        return f"{len(followers)} faults"
    return fault_words(followers[0].fault, describe)
