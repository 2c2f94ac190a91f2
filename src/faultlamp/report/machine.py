"""Which machine it is, who was on its bus, and its key cycles.

Rule: identity is what the controllers say of themselves (SAE J1939-71 for the texts, J1939-81 for the NAME); a
preferred address is a guess at who sits there, never proof.
"""

from __future__ import annotations

from collections.abc import Sequence

from faultlamp.history.history import History
from faultlamp.history.nodes import NO_ADDRESS, Node, Nodes
from faultlamp.j1939.reports.identity import (
    COMPONENT_PGN,
    ECU_PGN,
    SOFTWARE_PGN,
    VIN_PGN,
    Texts,
    decode_component,
    decode_ecu,
    decode_software,
    decode_vin,
)
from faultlamp.knowledge.addresses import address_name, function_name
from faultlamp.report.paper import CycleRow, Fact, NodeRow, ReadingRow
from faultlamp.report.words import NONE, Clock, Senders, count_of, length, title

MOST_CYCLES = 200
MOST_NODES = 260
_MOST_FACTS = 40
_HOURS = 247
_KINDS = {
    VIN_PGN: ("Vehicle identification (VIN)", decode_vin),
    COMPONENT_PGN: ("Component identification", decode_component),
    ECU_PGN: ("ECU identification", decode_ecu),
    SOFTWARE_PGN: ("Software", decode_software),
}


def machine_facts(
    history: History, nodes: Nodes, readings: Sequence[ReadingRow], senders: Senders
) -> tuple[Fact, ...]:
    """What the bus said of the machine, the VIN first; empty when nothing."""
    facts = []
    for pgn, (name, decode) in _KINDS.items():
        for channel, address, group in sorted(history.identities):
            if group == pgn and (texts := decode(history.identities[channel, address, group])) is not None:
                facts.append(Fact(name, f"{_texts(texts)}, said by {senders.cell(channel, address)}"))
    for node in _sorted(nodes):
        if node.source_address == history.engine_address and node.claims:
            claimed = node.claims[-1].name
            facts.append(Fact("Engine's NAME", f"{int(claimed):016X}, identity number {claimed.identity_number}"))
    facts += [
        Fact("Engine hours", f"{row.last} {row.unit}, said by {row.sender}")
        for row in readings if row.spn == _HOURS and row.last != NONE
    ]
    more = [Fact("", f"and {len(facts) - _MOST_FACTS} more")] if len(facts) > _MOST_FACTS else []
    return (*facts[:_MOST_FACTS], *more)


def cycle_rows(history: History, at_ns: int, clock: Clock, senders: Senders) -> tuple[tuple[CycleRow, ...], str]:
    """The key cycles by channel and as they came; where there are many, the last ones."""
    found = [(channel, cycle) for channel, cycles in sorted(history.key_cycles.items()) for cycle in cycles.cycles]
    first = max(len(found) - MOST_CYCLES, 0)
    rows = []
    for number, (channel, cycle) in enumerate(found[first:], first + 1):
        highest = cycle.max_engine_speed_rpm
        end_ns = cycle.last_ns if cycle.over else at_ns
        rows.append(CycleRow(
            number, channel if senders.several else "", clock.moment(cycle.start_ns),
            clock.moment(cycle.last_ns) if cycle.over else "went on at the end", length(end_ns - cycle.start_ns),
            "yes" if cycle.engine_ran else "no", "not seen" if highest is None else f"{highest:.0f} rpm",
        ))
    return tuple(rows), f"{count_of(first, 'earlier key cycle')} not shown." if first else ""


def node_rows(
    history: History, nodes: Nodes, clock: Clock, senders: Senders
) -> tuple[tuple[NodeRow, ...], str]:
    """Who was heard, by channel and address."""
    found = _sorted(nodes)
    rows = tuple(_node(one, nodes, history, clock, senders) for one in found[:MOST_NODES])
    more = len(found) - len(rows)
    return rows, f"{count_of(more, 'further address', 'further addresses')} not shown." if more else ""


def _node(node: Node, nodes: Nodes, history: History, clock: Clock, senders: Senders) -> NodeRow:
    claim = node.claims[-1].name if node.claims else None
    said = NONE
    if claim is not None:
        said = f"{int(claim):016X}, {function_name(claim.function) or f'function {claim.function}'}"
    notes = []
    if rivals := nodes.rivals(node):
        notes.append(f"address conflict: {len(rivals)} NAMEs claim it")
    if node.source_address == NO_ADDRESS:
        notes.append("a node that found no address")
    controller = history.controllers.get((node.channel, node.source_address))
    if controller is not None and controller.last_dm1_ns is not None:
        notes.append("reports faults (DM1)")
    where = f", {node.channel}" if senders.several else ""
    return NodeRow(
        f"{node.source_address}{where}", title(address_name(node.source_address) or NONE), said,
        f"{node.frames:,}", clock.moment(node.first_ns), clock.moment(node.last_ns), "; ".join(notes),
    )


def _sorted(nodes: Nodes) -> list[Node]:
    return [nodes.nodes[key] for key in sorted(nodes.nodes)]


def _texts(texts: Texts) -> str:
    """`part number 12345, serial number 6789`; a single text has no need of its name."""
    said = [(name, text) for name, text in texts.fields if text]
    if len(texts.fields) == 1:
        return said[0][1]
    return ", ".join(f"{name.replace('_', ' ')} {text}" for name, text in said)
