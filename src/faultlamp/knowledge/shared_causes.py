"""What usually causes several faults at once: `data/shared_causes.toml`, read and checked.

Rule: all of it is common practice and data; the code in `findings` holds no number and no advice of its own.
"""

from __future__ import annotations

import os
from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from string import Formatter

from faultlamp.knowledge.toml_tables import Table, read_toml

SHIPPED = os.path.join(os.path.dirname(__file__), "data", "shared_causes.toml")

_HIGHEST_FMI = 31
_LONGEST_S = 3600.0
_MOST_FAULTS = 100
_MOST_TEXTS = 10
_MOST_PARTS = 20
_NS_PER_S = 1_000_000_000
_COUNTED = frozenset({"count", "within"})
_UNSEEN = frozenset({"count", "when"})


@dataclass(frozen=True, slots=True)
class Supply:
    """A kind of supply whose fault leads those of what it feeds. spns: which ones."""

    name: str
    spns: frozenset[int]
    sentence: str
    sentence_unseen: str
    tests: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Pattern:
    """What electrical faults with no other FMIs than these point to."""

    fmis: frozenset[int]
    points_to: str


@dataclass(frozen=True, slots=True)
class ElectricalRules:
    """Several electrical faults of one controller. least_unseen: how many it takes when nobody saw them begin."""

    fmis: frozenset[int]
    window_ns: int
    least: int
    least_unseen: int
    sentence: str
    sentence_unseen: str
    cautions: tuple[str, ...]
    tests: tuple[str, ...]
    supplies: tuple[Supply, ...]
    patterns: tuple[Pattern, ...]

    def points_to(self, fmis: Collection[int]) -> str:
        """What these failure modes together point to."""
        return next((pattern.points_to for pattern in self.patterns if pattern.fmis.issuperset(fmis)), "")

    def supply(self, spn: int) -> Supply | None:
        """The kind of supply that the SPN is, None when it is none."""
        return next((supply for supply in self.supplies if spn in supply.spns), None)


@dataclass(frozen=True, slots=True)
class Advice:
    """One sentence and what to test first.

    named: the sentence when no silence was heard. unseen: the one when nobody saw the faults begin.
    """

    sentence: str
    tests: tuple[str, ...]
    named: str = ""
    unseen: str = ""


@dataclass(frozen=True, slots=True)
class NetworkRules:
    """Several network faults of one bus. node_spns: SPN of the node at address 0 and so on."""

    fmis: frozenset[int]
    bus_spns: frozenset[int]
    node_spns: range
    window_ns: int
    complaint_ns: int
    branch_ns: int
    least: int
    cautions: tuple[str, ...]
    missing_node: Advice
    bus: Advice
    received_data: Advice

    def concerns(self, spn: int, fmi: int) -> bool:
        """Whether a fault is one of the network."""
        return fmi in self.fmis or spn in self.bus_spns or spn in self.node_spns


@dataclass(frozen=True, slots=True)
class ConsequenceRules:
    """Faults that are the answer to another. echo: a receiver's complaint about a reading that its sender has lost.

    fmis: failure modes that may be such an answer, but for the SPNs of `own_spns`, which are conditions of their own.
    """

    spns: frozenset[int]
    fmis: frozenset[int]
    own_spns: frozenset[int]
    follows_ns: int
    condition_follows_ns: int
    echo_fmis: frozenset[int]
    echo_ns: int
    echo_early_ns: int
    sentence: str
    sentence_condition: str
    sentence_unseen: str
    cautions: tuple[str, ...]
    tests: tuple[str, ...]

    def is_condition(self, spn: int, fmi: int) -> bool:
        """Whether the failure mode makes the fault a likely answer to another one."""
        return fmi in self.fmis and spn not in self.own_spns


@dataclass(frozen=True, slots=True)
class SharedCauseRules:
    """All of the file. mark: what kind of knowledge it is. caution: what every finding says."""

    mark: str
    key_on_ns: int
    recent_ns: int
    caution: str
    electrical: ElectricalRules
    network: NetworkRules
    consequence: ConsequenceRules


@cache
def load_shared_causes(path: str = SHIPPED) -> SharedCauseRules:
    """The rules in a file, each file read once. Raises DataFileError."""
    top = read_toml(path)
    rules = SharedCauseRules(
        top.text("mark"), _ns(top, "key_on_s"), _ns(top, "recent_s"), top.text("caution"),
        _electrical(top.table("electrical")), _network(top.table("network")), _consequence(top.table("consequence")),
    )
    top.close()
    return rules


def _electrical(table: Table) -> ElectricalRules:
    supplies, patterns = [], []
    for part in table.tables("supply", _MOST_PARTS):
        supplies.append(Supply(
            part.text("name"), _spns(part, "spns"), _sentence(part, "sentence", _COUNTED | {"supply"}),
            _sentence(part, "sentence_unseen", _UNSEEN | {"supply"}), _texts(part, "tests"),
        ))
        part.close()
    for part in table.tables("pattern", _MOST_PARTS):
        patterns.append(Pattern(_fmis(part, "fmis"), part.text("points_to")))
        part.close()
    rules = ElectricalRules(
        _fmis(table, "fmis"), _ns(table, "window_s"), table.whole("least", 2, _MOST_FAULTS),
        table.whole("least_unseen", 2, _MOST_FAULTS), _sentence(table, "sentence", _COUNTED),
        _sentence(table, "sentence_unseen", _UNSEEN), _texts(table, "cautions"), _texts(table, "tests"),
        tuple(supplies), tuple(patterns),
    )
    table.close()
    return rules


def _network(table: Table) -> NetworkRules:
    missing, bus, received = (table.table(key) for key in ("missing_node", "bus", "received_data"))
    nodes = table.text("node_spns")
    first, _, last = nodes.partition("-")
    if not (nodes.isascii() and first.isdigit() and last.isdigit() and int(first) <= int(last) <= int(first) + 253):
        table.refuse("node_spns", "a text FIRST-LAST of at most 254 SPNs")
    rules = NetworkRules(
        _fmis(table, "fmis"), _spns(table, "bus_spns"), range(int(first), int(last) + 1), _ns(table, "window_s"),
        _ns(table, "complaint_s"), _ns(table, "branch_s"),
        table.whole("least", 2, _MOST_FAULTS), _texts(table, "cautions"),
        Advice(
            _sentence(missing, "sentence", _COUNTED | {"node"}), _texts(missing, "tests"),
            _sentence(missing, "sentence_named", {"count", "node"}),
            _sentence(missing, "sentence_unseen", _UNSEEN | {"node"}),
        ),
        Advice(_sentence(bus, "sentence", _COUNTED), _texts(bus, "tests")),
        Advice(_sentence(received, "sentence", _COUNTED | {"node"}), _texts(received, "tests")),
    )
    for part in (missing, bus, received, table):
        part.close()
    return rules


def _consequence(table: Table) -> ConsequenceRules:
    rules = ConsequenceRules(
        _spns(table, "spns"), _fmis(table, "fmis"), _spns(table, "own_spns"), _ns(table, "follows_s"),
        _ns(table, "condition_follows_s"), _fmis(table, "echo_fmis"), _ns(table, "echo_s"), _ns(table, "echo_early_s"),
        _sentence(table, "sentence", {"followers", "leading", "within"}),
        _sentence(table, "sentence_condition", {"followers", "leading", "within"}),
        _sentence(table, "sentence_unseen", {"followers", "leading", "when"}), _texts(table, "cautions"),
        _texts(table, "tests"),
    )
    table.close()
    return rules


def _ns(table: Table, key: str) -> int:
    return round(table.number(key, 0, _LONGEST_S) * _NS_PER_S)


def _fmis(table: Table, key: str) -> frozenset[int]:
    return frozenset(table.wholes(key, 0, _HIGHEST_FMI, least=1))


def _spns(table: Table, key: str) -> frozenset[int]:
    return frozenset(spn for part in table.spns(key, least=1) for spn in part)


def _texts(table: Table, key: str) -> tuple[str, ...]:
    return table.texts(key, most=_MOST_TEXTS, least=1)


def _sentence(table: Table, key: str, placeholders: Collection[str]) -> str:
    text = table.text(key)
    allowed = f"a text whose placeholders are among {{{'}, {'.join(sorted(placeholders))}}}"
    try:
        used = [part for part in Formatter().parse(text) if part[1] is not None]
    except ValueError:
        table.refuse(key, allowed)
    if any(name not in placeholders or form or convert for _, name, form, convert in used):
        table.refuse(key, allowed)
    return text
