"""Several electrical faults of one controller that began together: one connector, ground or supply.

Rule, common practice, no source: the sensors of one controller share its supplies and returns, so faults of 'voltage
high', 'voltage low', 'current low' and 'current high' (SAE J1939-73, appendix A, FMI 3 to 6) that come at once most
likely have one cause; where the supply itself is among them, it leads. Different controllers share none of that, and
two failure modes of one SPN are one circuit, which has nothing to share.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence

from faultlamp.findings.finding import Describe, Finding, Kind, evidence_of, when_words, within_words
from faultlamp.findings.onsets import FaultId, Onset, Onsets
from faultlamp.findings.together import began_together
from faultlamp.history.history import History
from faultlamp.knowledge.names import describe_spn
from faultlamp.knowledge.shared_causes import SharedCauseRules


def electrical_findings(
    history: History, known: Onsets, rules: SharedCauseRules, describe: Describe = describe_spn
) -> list[Finding]:
    """One finding for each group of electrical faults of a controller. describe: what parameters are called."""
    electrical, network = rules.electrical, rules.network
    by_controller: dict[tuple[str, int], list[Onset]] = defaultdict(list)
    for onset in known.all:
        fault = onset.fault
        if fault.fmi in electrical.fmis and not network.concerns(fault.spn, fault.fmi):
            by_controller[fault.channel, fault.source_address].append(onset)
    began = Counter(onset.fault for onset in known.all if onset.seen)
    found: list[Finding] = []
    for _, onsets in sorted(by_controller.items()):
        used: set[FaultId] = set()
        for group in began_together([onset for onset in onsets if onset.seen], electrical.window_ns, electrical.least):
            if _circuits(group.onsets) < electrical.least:
                continue
            found.append(_finding(group.onsets, group.times_ns, history, known, rules, began, describe))
            used.update(onset.fault for onset in group.onsets)
        unseen = [onset for onset in onsets if not onset.seen and onset.fault not in used]
        found += [
            _finding(group.onsets, group.times_ns, history, known, rules, began, describe)
            for group in began_together(unseen, rules.key_on_ns, 2)
            if _circuits(group.onsets) >= electrical.least_unseen
            or (_circuits(group.onsets) >= 2 and _supplies(group.onsets, rules))
        ]
    return found


def _circuits(onsets: Sequence[Onset]) -> int:
    return len({onset.fault.spn for onset in onsets})


def _supplies(onsets: Sequence[Onset], rules: SharedCauseRules) -> list[FaultId]:
    """The supplies among the faults, sensor supplies before the controller's own as the rules have them."""
    order = rules.electrical.supplies
    fed = [onset.fault for onset in onsets if rules.electrical.supply(onset.fault.spn)]
    return sorted(fed, key=lambda fault: next(place for place, kind in enumerate(order) if fault.spn in kind.spns))


def _began_without_the_others(
    onsets: Sequence[Onset], times_ns: Sequence[int], began: Mapping[FaultId, int]
) -> list[str]:
    """What speaks against one cause: faults that began by themselves more often than together with the rest."""
    alone = [(onset.fault, began[onset.fault] - len(times_ns)) for onset in onsets]
    return [
        f"SPN {fault.spn} FMI {fault.fmi} also began {times} times without the others: it may be by chance"
        for fault, times in alone if times > len(times_ns)
    ]


def _finding(
    onsets: Sequence[Onset], times_ns: Sequence[int], history: History, known: Onsets, rules: SharedCauseRules,
    began: Mapping[FaultId, int], describe: Describe,
) -> Finding:
    electrical = rules.electrical
    supplies = _supplies(onsets, rules)
    leading = supplies[0] if supplies else None
    supply = electrical.supply(leading.spn) if leading else None
    evidence = evidence_of(
        onsets, times_ns, known, history,
        lines=[
            *(f"{describe(fault.spn)} is among them" for fault in supplies),
            *_began_without_the_others(onsets, times_ns, began),
        ],
    )
    first_ns, last_ns = onsets[0].time_ns, onsets[-1].time_ns
    supplied = describe(leading.spn) if leading else ""
    words = {
        "count": len(onsets),
        "within": "in the same report" if first_ns == last_ns else within_words(first_ns, last_ns),
        "when": when_words(known, history, onsets[0]),
        "supply": supplied,
    }
    texts = supply or electrical
    sentence = texts.sentence if evidence.seen else texts.sentence_unseen
    return Finding(
        Kind.ELECTRICAL, tuple(onset.fault for onset in onsets), leading,
        supplied or "one connector, ground or supply", sentence.format(**words),
        electrical.points_to({onset.fault.fmi for onset in onsets if onset.fault not in supplies}), evidence,
        (*electrical.cautions, rules.caution), (*supply.tests, *electrical.tests) if supply else electrical.tests,
    )
