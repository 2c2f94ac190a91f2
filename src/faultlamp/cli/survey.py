"""`faultlamp survey`: many recordings as one data set."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from faultlamp.cli.captures import add_jobs_option
from faultlamp.cli.options import add_history_options, add_layout_option, history_options, layouts_of
from faultlamp.cli.output import say
from faultlamp.errors import FaultlampError
from faultlamp.text import printable

if TYPE_CHECKING:
    from faultlamp.survey.captures import Problem, SurveyedFile
    from faultlamp.survey.work import Outcome, Settings

_MOST_SHOWN = 50


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "survey",
        help="faults, lamps and readings of many recordings as Parquet tables",
        description="Reads each recording by itself, on all cores or on a Dask cluster, and keeps what it finds as "
        "Parquet tables. Started again, it reads what is new or has changed. A recording that cannot be read is "
        "listed, and the rest goes on.",
    )
    parser.add_argument(
        "paths", nargs="+", metavar="PATH",
        help="recordings, directories to search, patterns, or URLs that fsspec knows (s3://...)",
    )
    parser.add_argument("-o", "--output", required=True, metavar="DIR", help="directory for the tables")
    where = parser.add_mutually_exclusive_group()
    add_jobs_option(where, "the recordings")
    where.add_argument("--dask", metavar="ADDRESS", help="a Dask scheduler to give the work to, like tcp://host:8786")
    parser.add_argument("--no-values", action="store_true", help="leave the summary of readings out; faster")
    add_history_options(parser)
    add_layout_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read what is not done, keep it, say what failed."""
    try:
        import pyarrow  # noqa: F401 - without it there is nothing to write
    except ImportError as missing:
        raise FaultlampError(
            'a survey is kept as Parquet, which needs pyarrow: pip install "faultlamp[parquet]"'
        ) from missing
    from faultlamp.survey.captures import find_captures
    from faultlamp.survey.store import Store

    if "://" in args.output:
        raise FaultlampError(f"{printable(args.output)}: the tables are written to a local directory: name one")
    settings = _settings(args)
    files, problems = find_captures(args.paths)
    store = Store(Path(args.output))
    todo = [file for file in files if not store.has(file.capture_id, settings.fingerprint(file))]
    # The longest first, so that no core is left with one at the end.
    todo.sort(key=lambda file: file.size or 0, reverse=True)
    read = 0
    try:
        with _progress(todo) as advance:
            for outcome in _outcomes(todo, settings, args):
                store.keep(outcome)
                if outcome.error is not None:
                    problems.append((outcome.file.name, outcome.error))
                else:
                    read += 1
                advance(outcome.file)
    except KeyboardInterrupt:
        say(f"stopped; {read} recordings are read and stay: the same command goes on")
        raise
    before = len(files) - len(todo)
    _report(problems)
    where = printable(args.output, longest=400)
    say(f"{read} recordings read, {before} done before, {len(problems)} failed; tables in {where}")
    return 0 if read or before else 1


def _settings(args: argparse.Namespace) -> Settings:
    from faultlamp.survey.work import Settings

    layouts = None if args.no_values else layouts_of(args)
    return Settings.of(**history_options(args), layouts=layouts)


def _outcomes(todo: Sequence[SurveyedFile], settings: Settings, args: argparse.Namespace) -> Iterator[Outcome]:
    """The recordings read, as they finish."""
    from faultlamp.survey.cluster import cluster, each_on_cluster
    from faultlamp.survey.pool import Lost, each_on_cores
    from faultlamp.survey.work import failed, survey

    work = partial(survey, settings=settings)
    yield from (work(file) for file in todo if file.in_this_process)
    rest = [file for file in todo if not file.in_this_process]
    if not rest:
        return

    def told(file: SurveyedFile, result: Outcome | Lost) -> Outcome:
        return failed(file, settings, result.reason) if isinstance(result, Lost) else result

    if args.dask is not None:
        with cluster(args.dask) as client:
            yield from (told(*pair) for pair in each_on_cluster(rest, work, client))
    else:
        yield from (told(*pair) for pair in each_on_cores(rest, work, args.jobs))


def _report(problems: Sequence[Problem]) -> None:
    for name, reason in sorted(problems)[:_MOST_SHOWN]:
        say(f"failed: {printable(name, longest=400)}: {reason}")
    if len(problems) > _MOST_SHOWN:
        say(f"failed: {len(problems) - _MOST_SHOWN} more; the table captures lists them")


@contextmanager
def _progress(todo: Sequence[SurveyedFile]) -> Iterator[Callable[[SurveyedFile], object]]:
    """What to call after each recording: moves a bar on a terminal."""
    if not sys.stderr.isatty() or not todo:
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, Progress, TimeRemainingColumn

    left = len(todo)
    with Progress("{task.description} to read", BarColumn(), DownloadColumn(), TimeRemainingColumn(),
                  console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(str(left), total=sum(file.size or 0 for file in todo))

        def advance(file: SurveyedFile) -> None:
            nonlocal left
            left -= 1
            bar.update(task, advance=file.size or 0, description=str(left))

        yield advance
