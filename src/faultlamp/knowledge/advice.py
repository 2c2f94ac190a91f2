"""What usually lies behind a failure mode and how to test it: the knowledge files, checked and put together.

Rule: all of it is data (TOML, docs/explaining.md has the schema) and common practice without a source; the maker's
manual decides. A failure family covers some of the 32 failure modes of SAE J1939-73, appendix A (section from memory),
each mode exactly once. A component family (how a part is built) and a system (what it measures) cover suspect
parameters and may put causes and steps of their own in the place of the failure family's. The system's come first,
then the component's, then the failure family's.

The files refuse a step whose words ask for a caution that it does not carry.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

from faultlamp.knowledge.toml_tables import Table, read_toml

SOURCE = "common practice, no source"

_DATA = os.path.join(os.path.dirname(__file__), "data")
_FMIS = range(32)
_MOST_FAMILIES = 500
_MOST_STEPS = 2000
_MOST_CAUTIONS = 100
_MOST_CAUSES = 12
_MOST_STEPS_OF_ONE = 20
# Two lines of the narrowest page.
_LONGEST = 170


@dataclass(frozen=True, slots=True)
class Caution:
    """What to heed, the expression for the words of a step that ask for it, and the cautions that it stands for too."""

    text: str
    needed_for: re.Pattern[str]
    covers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """One test: `cautions` before it, what to do, `tool` if any, what good looks like, what it means `otherwise`."""

    key: str
    do: str
    good: str
    tool: str | None
    otherwise: str | None
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Course:
    """Usual causes, the likeliest first, and test steps in the order of doing."""

    causes: tuple[str, ...]
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class FailureFamily:
    """Failure modes that are tested alike; `notes` says what one of them means beyond that."""

    key: str
    title: str
    summary: str
    fmis: tuple[int, ...]
    notes: Mapping[int, str]
    course: Course


@dataclass(frozen=True, slots=True)
class PartFamily:
    """Suspect parameters of one kind, and their courses by the key of the failure family.

    `cautions` hold for whatever is done there.
    """

    key: str
    title: str
    about: str
    cautions: tuple[str, ...]
    spns: tuple[range, ...]
    courses: Mapping[str, Course]

    def covers(self, spn: int) -> bool:
        """Whether the parameter is one of them."""
        return any(spn in some for some in self.spns)


@dataclass(frozen=True, slots=True)
class Advice:
    """All knowledge files together."""

    failures: tuple[FailureFamily, ...]
    components: tuple[PartFamily, ...]
    systems: tuple[PartFamily, ...]

    def failure(self, fmi: int) -> FailureFamily:
        """The family of a failure mode, 0 to 31. Raises ValueError outside that."""
        for family in self.failures:
            if fmi in family.fmis:
                return family
        raise ValueError(f"FMI {fmi} is outside 0..31")

    def component(self, spn: int) -> PartFamily | None:
        """How the part behind the parameter is built, None when nobody wrote it down."""
        return next((family for family in self.components if family.covers(spn)), None)

    def system(self, spn: int) -> PartFamily | None:
        """What the parameter measures or controls, None when nobody wrote it down."""
        return next((family for family in self.systems if family.covers(spn)), None)

    def course(self, spn: int, fmi: int) -> Course:
        """Causes and steps for the pair: the system's, else the component's, else the failure family's."""
        failure = self.failure(fmi)
        for family in (self.system(spn), self.component(spn)):
            if family is not None and failure.key in family.courses:
                return family.courses[failure.key]
        return failure.course


@cache
def shipped_advice() -> Advice:
    """The knowledge that comes with faultlamp; read once."""
    return load_advice(_DATA)


def load_advice(folder: str | os.PathLike[str]) -> Advice:
    """Read and check the five files of a folder. Raises DataFileError that names file, table and key."""
    cautions = _cautions(_open(folder, "cautions.toml"))
    steps_file = _open(folder, "test_steps.toml")
    steps = _steps(steps_file, cautions)
    used: set[str] = set()
    failures = _failures(_open(folder, "failure_families.toml"), steps, used)
    keys = [family.key for family in failures]
    components = _parts(_open(folder, "component_families.toml"), keys, cautions, steps, used)
    systems = _parts(_open(folder, "systems.toml"), keys, cautions, steps, used)
    for key in steps:
        if key not in used:
            steps_file.fail(f"the step {key} is used in no family; use it or take it out")
    return Advice(failures, components, systems)


def _open(folder: str | os.PathLike[str], name: str) -> Table:
    """The file's top level, its head checked."""
    top = read_toml(os.path.join(folder, name))
    top.whole("schema", 1, 1)
    top.text("source")
    return top


def _cautions(top: Table) -> dict[str, Caution]:
    cautions: dict[str, Caution] = {}
    for table in top.tables("caution", _MOST_CAUTIONS, least=1):
        key = _new_key(table, cautions)
        text = table.text("text", longest=_LONGEST)
        words = table.texts("needed_for", most=20, least=1)
        try:
            needed_for = re.compile("|".join(f"(?:{word})" for word in words), re.IGNORECASE)
        except re.error as error:
            table.refuse("needed_for", f"regular expressions; {error}")
        # A caution may cover those that stand above it in the file.
        cautions[key] = Caution(text, needed_for, table.choices("covers", tuple(cautions)))
        table.close()
    top.close()
    return cautions


def _steps(top: Table, cautions: Mapping[str, Caution]) -> dict[str, Step]:
    steps: dict[str, Step] = {}
    for table in top.tables("step", _MOST_STEPS, least=1):
        key = _new_key(table, steps)
        carried = table.choices("cautions", cautions)
        do, good = table.text("do", longest=_LONGEST), table.text("good", longest=_LONGEST)
        tool = table.optional_text("tool", longest=100)
        otherwise = table.optional_text("otherwise", longest=_LONGEST)
        table.close()
        covered = {*carried, *(other for name in carried for other in cautions[name].covers)}
        for name, caution in cautions.items():
            found = None if name in covered else caution.needed_for.search(f"{do}\n{otherwise or ''}")
            if found:
                table.fail(f"the step {key} says {found[0]!r}, so cautions must have {name}")
        steps[key] = Step(key, do, good, tool, otherwise, tuple(cautions[name].text for name in carried))
    top.close()
    return steps


def _failures(top: Table, steps: Mapping[str, Step], used: set[str]) -> tuple[FailureFamily, ...]:
    families: dict[str, FailureFamily] = {}
    owner: dict[int, str] = {}
    for table in top.tables("family", _MOST_FAMILIES, least=1):
        key = _new_key(table, families)
        title, summary = table.text("title", longest=70), table.text("summary", longest=_LONGEST)
        fmis = table.wholes("fmis", _FMIS[0], _FMIS[-1], least=1)
        for fmi in fmis:
            if fmi in owner:
                table.fail(f"fmis has {fmi}, which belongs to {owner[fmi]} already; allowed: each FMI once")
            owner[fmi] = key
        course = _course(table, steps, used)
        notes: dict[int, str] = {}
        for note in table.tables("note", len(_FMIS)):
            fmi = note.whole("fmi", _FMIS[0], _FMIS[-1])
            if fmi not in fmis or fmi in notes:
                note.refuse("fmi", f"one of this family's, each once: {', '.join(map(str, fmis))}")
            notes[fmi] = note.text("text", longest=_LONGEST)
            note.close()
        table.close()
        families[key] = FailureFamily(key, title, summary, fmis, notes, course)
    missing = [str(fmi) for fmi in _FMIS if fmi not in owner]
    if missing:
        top.fail(f"no family has FMI {', '.join(missing)}; allowed: each of 0 to 31 in one family")
    top.close()
    return tuple(families.values())


def _parts(
    top: Table, failures: list[str], cautions: Mapping[str, Caution], steps: Mapping[str, Step], used: set[str]
) -> tuple[PartFamily, ...]:
    families: dict[str, PartFamily] = {}
    owned: list[tuple[range, str]] = []
    for table in top.tables("family", _MOST_FAMILIES, least=1):
        key = _new_key(table, families)
        title, about = table.text("title", longest=70), table.text("about", longest=_LONGEST)
        carried = tuple(cautions[name].text for name in table.choices("cautions", cautions))
        spns = table.spns("spns", least=1)
        owned += [(mine, key) for mine in spns]
        courses: dict[str, Course] = {}
        for refine in table.tables("refine", len(failures), least=1):
            names = refine.choices("failures", failures, least=1)
            course = _course(refine, steps, used)
            for name in names:
                if name in courses:
                    refine.fail(f"failures has {name}, which this family has already; allowed: each once")
                courses[name] = course
            refine.close()
        table.close()
        families[key] = PartFamily(key, title, about, carried, spns, courses)
    owned.sort(key=lambda item: item[0].start)
    for (before, owner), (after, other) in pairwise(owned):
        if after.start < before.stop:
            top.fail(f"spns of {other} has {after.start}, which {owner} has too; allowed: each SPN once")
    top.close()
    return tuple(families.values())


def _course(table: Table, steps: Mapping[str, Step], used: set[str]) -> Course:
    causes = table.texts("causes", most=_MOST_CAUSES, least=1, longest=_LONGEST)
    names = table.texts("steps", most=_MOST_STEPS_OF_ONE, least=1)
    for name in names:
        if name not in steps:
            table.fail(f"steps has {name!r}, which test_steps.toml does not have")
    used.update(names)
    return Course(causes, tuple(steps[name] for name in names))


def _new_key(table: Table, there: Mapping[str, object]) -> str:
    key = table.name("key")
    if key in there:
        table.fail(f"key = {key!r} is there already; allowed: each key once")
    return key
