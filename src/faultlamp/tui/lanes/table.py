"""The third band as lines: a title, the axis with the key cycles, one row a lane, and the picked lane in words.

    FAULTS 1 active, 1 earlier, 1 unseen (!), following  ◆ 7 s ago: SPN 110 FMI 3 active
       Sender     SPN/FMI    OC Lamp  Name        ╷12:03:00  ╷12:03:10
       Key ─ on  ━ engine ran  █ 1 s              ├━━━━━━━━━━━━━━━━━━━
    ▸●◆Engine 1  !110/3       2 RED   Coolant Te        ▐█████████████
     ○ Engine 1   100/1       1 RED   Oil Pressu   ▐█▌ cleared
    Engine Coolant Temperature 1: voltage above normal ...
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from faultlamp.bus.gaps import Gap
from faultlamp.history.changes import Change, What
from faultlamp.j1939.diagnostics import Lamp
from faultlamp.knowledge.names import fmi_meaning
from faultlamp.text import printable
from faultlamp.tui.head.lamps import gravest
from faultlamp.tui.job import Job
from faultlamp.tui.lanes.bars import UNHEARD, axis, bar, key_strip, silent_by_loss, unheard
from faultlamp.tui.lanes.lane import Lane, LaneKey
from faultlamp.tui.lanes.view import LaneView
from faultlamp.tui.lanes.window import Window, step_words
from faultlamp.tui.marks.notes import Mark, columns_of
from faultlamp.tui.names import count_of, title, who
from faultlamp.tui.paint import Line, Piece, Role, fit, fit_line, line, wrap
from faultlamp.tui.times import age, moment

ROWS_ABOVE = 3
ROWS_BELOW = 2

_SENDER = 10
_CODE = 9
# With so many cells the lamp is not cut, though the name may be.
_TO_LAMP = 35
_LAMP_CELLS = {
    Lamp.RED_STOP: "RED", Lamp.AMBER_WARNING: "AMBER", Lamp.PROTECT: "PROT", Lamp.MALFUNCTION_INDICATOR: "MALF",
}
_NEWS_WORDS = {What.FAULT_ACTIVE: "active", What.FAULT_CLEARED: "cleared", What.FAULT_SILENT: "fell silent"}


def rows_above(height: int) -> int:
    """Rows over the lanes in a band of that height: in a very low one the lanes go before their axis."""
    return max(min(ROWS_ABOVE, height - ROWS_BELOW - 1), 1)


def label_width(width: int) -> int:
    """Cells left of the time columns."""
    return max(min(width * 11 // 20, 64), min(width, _TO_LAMP))


def table(
    job: Job, lanes: Sequence[Lane], view: LaneView, now_ns: int, width: int, height: int, *,
    gaps: Sequence[Gap] = (), total: int | None = None, unseen: Collection[LaneKey] = (), notice: Sequence[Line] = (),
    marked: Sequence[Mark] = (), nothing: Sequence[Line] = (),
    marks: Mapping[tuple[str, int, int, int], str] | None = None,
) -> list[Line]:
    """The whole band, `height` rows of exactly `width` cells. Only the lanes that are visible are drawn.

    marked: moments that are shown in the key row. nothing: what stands there while no fault is known.
    lanes: those that are shown, out of `total`; None: all. gaps: when nothing could be heard. unseen: faults that
    nobody has acknowledged. notice: rows above the lanes. marks: a shape for lanes that belong to a group.
    """
    history = job.history
    start_ns = now_ns if history.start_ns is None else history.start_ns
    left = label_width(width)
    window = view.window(now_ns, start_ns, max(width - left, 1))
    cursor = None if view.cursor_ns is None else window.column(view.cursor_ns)
    above = rows_above(height)
    rows = view.scroll_rows(lanes, max(height - above - ROWS_BELOW - len(notice), 1))
    picked = lanes[view.index(lanes)] if lanes else None
    counts = [
        [
            *_counts(job, lanes, rows, view, len(lanes) if total is None else total, gaps, brief=brief),
            *_unseen(lanes, unseen),
        ]
        for brief in (False, True)
    ]
    drawn = [
        _title(counts, job, view, now_ns, gaps, width),
        _axis_row(window, start_ns, left, cursor, view.cursor_ns, " " if marks else ""),
        _key_row(job, picked, window, now_ns, left, cursor, gaps, marked),
    ][:above]
    drawn += notice
    if not lanes:
        drawn += (nothing if not total else ()) or _nothing(job, total)
    drawn += [
        _lane_row(
            job, lane, lane is picked, lane.key in unseen, marks.get(lane.key, " ") if marks else "", window, now_ns,
            left, cursor, gaps,
        )
        for lane in lanes[rows.start : rows.stop]
    ]
    # What to do next goes before the words that say what SPN and FMI are.
    caption = [] if not lanes and len(drawn) > height - ROWS_BELOW else _caption(job, picked, width)
    body = height - len(caption)
    drawn = drawn[:body] + [Line()] * (body - len(drawn))
    drawn += caption
    return [fit_line(row, width) for row in drawn[:height]]


def _title(
    counts: Sequence[Sequence[Piece]], job: Job, view: LaneView, now_ns: int, gaps: Sequence[Gap], width: int
) -> Line:
    """The counts, whether the lanes follow the present, and if they do, the latest news in as many words as fit.

    counts: in full, and in fewer words.
    """
    full, brief = ([Piece("FAULTS", Role.TITLE), *one] for one in counts)
    if not view.live:
        held = [Piece(f"  HELD{how}", Role.HELD) for how in (", Esc: live again", "")]
        rows = [line(*one, how) for one in (full, brief) for how in held]
    else:
        news = [] if job.newest is None else [
            f"  ◆ {_news(job.newest, now_ns, gaps, code)}" for code in ("SPN {} FMI {}", "{}/{}")
        ]
        rows = [line(*full, ", following", more) for more in (*news, "")]
        rows += [line(*brief, ", following"), line(*brief)]
    return next((row for row in rows if len(row.text) <= width), rows[-1])


def _counts(
    job: Job, lanes: Sequence[Lane], rows: range, view: LaneView, total: int, gaps: Sequence[Gap], *, brief: bool
) -> list[Piece]:
    """How many there are, and what of them is not on the screen. brief: in fewer words."""
    pieces = []
    if view.choice.all:
        active = sum(len(controller.active_faults) for controller in job.history.controllers.values())
        lost = bool(gaps) and gaps[-1].end_ns is None
        pieces.append(Piece(f" {active} active{' when last heard' if lost else ''}, {total - active} earlier"))
    else:
        words = view.choice.words(several_channels=len(job.history.channels) > 1)
        found = f"{len(lanes)} of {count_of(total, 'fault')}" if total else "none so far,"
        pieces.append(Piece(f" {found} shown: {words}", Role.HELD))
    if len(rows) < len(lanes):
        of = f" of {len(lanes)}" if view.choice.all else ""
        word, to = ("", "-") if brief else (f"{'showing' if view.choice.all else 'rows'} ", " to ")
        pieces.append(Piece(f", {word}{rows.start + 1}{to}{rows.stop}{of}"))
    if job.history.room.refused:
        pieces.append(Piece(f", {job.history.room.refused} more found no room", Role.WARN))
    return pieces


def _unseen(lanes: Sequence[Lane], unseen: Collection[LaneKey]) -> list[Piece]:
    if not unseen:
        return []
    hidden = len(unseen) - sum(lane.key in unseen for lane in lanes)
    words = f", {len(unseen)} unseen (!)"
    return [Piece(words + (f", {hidden} of them hidden" if hidden > 0 else ""), Role.WARN)]


def _news(change: Change, now_ns: int, gaps: Sequence[Gap], code: str) -> str:
    word = _NEWS_WORDS.get(change.what, "")
    if change.what is What.FAULT_SILENT and silent_by_loss(change.time_ns, gaps):
        word = "not heard since"
    return f"{age(now_ns - change.time_ns)} ago: {code.format(change.spn, change.fmi)} {word}"


def _axis_row(
    window: Window, start_ns: int, left: int, cursor: int | None, cursor_ns: int | None, mark: str
) -> Line:
    head = fit("   " + mark + fit("Sender", _SENDER) + " SPN/FMI    OC Lamp  Name", left)
    if cursor is None or cursor_ns is None or not 0 <= cursor < window.width:
        return line(Piece(head, Role.DIM), Piece(axis(window, start_ns), Role.DIM))
    label = "▼" + moment(cursor_ns, start_ns)
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
    job: Job, picked: Lane | None, window: Window, now_ns: int, left: int, cursor: int | None, gaps: Sequence[Gap],
    marked: Sequence[Mark] = (),
) -> Line:
    cycles = job.history.key_cycles
    channel = picked.controller.channel if picked and picked.controller.channel in cycles else min(cycles, default="")
    strip = key_strip(cycles[channel].cycles if channel in cycles else (), window, now_ns, gaps)
    columns = columns_of(marked, window.first_ns, window.step_ns, window.width)
    for column in columns:
        strip = f"{strip[:column]}*{strip[column + 1:]}"
    legend = f"   Key ─ on  ━ ran  {UNHEARD} not heard" if unheard(gaps, window) else "   Key ─ on  ━ engine ran"
    legend += "  * mark" if columns else ""
    legend += f"  █ {step_words(window.step_ns)}"
    return line(Piece(fit(legend, left), Role.DIM), *_crossed(strip, Role.PLAIN, cursor))


def _lane_row(
    job: Job, lane: Lane, picked: bool, unseen: bool, mark: str, window: Window, now_ns: int, left: int,
    cursor: int | None, gaps: Sequence[Gap],
) -> Line:
    fault, controller = lane.fault, lane.controller
    newest = job.newest is not None and lane.key == (
        job.newest.channel, job.newest.source_address, job.newest.spn, job.newest.fmi
    )
    count = "-" if fault.occurrence_count is None else str(fault.occurrence_count)
    lamp = gravest(controller.lamps) if fault.active else None
    label = (
        f"{'▸' if picked else ' '}{lane.shape}{'◆' if newest else ' '}{mark}"
        f"{fit(title(who(controller.source_address)), _SENDER)}{'!' if unseen else ' '}"
        f"{fit(f'{fault.spn}/{fault.fmi}', _CODE)} {count:>3} {_LAMP_CELLS[lamp] if lamp else '-':<5} "
    )
    if len(job.history.channels) > 1:
        label += f"{printable(controller.channel, longest=12)} "
    # Most names begin with the same word, which would take the room of the one that tells.
    label += job.names.describe(fault.spn).removeprefix("Engine ")
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


def _nothing(job: Job, total: int | None) -> list[Line]:
    if total:
        return [line(f"   None of the {count_of(total, 'fault')} is like that. Esc shows all of them again.")]
    if any(controller.last_dm1_ns for controller in job.history.controllers.values()):
        return [line("   No fault has been reported so far.")]
    return [line("   No fault report (DM1) heard yet. Controllers send one each second while the key is on.")]


def _caption(job: Job, lane: Lane | None, width: int) -> list[Line]:
    if lane is None:
        return [line(Piece("SPN: which signal. FMI: how it fails. OC: how often it came.", Role.DIM)), Line()]
    text = f"{job.names.describe(lane.fault.spn)}: {fmi_meaning(lane.fault.fmi)}"
    first, *more = wrap(text, width)
    return [line(first), line(" ".join(more))]
