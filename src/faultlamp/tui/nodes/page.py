"""The page of who is on the bus: each node with its faults and NAME, who is missing, who shares an address.

      Address Who                        Frames/s     Last heard Faults  Lamp
    ✕      11 Brakes                            -       12 s ago      -  -
              SILENT for 12 s; it was heard before
              engine 1 complains: SPN 2011 FMI 9, Source Address 11: abnormal update rate
            0 Engine 1                         31       <1 s ago      2  RED STOP
              NAME: engine, instance 0, ECU 0, on-highway, ...

In a narrow window the columns are words below the name:

        0 Engine 1
          31 frames/s  heard <1 s ago  2 active  lamp RED STOP
"""

from __future__ import annotations

from collections.abc import Iterator

from faultlamp.history.nodes import MOST_NAMES, NO_ADDRESS
from faultlamp.j1939.address import Name
from faultlamp.knowledge.addresses import function_name
from faultlamp.knowledge.names import fmi_meaning
from faultlamp.tui.board import Board
from faultlamp.tui.head.lamps import SHORT_WORDS, gravest
from faultlamp.tui.job import Job
from faultlamp.tui.names import count_of, title, who
from faultlamp.tui.nodes.roster import Complaint, Entry, roster
from faultlamp.tui.page import Page
from faultlamp.tui.paint import Line, Piece, Role, fit, flow, hung, line, wrap
from faultlamp.tui.status import load_words
from faultlamp.tui.times import age, length

_INDENT, _NARROW_INDENT = 10, 6
_LEAST_NAME = 20
_OTHER_COLUMNS = 56
_MOST_ENTRIES = 300
# SAE J1939-81: 'not available' in a field of eight bits (from memory).
_NO_FUNCTION = 255
_MOST_COMPLAINTS = 6
_NOBODY = "Nobody has been heard yet. Key on? Connector seated? `faultlamp doctor` checks adapter and bus."
_NO_NAME = "No NAME heard: nodes tell it when they start, or when they are asked."


def node_lines(job: Job, now_ns: int, width: int, *, load: str = "", trouble: str = "") -> list[Line]:
    """The page, rows of at most `width` cells. load: of the bus, in words. trouble: why nothing is heard now."""
    found = roster(job, now_ns)
    heard = sum(entry.node is not None for entry in found.entries)
    facts = [f"{count_of(heard, 'node')} heard"]
    if found.missing:
        facts.append(f"{found.missing} missing")
    if load:
        facts.append(f"{load}, an estimate" if "%" in load else f"about {load}")
    rows = [line(Piece("WHO IS ON THE BUS", Role.TITLE), Piece("  " + ", ".join(facts)))]
    if len(rows[0].text) > width:
        rows = [line(Piece("WHO IS ON THE BUS", Role.TITLE)), *(line(text) for text in wrap(", ".join(facts), width))]
    if trouble:
        rows += [line(Piece(text, Role.WARN)) for text in wrap(f"Nothing can be heard now: {trouble}", width)]
    elif found.entries and all(entry.missing for entry in found.entries):
        rows.append(line(Piece("Nobody talks now: is the key off?", Role.WARN)))
    for complaint in found.bus_complaints[:_MOST_COMPLAINTS]:
        rows += [line(Piece(text, Role.WARN)) for text in wrap(title(_complaint(job, complaint)), width)]
    rows.append(Line())
    if not found.entries:
        return [*rows, *(line(text) for text in wrap(_NOBODY, width))]
    # Names, and the lamp at the end of the row, are never cut: where they would be, the columns become words.
    cells = min(width - _OTHER_COLUMNS, 44)
    if cells >= _LEAST_NAME:
        titles = _row(" ", "Address", "Who", cells, "Frames/s", "Last heard", "Faults", "Lamp")
        rows.append(line(Piece(titles, Role.STRONG)))
    in_order = sorted(found.entries, key=lambda entry: (not entry.missing, not entry.rivals))
    for entry in in_order[:_MOST_ENTRIES]:
        rows += _entry(job, entry, now_ns, cells, width)
    if len(in_order) > _MOST_ENTRIES:
        rows.append(line(Piece(f"and {len(in_order) - _MOST_ENTRIES} more", Role.WARN)))
    rows.append(Line())
    if not any(node.claims for node in job.nodes.nodes.values()):
        rows += [line(Piece(text, Role.DIM)) for text in wrap(_NO_NAME, width)]
    rows += [line(Piece(text, Role.DIM)) for text in wrap(
        "Who usually sits at an address is a guess; the function in a NAME is the node's own word. A silent node may "
        "sleep, or have nothing to say any more.", width,
    )]
    return rows


def _entry(job: Job, entry: Entry, now_ns: int, cells: int, width: int) -> Iterator[Line]:
    several = len(job.history.channels) > 1
    name = title(who(entry.source_address, entry.channel if several else ""))
    if entry.source_address == NO_ADDRESS:
        name = "Without an address"
    node, controller = entry.node, entry.controller
    rate = "-" if node is None or node.rate_per_s is None or entry.missing else _rate(node.rate_per_s)
    ago = "never" if node is None else f"{age(max(now_ns - node.last_ns, 0))} ago"
    faults, lamp = "-", "-"
    if controller is not None and controller.lamps is not None:
        faults = str(len(controller.active_faults))
        asked = gravest(controller.lamps)
        lamp = SHORT_WORDS[asked] if asked else "none"
    wrong = entry.missing or bool(entry.rivals)
    mark, address = "✕" if entry.missing else "≠" if entry.rivals else " ", str(entry.source_address)
    role = Role.WARN if wrong else Role.STRONG
    indent = _INDENT
    if cells >= _LEAST_NAME:
        first, *more = wrap(name, cells)
        yield line(Piece(fit(_row(mark, address, first, cells, rate, ago, faults, lamp), width), role))
        for text in more:
            yield line(" " * _INDENT, Piece(text, role))
    else:
        indent = _NARROW_INDENT
        yield from hung(f"{mark} {address:>3} ", name, width, role)
        talk = [] if rate == "-" else [f"{rate} frames/s"]
        talk.append("never heard" if node is None else f"heard {ago}")
        talk += ["no fault report"] if faults == "-" else [f"{faults} active", f"lamp {lamp}"]
        for row in flow(map(Piece, talk), width, indent=indent):
            yield line(" " * indent, *row.pieces)
    for said, detail_role in _details(job, entry):
        for text in wrap(said, max(width - indent, 10)):
            yield line(" " * indent, Piece(text, detail_role))


def _details(job: Job, entry: Entry) -> Iterator[tuple[str, Role]]:
    if entry.silent_ns is not None:
        yield f"SILENT for {length(entry.silent_ns)}; it was heard before", Role.WARN
    elif entry.node is None:
        yield "NEVER HEARD here, but others expect it", Role.WARN
    for complaint in entry.complaints[:_MOST_COMPLAINTS]:
        yield _complaint(job, complaint), Role.WARN
    if entry.rivals:
        yield f"ADDRESS CONFLICT: {len(entry.rivals)} nodes claim it, their messages are mixed up", Role.WARN
    if entry.node is not None:
        for claim in entry.node.claims[:MOST_NAMES]:
            yield name_words(claim.name), Role.DIM


def name_words(name: Name) -> str:
    """The fields of a NAME in words."""
    function = _function(name.function)
    moves = ", can take another address" if name.arbitrary_address_capable else ""
    return (
        f"NAME: {function}, instance {name.function_instance}, ECU {name.ecu_instance}, {name.industry}, vehicle "
        f"system {name.vehicle_system}, maker code {name.manufacturer_code}, identity number {name.identity_number}"
        f"{moves}"
    )


def _function(function: int) -> str:
    if function == _NO_FUNCTION:
        return "function not told"
    return function_name(function) or f"function {function}"


def _complaint(job: Job, complaint: Complaint) -> str:
    controller, fault = complaint
    sender = who(controller.source_address, controller.channel if len(job.history.channels) > 1 else "")
    what = f"{job.names.describe(fault.spn)}: {fmi_meaning(fault.fmi)}"
    return f"{sender} complains: SPN {fault.spn} FMI {fault.fmi}, {what}"


def _rate(per_s: float) -> str:
    return f"{per_s:.0f}" if per_s >= 9.5 else f"{per_s:.1f}"


def _row(mark: str, address: str, name: str, cells: int, rate: str, ago: str, faults: str, lamp: str) -> str:
    return f"{mark:<1} {address:>7} {fit(name, cells)} {rate:>8} {ago:>15} {faults:>6}  {lamp}"


class NodesPage(Page):
    """Who talks; it stays up to date while it is open."""

    def __init__(self, board: Board) -> None:
        super().__init__()
        self._board = board

    def page(self, width: int) -> list[Line]:
        """Who is there now."""
        board = self._board
        now_ns = board.now_ns or 0
        status = board.feed.status()
        load = load_words(status.bit_rate, board.job.traffic(now_ns))
        return node_lines(board.job, now_ns, width, load=load, trouble=status.trouble)
