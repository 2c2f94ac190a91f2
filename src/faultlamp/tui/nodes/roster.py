"""Who is on the bus and who is missing, from what was heard and from what controllers complain about.

Rules. A node is silent when nothing of it came for 5 s and for five of its usual intervals; one that was heard once
only says nothing by its silence. SPN 2000 + address is a complaint about the node at that address, SPN 639, 1231 and
1235 are complaints about a network (SAE J1939-71, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from faultlamp.history.controllers import Controller, Fault
from faultlamp.history.nodes import NO_ADDRESS, Claim, Node
from faultlamp.history.spans import SILENCE_NS
from faultlamp.tui.job import Job

_NODE_SPNS = range(2000, 2254)
_BUS_SPNS = frozenset({639, 1231, 1235})
_INTERVALS = 5
# Off-board service tools (SAE J1939-81, appendix B, and preferred addresses; from memory).
_TOOL_FUNCTION = 129
_TOOL_ADDRESSES = frozenset({249, 250})


class Complaint(NamedTuple):
    """An active fault that speaks of another node or of a network."""

    controller: Controller
    fault: Fault


class Entry(NamedTuple):
    """A node that was heard, or one that others miss.

    node: None when it was never heard. silent_ns: for how long, None unless it is silent. rivals: the claims of those
    that share its address.
    """

    channel: str
    source_address: int
    node: Node | None
    silent_ns: int | None = None
    controller: Controller | None = None
    rivals: Sequence[Claim] = ()
    complaints: Sequence[Complaint] = ()

    @property
    def missing(self) -> bool:
        """Expected, and not heard now."""
        return self.node is None or self.silent_ns is not None


class Roster(NamedTuple):
    """Entries by channel and address, and complaints about a network."""

    entries: Sequence[Entry]
    bus_complaints: Sequence[Complaint]

    @property
    def missing(self) -> int:
        """How many are expected and not heard."""
        return sum(entry.missing for entry in self.entries)


def roster(job: Job, now_ns: int) -> Roster:
    """All of them at `now_ns`."""
    about, of_bus = _complaints(job)
    entries = []
    for key in sorted(job.nodes.nodes.keys() | about.keys()):
        node = job.nodes.nodes.get(key)
        entries.append(Entry(
            *key, node, None if node is None else silent_ns(node, now_ns), job.history.controllers.get(key),
            [] if node is None else job.nodes.rivals(node), about.get(key, ()),
        ))
    return Roster(entries, of_bus)


def silent_ns(node: Node, now_ns: int) -> int | None:
    """For how long a node has been silent; None while it talks, or when it never did regularly."""
    interval_ns = node.interval_ns
    passed_ns = now_ns - node.last_ns
    if interval_ns is None or node.source_address == NO_ADDRESS or _is_tool(node):
        return None
    return passed_ns if passed_ns >= max(SILENCE_NS, _INTERVALS * interval_ns) else None


def _is_tool(node: Node) -> bool:
    """Whether it is a service tool, faultlamp's own intake for one: it comes and goes, and nobody misses it."""
    names = any(claim.name.function == _TOOL_FUNCTION for claim in node.claims)
    return names or node.source_address in _TOOL_ADDRESSES


def _complaints(job: Job) -> tuple[dict[tuple[str, int], list[Complaint]], list[Complaint]]:
    about: dict[tuple[str, int], list[Complaint]] = {}
    of_bus = []
    for _, controller in sorted(job.history.controllers.items()):
        for fault in controller.active_faults:
            if fault.spn in _NODE_SPNS:
                named = controller.channel, fault.spn - _NODE_SPNS.start
                about.setdefault(named, []).append(Complaint(controller, fault))
            elif fault.spn in _BUS_SPNS:
                of_bus.append(Complaint(controller, fault))
    return about, of_bus
