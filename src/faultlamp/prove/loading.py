"""A file of expectations (TOML) read into plain data.

Rule: whatever is wrong raises DataFileError with file, table, key, what stands there and what is allowed, as in every
knowledge file; an unknown key is wrong. An expectation that would check nothing is wrong, and so is a key that would
have no effect. docs/prove.md explains the keys.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace

from faultlamp.j1939.readings import Layouts
from faultlamp.knowledge.toml_tables import Table, read_toml
from faultlamp.prove.expectations import (
    AtEnd,
    During,
    Expectation,
    Expectations,
    FaultExpected,
    FaultMust,
    Happening,
    Moment,
    NoOtherFaults,
    When,
)
from faultlamp.prove.kinds import LONGEST_S, READERS, Common, pattern, to_ns

MOST_EXPECTATIONS = 1000
_MOST_MOMENTS = 100
_OF_FAULTS = (Happening.FAULT_ACTIVE, Happening.FAULT_GONE)
_USUAL = {str(what): Moment(str(what), what) for what in Happening if what not in _OF_FAULTS}


def load_expectations(path: str | os.PathLike[str], layouts: Layouts) -> Expectations:
    """Read the file. layouts: what can be decoded, for the readings. Raises DataFileError."""
    top = read_toml(path)
    title = top.text("title", longest=200, default=os.path.basename(os.fspath(path)) or "expectations")
    listen_s = top.number("for_s", 0.1, LONGEST_S) if top.has("for_s") else None
    defaults = _Defaults(top)
    moments = dict(_USUAL)
    for table in top.tables("moment", _MOST_MOMENTS):
        moment = _moment(table)
        if moment.name in moments:
            table.refuse("name", "a name that is not taken yet; key_on, key_off, engine_running and "
                                 "engine_stopped are there anyway")
        moments[moment.name] = moment
    expected: list[Expectation] = []
    names: set[str] = set()
    for kind, read in READERS.items():
        for table in top.tables(kind, MOST_EXPECTATIONS):
            common = defaults.common(table, moments, windowed=kind not in ("transport", "bus"))
            if common["name"] in names:
                table.refuse("name", "a name that no other expectation has")
            names.add(common["name"])
            expected.append(read(table, common, layouts))
            table.close()
    top.close()
    if not expected:
        top.fail(f"expects nothing; write at least one of {', '.join(f'[[{kind}]]' for kind in READERS)}")
    return Expectations(title, listen_s, tuple(_with_allowed(expected)))


class _Defaults:
    """What stands at the top of the file for all expectations that say nothing else."""

    def __init__(self, top: Table) -> None:
        self.channel = top.optional_text("channel", longest=100)
        self.during = _during(top)
        self.not_shown_will_do = top.flag("may_be_not_shown", False)

    def common(self, table: Table, moments: Mapping[str, Moment], *, windowed: bool) -> Common:
        """The keys that are the same in all tables."""
        channel = table.optional_text("channel", longest=100) if windowed or table.place.startswith("[[bus]]") else None
        return {
            "name": table.text("name", longest=200),
            "when": self._when(table, moments) if windowed else When(),
            "channel": channel or self.channel,
            "not_shown_will_do": table.flag("may_be_not_shown", self.not_shown_will_do),
        }

    def _when(self, table: Table, moments: Mapping[str, Moment]) -> When:
        after = moments[table.choice("after", list(moments))] if table.has("after") else None
        start = table.number("from_s", -LONGEST_S if after else 0, LONGEST_S, 0.0)
        end = table.number("to_s", start, LONGEST_S) if table.has("to_s") else None
        during = _during(table) or self.during
        return When(after, to_ns(start), None if end is None else to_ns(end), during)


def _during(table: Table) -> During | None:
    return During(table.choice("while", list(During))) if table.has("while") else None


def _moment(table: Table) -> Moment:
    what = Happening(table.choice("what", list(Happening)))
    moment = Moment(
        table.name("name"), what, pattern(table) if what in _OF_FAULTS else None,
        table.whole("number", 1, 1_000_000) if table.has("number") else None,
        table.optional_text("channel", longest=100),
    )
    table.close()
    return moment


def _with_allowed(expected: list[Expectation]) -> list[Expectation]:
    """'No other faults' lets pass what another expectation names by its SPN and wants to see."""
    wanted = tuple(
        one.fault for one in expected if isinstance(one, FaultExpected) and one.fault.spn is not None and _seen(one)
    )
    return [
        replace(one, allowed=one.allowed + wanted) if isinstance(one, NoOtherFaults) else one for one in expected
    ]


def _seen(one: FaultExpected) -> bool:
    """Whether it is about a fault that is active, was, or may be; not about one that must be absent."""
    if one.must is FaultMust.NEVER_BE_ACTIVE or (one.spans is not None and one.spans.high == 0):
        return False
    asked = one.must, one.spans, one.lamp, one.occurrence_count
    return one.at_end not in (None, AtEnd.NOT_ACTIVE) or any(each is not None for each in asked)
