"""The third band as lines: a title, the axis with the key cycles, one row a lane, and the picked lane in words.

    Faults: 2 active, 1 earlier. Newest change 7 s ago: SPN 110 FMI 3 active
       Sender     SPN/FMI    OC Lamp  Name        ╷12:03:00  ╷12:03:10
       Key ─ on  ━ engine ran                     ├━━━━━━━━━━━━━━━━━━━
    ▸●◆Engine 1   110/3       2 RED   Engine Coo        ▐█████████████
     ○ Engine 1   100/1       1 RED   Engine Oil   ▐█▌ cleared
    Engine 1, SPN 110 Engine Coolant Temperature 1: voltage above normal ...
"""

from __future__ import annotations

from collections.abc import Sequence

from faultlamp.bus.gaps import Gap
from faultlamp.history.changes import Change, What
from faultlamp.j1939.diagnostics import Lamp
from faultlamp.knowledge.names import describe_spn, fmi_meaning
from faultlamp.text import printable
from faultlamp.tui.head.lamps import gravest
from faultlamp.tui.job import Job
from faultlamp.tui.lanes.bars import UNHEARD, axis, bar, key_strip, silent_by_loss, unheard
from faultlamp.tui.lanes.lane import Lane
from faultlamp.tui.lanes.view import LaneView
from faultlamp.tui.lanes.window import Window
from faultlamp.tui.names import title, who
from faultlamp.tui.paint import Line, Piece, Role, fit, fit_line, line, wrap
from faultlamp.tui.times import age, moment

ROWS_ABOVE = 3
ROWS_BELOW = 2

_SENDER = 10
_CODE = 9
_LAMP_CELLS = {
    Lamp.RED_STOP: "RED", Lamp.AMBER_WARNING: "AMBER", Lamp.PROTECT: "PROT", Lamp.MALFUNCTION_INDICATOR: "MALF",
}
_NEWS_WORDS = {What.FAULT_ACTIVE: "active", What.FAULT_CLEARED: "cleared", What.FAULT_SILENT: "fell silent"}


def label_width(width: int) -> int:
    """Cells left of the time columns."""
    return max(min(width * 11 // 20, 64), min(width, 32))


def table(
    job: Job, lanes: Sequence[Lane], view: LaneView, now_ns: int, width: int, height: int, *, gaps: Sequence[Gap] = ()
) -> list[Line]:
    """The whole band, `height` rows of exactly `width` cells. Only the lanes that are visible are drawn.

    gaps: when nothing could be heard.
    """
    history = job.history
    start_ns = now_ns if history.start_ns is None else history.start_ns
    left = label_width(width)
    window = view.window(now_ns, start_ns, max(width - left, 1))
    cursor = None if view.cursor_ns is None else window.column(view.cursor_ns)
    rows = view.scroll_rows(lanes, max(height - ROWS_ABOVE - ROWS_BELOW, 1))
    picked = lanes[view.index(lanes)] if lanes else None
    drawn = [
        _title(job, lanes, rows, view, now_ns, gaps),
        _axis_row(window, start_ns, left, cursor),
        _key_row(job, picked, window, now_ns, left, cursor, gaps),
    ]
    if not lanes:
        drawn += _nothing(job)
    drawn += [_lane_row(job, lanes[row], lanes[row] is picked, window, now_ns, left, cursor, gaps) for row in rows]
    body = height - ROWS_BELOW
    drawn = drawn[:body] + [Line()] * (body - len(drawn))
    drawn += _caption(picked, width)
    return [fit_line(row, width) for row in drawn[:height]]


def _title(
    job: Job, lanes: Sequence[Lane], rows: range, view: LaneView, now_ns: int, gaps: Sequence[Gap]
) -> Line:
    active = sum(len(controller.active_faults) for controller in job.history.controllers.values())
    lost = bool(gaps) and gaps[-1].end_ns is None
    active_words = f" {active} active{' when last heard' if lost else ''}, {len(lanes) - active} earlier"
    pieces = [Piece("FAULTS", Role.TITLE), Piece(active_words)]
    if len(rows) < len(lanes):
        pieces.append(Piece(f", showing {rows.start + 1} to {rows.stop} of {len(lanes)}"))
    if job.history.room.refused:
        pieces.append(Piece(f", {job.history.room.refused} more found no room", Role.WARN))
    if not view.live:
        pieces.append(Piece("  HELD, Esc: live again", Role.HELD))
    elif job.newest is not None:
        pieces.append(Piece("  ◆ " + _news(job.newest, now_ns, gaps)))
    return line(*pieces)


def _news(change: Change, now_ns: int, gaps: Sequence[Gap]) -> str:
    word = _NEWS_WORDS.get(change.what, "")
    if change.what is What.FAULT_SILENT and silent_by_loss(change.time_ns, gaps):
        word = "not heard since"
    return f"{age(now_ns - change.time_ns)} ago: SPN {change.spn} FMI {change.fmi} {word}"


def _axis_row(window: Window, start_ns: int, left: int, cursor: int | None) -> Line:
    head = fit("   " + fit("Sender", _SENDER) + " SPN/FMI    OC Lamp  Name", left)
    if cursor is None or not 0 <= cursor < window.width:
        return line(Piece(head, Role.DIM), Piece(axis(window, start_ns), Role.DIM))
    label = "▼" + moment(window.time(cursor), start_ns)
    at = min(cursor, window.width - len(label))
    if at < cursor:
        # Near the right edge the label stands before its mark.
        label = label[1:] + "▼"
        at = max(cursor - len(label) + 1, 0)
    label = label[: window.width]
    text = axis(window, start_ns, (at, label))
    return line(
        Piece(head, Role.DIM), Piece(text[:at], Role.DIM), Piece(label, Role.CURSOR),
        Piece(text[at + len(label) :], Role.DIM),
    )


def _key_row(
    job: Job, picked: Lane | None, window: Window, now_ns: int, left: int, cursor: int | None, gaps: Sequence[Gap]
) -> Line:
    cycles = job.history.key_cycles
    channel = picked.controller.channel if picked and picked.controller.channel in cycles else min(cycles, default="")
    strip = key_strip(cycles[channel].cycles if channel in cycles else (), window, now_ns, gaps)
    legend = f"   Key ─ on  ━ ran  {UNHEARD} not heard" if unheard(gaps, window) else "   Key ─ on  ━ engine ran"
    return line(Piece(fit(legend, left), Role.DIM), *_crossed(strip, Role.PLAIN, cursor))


def _lane_row(
    job: Job, lane: Lane, picked: bool, window: Window, now_ns: int, left: int, cursor: int | None,
    gaps: Sequence[Gap],
) -> Line:
    fault, controller = lane.fault, lane.controller
    newest = job.newest is not None and lane.key == (
        job.newest.channel, job.newest.source_address, job.newest.spn, job.newest.fmi
    )
    count = "-" if fault.occurrence_count is None else str(fault.occurrence_count)
    lamp = gravest(controller.lamps) if fault.active else None
    label = (
        f"{'▸' if picked else ' '}{lane.shape}{'◆' if newest else ' '}"
        f"{fit(title(who(controller.source_address)), _SENDER)} "
        f"{fit(f'{fault.spn}/{fault.fmi}', _CODE)} {count:>3} {_LAMP_CELLS[lamp] if lamp else '-':<5} "
    )
    if len(job.history.channels) > 1:
        label += f"{printable(controller.channel, longest=12)} "
    # Most names begin with the same word, which would take the room of the one that tells.
    label += describe_spn(fault.spn).removeprefix("Engine ")
    role = Role.PLAIN
    if fault.active:
        role = Role.STOP if lamp is Lamp.RED_STOP else Role.WARN
    if fault.spans:
        bars = bar(fault.spans, window, now_ns, in_order=not job.history.clock_steps, gaps=gaps)
    else:
        bars = fit(" only in " + ", ".join(f"DM{dm}" for dm in sorted(fault.reported_in)), window.width)
    return line(
        Piece(fit(label, left), Role.STRONG if fault.active else Role.PLAIN), *_crossed(bars, role, cursor),
        ground=Role.PICKED if picked else Role.PLAIN,
    )


def _crossed(text: str, role: Role, cursor: int | None) -> list[Piece]:
    """The columns with the cursor through them; an empty column shows it as a line."""
    if cursor is None or not 0 <= cursor < len(text):
        return [Piece(text, role)]
    mark = "┊" if text[cursor] == " " else text[cursor]
    return [Piece(text[:cursor], role), Piece(mark, Role.CURSOR), Piece(text[cursor + 1 :], role)]


def _nothing(job: Job) -> list[Line]:
    if any(controller.last_dm1_ns for controller in job.history.controllers.values()):
        return [line("   No fault has been reported so far.")]
    return [line("   No fault report (DM1) heard yet. Controllers send one each second while the key is on.")]


def _caption(lane: Lane | None, width: int) -> list[Line]:
    if lane is None:
        return [line(Piece("SPN: which signal. FMI: how it fails. OC: how often it came.", Role.DIM)), Line()]
    text = f"{describe_spn(lane.fault.spn)}: {fmi_meaning(lane.fault.fmi)}"
    first, *more = wrap(text, width)
    return [line(first), line(" ".join(more))]
