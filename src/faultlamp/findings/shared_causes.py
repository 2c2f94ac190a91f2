"""Which faults most likely have one cause, as it stands at one moment.

Rule: a pure function of the history: the same frames give the same findings, live, replayed or read at once. It takes
time in the order of sorting the faults' beginnings; a dashboard asks again when `History` told of a change, not with
every picture.
"""

from __future__ import annotations

from dataclasses import dataclass

from faultlamp.findings.consequences import consequence_findings
from faultlamp.findings.electrical import electrical_findings
from faultlamp.findings.finding import Describe, Finding, Kind
from faultlamp.findings.network import network_findings
from faultlamp.findings.onsets import FaultId, onsets_at
from faultlamp.history.history import History
from faultlamp.history.nodes import Nodes
from faultlamp.knowledge.names import describe_spn
from faultlamp.knowledge.shared_causes import SharedCauseRules


@dataclass(frozen=True, slots=True)
class SharedCauses:
    """At `at_ns`: what was found, the best evidence first, and the faults that stand alone.

    crowded: there were too many faults to look for groups; all stand alone then.
    """

    at_ns: int
    findings: tuple[Finding, ...]
    alone: tuple[FaultId, ...]
    crowded: bool = False

    def about(self, fault: FaultId) -> tuple[Finding, ...]:
        """The findings that the fault is in, one of each kind at most."""
        return tuple(finding for finding in self.findings if fault in finding.faults)


def shared_causes(
    history: History, at_ns: int, rules: SharedCauseRules, *, nodes: Nodes | None = None, all_of_it: bool = False,
    describe: Describe = describe_spn,
) -> SharedCauses:
    """Shared causes of the faults that are active at `at_ns` or were shortly before.

    History must have been told of the time (`advance`). nodes: who was heard, for silences of those who send no DM1.
    all_of_it: also faults that ended long before, for a recording that is judged as a whole. describe: what the
    sentences call a parameter, for a user's own names.
    """
    recent_ns = None if all_of_it else rules.recent_ns
    known = onsets_at(history, at_ns, key_on_ns=rules.key_on_ns, recent_ns=recent_ns)
    electrical = electrical_findings(history, known, rules, describe)
    consequences = consequence_findings(history, known, rules, describe)
    explained = {fault for finding in consequences for fault in finding.faults}
    network = network_findings(
        history, known, rules, at_ns, nodes=nodes, explained=explained, describe=describe
    )
    findings = sorted([*network, *electrical, *consequences], key=_order)
    grouped = {fault for finding in findings for fault in finding.faults}
    alone = tuple(fault for fault in known.considered if fault not in grouped)
    return SharedCauses(at_ns, tuple(findings), alone, known.crowded)


_KINDS = (Kind.NETWORK, Kind.ELECTRICAL, Kind.CONSEQUENCE)


def _order(finding: Finding) -> tuple[bool, bool, int, int, tuple[FaultId, ...]]:
    """Active before gone, seen to begin before not, causes before consequences, newest first."""
    evidence = finding.evidence
    return (
        not evidence.active, not evidence.seen, _KINDS.index(finding.kind), -evidence.first_ns, finding.faults,
    )
