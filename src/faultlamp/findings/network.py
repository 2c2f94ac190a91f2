"""Several network faults with one cause: a node that is missing, the bus itself, or data that one sender spoils.

Rule, common practice, no source: when a node falls silent, those who need its data complain within seconds: with SPN
2000 + its address, with the network's own SPNs (639, 1231, 1235), or with 'abnormal update rate' and 'received network
data in error' (SAE J1939-73, appendix A, FMI 9 and 19) on what it used to send. Complaints of different controllers
are related only by a node they name, by a node that fell silent just before, or by the network they name.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from faultlamp.findings.finding import Describe, Finding, Kind, evidence_of, node_words, when_words, within_words
from faultlamp.findings.onsets import FaultId, Onset, Onsets, Silence, dm1_silences
from faultlamp.findings.together import Together, began_together
from faultlamp.history.history import History
from faultlamp.history.nodes import Nodes
from faultlamp.history.spans import SILENCE_NS
from faultlamp.knowledge.names import describe_spn
from faultlamp.knowledge.shared_causes import Advice, SharedCauseRules

_NodeId = tuple[str, int]
# A node that was heard less often than this was never really there.
_LEAST_FRAMES = 10
# How many silences before a complaint are looked at.
_MOST_SILENCES = 8
_MOST_NAMED = 3


@dataclass(frozen=True, slots=True)
class _Scene:
    """What all three searches look at."""

    history: History
    known: Onsets
    rules: SharedCauseRules
    silences: dict[str, list[Silence]]
    by_node: dict[_NodeId, list[Silence]]
    describe: Describe


def network_findings(
    history: History, known: Onsets, rules: SharedCauseRules, at_ns: int, *, nodes: Nodes | None = None,
    explained: Iterable[FaultId] = (), describe: Describe = describe_spn,
) -> list[Finding]:
    """One finding for each missing node, troubled bus and controller that receives bad data.

    nodes: who was heard with frames of any kind; without it DM1 alone says who is silent. explained: faults of
    received data whose cause is known. describe: what parameters are called.
    """
    network = rules.network
    onsets = [onset for onset in known.all if network.concerns(onset.fault.spn, onset.fault.fmi)]
    silences = sorted(
        _silences(history, at_ns, nodes), key=lambda silence: (silence.start_ns, silence.source_address)
    )
    by_channel: dict[str, list[Silence]] = defaultdict(list)
    by_node: dict[_NodeId, list[Silence]] = defaultdict(list)
    for silence in silences:
        by_channel[silence.channel].append(silence)
        by_node[silence.channel, silence.source_address].append(silence)
    scene = _Scene(history, known, rules, by_channel, by_node, describe)
    used: set[FaultId] = set()
    found = _missing_nodes(scene, onsets, used)
    rest = [onset for onset in onsets if onset.seen and onset.fault not in used]
    found += _troubled_bus(scene, rest, used)
    known_causes = used | set(explained)
    found += _received_data(scene, [onset for onset in rest if onset.fault not in known_causes])
    return found


def _missing_nodes(scene: _Scene, onsets: Sequence[Onset], used: set[FaultId]) -> list[Finding]:
    network = scene.rules.network
    seen: dict[_NodeId, list[Onset]] = defaultdict(list)
    unseen: dict[_NodeId, list[Onset]] = defaultdict(list)
    named = {onset.fault.channel: set[int]() for onset in onsets}
    for onset in onsets:
        if (address := _named(onset.fault, network.node_spns)) is not None:
            named[onset.fault.channel].add(address)
    for onset in onsets:
        channel = onset.fault.channel
        address = _named(onset.fault, network.node_spns)
        if onset.seen:
            silence = _silent_before(scene, onset, address, named[channel])
            if silence is not None:
                address = _branch(scene, silence)[0].source_address
        if address is not None:
            (seen if onset.seen else unseen)[channel, address].append(onset)
    found = []
    for of_node, window_ns in ((seen, network.window_ns), (unseen, scene.rules.key_on_ns + network.window_ns)):
        for node, complaints in sorted(of_node.items()):
            free = [onset for onset in complaints if onset.fault not in used]
            for group in began_together(free, window_ns, network.least):
                used.update(onset.fault for onset in group.onsets)
                found.append(_missing_node(scene, node, group))
    return found


def _missing_node(scene: _Scene, node: _NodeId, group: Together) -> Finding:
    channel, address = node
    advice = scene.rules.network.missing_node
    silence = _matching(scene, node, group)
    if silence is not None:
        branch = [each.source_address for each in _branch(scene, silence)]
        back = "" if silence.end_ns is None else ", then came back"
        lines = [f"last heard {(group.first_ns - silence.start_ns) / 1e9:.1f} s before the first of them{back}"]
        if len(branch) > 1:
            lines.append(f"{len(branch)} nodes fell silent together: look at what feeds them all")
        return _finding(
            scene, group.onsets, group.times_ns, advice, advice.sentence, _nodes_words(branch),
            [(channel, each) for each in branch], lines,
        )
    if node not in scene.history.controllers:
        lines = [f"no fault report of {node_words(address)} was heard"]
    else:
        lines = [f"{node_words(address)} itself reported faults at that time: look at the wires in between too"]
    return _finding(scene, group.onsets, group.times_ns, advice, advice.named, node_words(address), [node], lines)


def _troubled_bus(scene: _Scene, onsets: Sequence[Onset], used: set[FaultId]) -> list[Finding]:
    network = scene.rules.network
    by_bus: dict[tuple[str, int], list[Onset]] = defaultdict(list)
    for onset in onsets:
        if onset.fault.spn in network.bus_spns:
            by_bus[onset.fault.channel, onset.fault.spn].append(onset)
    found = []
    for (_, spn), complaints in sorted(by_bus.items()):
        name = scene.describe(spn)
        for group in began_together(complaints, network.window_ns, network.least):
            reporters = {onset.fault.source_address for onset in group.onsets}
            if len(reporters) >= network.least:
                used.update(onset.fault for onset in group.onsets)
                lines = [f"{len(reporters)} controllers complain of {name}"]
                found.append(_finding(
                    scene, group.onsets, group.times_ns, network.bus, network.bus.sentence, name, [],
                    lines, count=len(reporters),
                ))
    return found


def _received_data(scene: _Scene, onsets: Sequence[Onset]) -> list[Finding]:
    network = scene.rules.network
    by_reporter: dict[_NodeId, list[Onset]] = defaultdict(list)
    for onset in onsets:
        if onset.fault.fmi in network.fmis and onset.fault.spn not in network.node_spns:
            by_reporter[onset.fault.channel, onset.fault.source_address].append(onset)
    found = []
    for (_, address), complaints in sorted(by_reporter.items()):
        for group in began_together(complaints, network.window_ns, network.least):
            lines = [f"all reported by {node_words(address)}"]
            found += [_finding(
                scene, group.onsets, group.times_ns, network.received_data, network.received_data.sentence,
                node_words(address), [], lines,
            )]
    return found


def _finding(
    scene: _Scene, onsets: Sequence[Onset], times_ns: Sequence[int], advice: Advice, sentence: str, node: str,
    missing: Sequence[_NodeId], lines: Sequence[str], count: int | None = None,
) -> Finding:
    evidence = evidence_of(onsets, times_ns, scene.known, scene.history, missing=missing, lines=lines)
    words = {
        "count": len(onsets) if count is None else count,
        "within": within_words(onsets[0].time_ns, onsets[-1].time_ns),
        "when": when_words(scene.known, scene.history, onsets[0]),
        "node": node,
    }
    network = scene.rules.network
    return Finding(
        Kind.NETWORK, tuple(onset.fault for onset in onsets), None, node,
        (sentence if evidence.seen else advice.unseen).format(**words), "", evidence,
        (*network.cautions, scene.rules.caution), advice.tests,
    )


def _silences(history: History, at_ns: int, nodes: Nodes | None) -> list[Silence]:
    """Who was silent when: by DM1, and where frames of any kind are known, by these for silences that last."""
    silences = dm1_silences(history, at_ns)
    if nodes is None:
        return silences
    talking = {which for which, node in nodes.nodes.items() if at_ns - node.last_ns < SILENCE_NS}
    found = [each for each in silences if each.end_ns is not None or each[:2] not in talking]
    told = {each[:2] for each in found if each.end_ns is None}
    found += [
        Silence(channel, address, node.last_ns, None)
        for (channel, address), node in sorted(nodes.nodes.items())
        if (channel, address) not in talking and (channel, address) not in told and node.frames >= _LEAST_FRAMES
        and node.last_ns <= at_ns
    ]
    return found


def _silent_before(scene: _Scene, onset: Onset, address: int | None, named: set[int]) -> Silence | None:
    """The node that fell silent shortly before the complaint and was still silent.

    address: the node that the complaint names; without one it is a node that others name, else the first.
    """
    silences = scene.silences.get(onset.fault.channel, [])
    place = bisect_right(silences, onset.time_ns, key=lambda silence: silence.start_ns)
    oldest_ns = onset.time_ns - scene.rules.network.complaint_ns
    fitting = []
    for silence in reversed(silences[max(place - _MOST_SILENCES, 0) : place]):
        if silence.start_ns < oldest_ns:
            break
        if address in (None, silence.source_address) and _lasts(silence, onset.time_ns):
            fitting.append(silence)
    return min(
        fitting, key=lambda silence: (silence.source_address not in named, silence.start_ns), default=None
    )


def _branch(scene: _Scene, silence: Silence) -> list[Silence]:
    """All who fell silent with that node, it included; the first of them is the same for each of them."""
    silences = scene.silences[silence.channel]
    branch_ns = scene.rules.network.branch_ns
    place = bisect_right(silences, silence.start_ns, key=lambda each: each.start_ns)
    first = silence
    for earlier in reversed(silences[max(place - _MOST_SILENCES, 0) : place]):
        if earlier.start_ns < silence.start_ns - branch_ns:
            break
        if _lasts(earlier, silence.start_ns):
            first = earlier
    start = bisect_right(silences, first.start_ns - 1, key=lambda each: each.start_ns)
    together: dict[int, Silence] = {first.source_address: first}
    for later in silences[start : start + _MOST_SILENCES]:
        if later.start_ns <= first.start_ns + branch_ns and _lasts(first, later.start_ns):
            together.setdefault(later.source_address, later)
    return list(together.values())


def _lasts(silence: Silence, time_ns: int) -> bool:
    """Whether the silence, once begun, goes on at the time."""
    return silence.end_ns is None or silence.end_ns >= time_ns


def _matching(scene: _Scene, node: _NodeId, group: Together) -> Silence | None:
    """The node's latest silence that began before the first complaint, not long before, and lasted to it."""
    silences = scene.by_node.get(node, [])
    place = bisect_right(silences, group.first_ns, key=lambda silence: silence.start_ns)
    if not place:
        return None
    silence = silences[place - 1]
    oldest_ns = group.first_ns - scene.rules.network.complaint_ns
    return silence if silence.start_ns >= oldest_ns and _lasts(silence, group.first_ns) else None


def _named(fault: FaultId, node_spns: range) -> int | None:
    """The address that the fault names, unless a controller names itself."""
    address = fault.spn - node_spns.start
    return address if fault.spn in node_spns and address != fault.source_address else None


def _nodes_words(addresses: Sequence[int]) -> str:
    """Nodes in a row, the first few by name."""
    words = [node_words(address) for address in addresses[:_MOST_NAMED]]
    if len(addresses) > _MOST_NAMED:
        words.append(f"{len(addresses) - _MOST_NAMED} more")
    return " and ".join(words)
