"""The verdicts for people: one line an expectation, what was expected below those that are not held, a sentence."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from faultlamp.cli.output import console, duration
from faultlamp.prove.verdict import Result
from faultlamp.prove.wording import counted
from faultlamp.text import printable

if TYPE_CHECKING:
    from faultlamp.prove.outcome import Outcome
    from faultlamp.prove.verdict import Verdict

_MARKS = {Result.HELD: "held", Result.FAILED: "FAILED", Result.NOT_SHOWN: "not shown"}
_STYLES = {Result.HELD: "", Result.FAILED: "bold reverse", Result.NOT_SHOWN: "bold"}
_WIDTH = max(map(len, _MARKS.values()))


def print_table(outcome: Outcome) -> None:
    """Print it."""
    from rich.text import Text

    print_line = partial(console().print, soft_wrap=True)
    for verdict in outcome.verdicts:
        line = Text(_MARKS[verdict.result].ljust(_WIDTH), style=_STYLES[verdict.result])
        print_line(Text.assemble(line, f"  {verdict.expectation.name}: {verdict.finding.words}"))
        if verdict.result is not Result.HELD:
            print_line(Text(f"{' ' * _WIDTH}  {_below(verdict)}"))
    if outcome.verdicts:
        print_line(Text())
    print_line(Text(_sentence(outcome)))


def _below(verdict: Verdict) -> str:
    note = " (this file does not insist on it)" if verdict.accepted else ""
    return f"expected: {verdict.expected}{note}"


def _sentence(outcome: Outcome) -> str:
    number = len(outcome.verdicts)
    held, failed, not_shown = (outcome.count(result) for result in Result)
    parts = [f"{held} of {counted(number, 'expectation')} held"]
    if failed:
        parts.append(f"{failed} failed")
    if not_shown:
        parts.append(f"{not_shown} not shown")
    heard = outcome.heard
    what = f"{counted(heard.frames, 'frame')} in {duration(outcome.length_s)}" if heard.frames else "nothing was heard"
    subject = "standard input" if outcome.subject == "-" else printable(outcome.subject)
    end = "All is as expected." if outcome.all_held else "Not all is as expected."
    return f"{outcome.expectations.title}: {', '.join(parts)} on {subject} ({what}). {end}"
