"""What stands on a job's paper, as plain data: gathered once, then only rendered.

Rule: every text here is for people and not yet made harmless; the page escapes all of it (`report.page`). The same
history gives the same paper, whether it was read from a file or heard by the dashboard.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from faultlamp.findings.check import Check
from faultlamp.history.history import History
from faultlamp.history.latest import LatestValues
from faultlamp.history.nodes import Nodes
from faultlamp.j1939.readings import Layouts
from faultlamp.knowledge.crosswalk import Crosswalk
from faultlamp.knowledge.explanation import Explanation
from faultlamp.knowledge.spn_table import SpnNames
from faultlamp.knowledge.units import System


@dataclass(frozen=True, slots=True)
class Moment:
    """A marked moment with its note."""

    time_ns: int
    note: str


@dataclass(frozen=True, slots=True)
class About:
    """What people say of the job. notes: paragraphs. moments: marks. system: the units that they read."""

    title: str = ""
    technician: str = ""
    customer: str = ""
    notes: Sequence[str] = ()
    moments: Sequence[Moment] = ()
    system: System = System.METRIC


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A recording. sha256: of its bytes as they lie there, None with the reason in `why` where it is not known."""

    name: str
    size_bytes: int | None = None
    sha256: str | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Heard:
    """What there is to report of.

    at_ns: the moment at which it is judged, None without a frame; `history` must have been told of it (`advance`).
    lost_ns: stretches, (start, end), in which a live bus could not be heard. so_far: why this is not all of the job,
    empty when it is. warnings: what the reading of the files had to say.
    """

    history: History
    nodes: Nodes
    latest: LatestValues
    layouts: Layouts
    at_ns: int | None
    names: SpnNames
    crosswalk: Crosswalk | None = None
    files: Sequence[SourceFile] = ()
    bad_lines: int = 0
    lost_ns: Sequence[tuple[int, int]] = ()
    so_far: str = ""
    warnings: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Fact:
    """Something in two columns."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """The sentences at the top. grave: something asks for the red stop lamp. unknown: what cannot be said."""

    shape: str
    sentences: tuple[str, ...]
    grave: bool
    unknown: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LampRow:
    """One lamp of one sender. lit: it is asked to shine at the end. when: when it was asked to."""

    lamp: str
    sender: str
    shape: str
    state: str
    lit: bool
    when: str


@dataclass(frozen=True, slots=True)
class Lane:
    """A fault on the timeline: its row, its bars as an SVG path, the sign at the end of the last one."""

    y: float
    label: str
    words: str
    bars: str
    sign: str
    sign_x: float


@dataclass(frozen=True, slots=True)
class KeyLane:
    """The key of one channel: lines while it was on, thick bars while the engine ran in that cycle."""

    y: float
    label: str
    on: str
    ran: str


@dataclass(frozen=True, slots=True)
class Timeline:
    """The picture. ticks: (x, words). left_out: what found no room, in words. left, right, top, foot: of the plot."""

    width: float
    height: float
    left: float
    right: float
    top: float
    foot: float
    ticks: tuple[tuple[float, str], ...]
    lanes: tuple[Lane, ...]
    keys: tuple[KeyLane, ...]
    left_out: str


@dataclass(frozen=True, slots=True)
class CodeCell:
    """A code of the maker's, from the user's table."""

    code: str
    title: str
    reason: str


@dataclass(frozen=True, slots=True)
class FaultRow:
    """One fault. state: its key (`active`, `silent`, `stored`, `inactive`); shape and words say it to people."""

    channel: str
    source_address: int
    spn: int
    fmi: int
    state: str
    shape: str
    state_words: str
    name: str
    meaning: str
    sender: str
    lamps: str
    count: str
    first: str
    last: str
    spans: tuple[str, ...]
    more_spans: str
    reported_in: str
    codes: tuple[CodeCell, ...]
    more_codes: str


@dataclass(frozen=True, slots=True)
class Cause:
    """Faults with one likely cause."""

    sentence: str
    faults: tuple[str, ...]
    points_to: str
    evidence: str
    cautions: tuple[str, ...]
    tests: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do about one pair of SPN and FMI. about: of whom, and its state. at_length: all steps, not the first."""

    code: str
    about: str
    explained: Explanation
    at_length: bool


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """A reading of one sender. state: a word of its own for each of the five things that it can be at the end."""

    spn: int
    name: str
    sender: str
    unit: str
    last: str
    state: str
    least: str
    greatest: str


@dataclass(frozen=True, slots=True)
class CycleRow:
    """One key cycle."""

    number: int
    channel: str
    start: str
    end: str
    length: str
    ran: str
    speed: str


@dataclass(frozen=True, slots=True)
class NodeRow:
    """Who was heard at an address."""

    address: str
    usual: str
    name: str
    frames: str
    first: str
    last: str
    note: str


@dataclass(frozen=True, slots=True)
class Paper:
    """All of it, in the order of the page. `*_left_out` say in words what found no room."""

    title: str
    job: tuple[Fact, ...]
    machine: tuple[Fact, ...]
    notes: tuple[str, ...]
    moments: tuple[Fact, ...]
    verdict: Verdict
    lamps: tuple[LampRow, ...]
    lamp_note: str
    lamp_check: str
    timeline: Timeline | None
    faults: tuple[FaultRow, ...]
    faults_left_out: str
    with_codes: bool
    causes: tuple[Cause, ...]
    causes_hint: str
    causes_note: str
    checks: tuple[Check, ...]
    checks_notes: tuple[str, ...]
    advice: tuple[Advice, ...]
    advice_left_out: str
    readings: tuple[ReadingRow, ...]
    readings_note: str
    cycles: tuple[CycleRow, ...]
    cycles_note: str
    nodes: tuple[NodeRow, ...]
    nodes_note: str
    provenance: tuple[Fact, ...]
    files: tuple[SourceFile, ...]
    files_left_out: str
