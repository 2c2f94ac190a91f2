"""The job's paper from the dashboard, as it stands at the present moment: the same that `faultlamp report` writes.

Rule: the history is looked at where it is kept up to date; files are read, and the page is written, elsewhere, so that
the watching goes on. Readings are in the dashboard's metric or US units; marks with their notes are on the paper.
"""

from __future__ import annotations

import asyncio

from faultlamp.capture.fingerprint import fingerprint
from faultlamp.report.gather import gather
from faultlamp.report.page import page
from faultlamp.report.paper import About, Heard, Moment, Paper, SourceFile
from faultlamp.tui.board import Board
from faultlamp.tui.export.new_file import write_new
from faultlamp.tui.replay.player import Player

_NOT_YET = "it was still being written when this page was made"


async def save_report(board: Board, path: str) -> int:
    """Write the page to a new file and return its size in bytes. Raises CaptureError; no file is left then."""
    files = await asyncio.to_thread(_files, board.feed.status().live, tuple(board.stock.files))
    paper = paper_of(board, files)
    return await asyncio.to_thread(_write, path, paper)


def paper_of(board: Board, files: list[SourceFile]) -> Paper:
    """The paper of the present moment."""
    job, now_ns = board.job, board.now_ns
    lost_ns = [
        (gap.start_ns, now_ns or gap.start_ns if gap.end_ns is None else gap.end_ns)
        for gap in board.feed.status().gaps
    ]
    heard = Heard(
        job.history, job.nodes, job.latest, board.readings.layouts, now_ns if job.history.frames else None, job.names,
        board.tables.crosswalk, files, bad_lines=board.stock.bad_lines, lost_ns=lost_ns, so_far=_so_far(board),
    )
    marks = [Moment(mark.time_ns, mark.note) for mark in board.notes.marks]
    return gather(heard, About(moments=marks, system=board.choices.system))


def _files(live: bool, paths: tuple[str, ...]) -> list[SourceFile]:
    """What a replay was read from, or what a live job is recorded to."""
    if live:
        return [SourceFile(path, why=_NOT_YET) for path in paths]
    prints = [fingerprint(path) for path in paths]
    return [SourceFile(one.name, one.size_bytes, one.sha256, one.why) for one in prints]


def _write(path: str, paper: Paper) -> int:
    content = page(paper).encode()
    write_new(path, [content])
    return len(content)


def _so_far(board: Board) -> str:
    feed = board.feed
    if feed.status().live:
        return "The bus was still being listened to when this page was made."
    if isinstance(feed, Player) and not feed.at_end:
        return "This is what was played so far; the recording goes on."
    return ""
