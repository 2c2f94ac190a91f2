"""One code explained: what it means, what usually causes it, what to test in which order, the maker's own codes.

Rule: pure putting together of what is known; whoever shows it, on a page or as JSON, adds nothing. Names and failure
modes are those of SAE J1939-71 and J1939-73; causes and steps are common practice without a source, and CLOSING ends
every explanation. An unknown parameter still gets the meaning, causes and steps of its failure mode.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from faultlamp.j1939.diagnostics import Lamp, is_no_fault
from faultlamp.knowledge.addresses import address_name
from faultlamp.knowledge.advice import SOURCE, Advice, FailureFamily, PartFamily, Step, shipped_advice
from faultlamp.knowledge.crosswalk import LAMP_WORDS, Crosswalk, RankedRow
from faultlamp.knowledge.names import fmi_meaning, is_maker_specific
from faultlamp.knowledge.spn_table import SpnNames

CLOSING = "Common practice, no source: the maker's manual decides."
NO_FAULT = "This is how a controller says that it has no fault; there is nothing to explain."

_LAST_SPN, _LAST_FMI = 524287, 31
_FIRST_NODE, _LAST_NODE = 2000, 2253


@dataclass(frozen=True, slots=True)
class Explanation:
    """Everything about a pair of SPN and FMI. `lamps` is None when it is not known which are asked for.

    `name` is None where no table knows the parameter; `name_note` then says why, and where to find it.
    `codes` are the crosswalk's rows, best first; `codes_note` says in a sentence how they are ranked, '' without a
    crosswalk.
    """

    spn: int
    fmi: int
    name: str | None
    name_note: str
    meaning: str
    failure: FailureFamily
    component: PartFamily | None
    system: PartFamily | None
    causes: tuple[str, ...]
    steps: tuple[Step, ...]
    lamps: tuple[Lamp, ...] | None
    codes: tuple[RankedRow, ...]
    codes_note: str

    @property
    def note(self) -> str | None:
        """What this failure mode means beyond its family, for instance how severe it is."""
        return self.failure.notes.get(self.fmi)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to heed before anything is done there, each once; the steps carry their own."""
        families = (self.system, self.component)
        return tuple(dict.fromkeys(text for family in families if family is not None for text in family.cautions))

    @property
    def parts(self) -> tuple[PartFamily, ...]:
        """What to say of it before the causes: the system where it matters here, then how the part is built."""
        system = self.system if self.system is not None and self.failure.key in self.system.courses else None
        return tuple(family for family in (system, self.component) if family is not None)


def explanation(
    spn: int,
    fmi: int,
    lamps: Collection[Lamp] | None = None,
    *,
    names: SpnNames | None = None,
    crosswalk: Crosswalk | None = None,
    advice: Advice | None = None,
) -> Explanation:
    """The explanation of a pair; without `advice` from the knowledge that is shipped.

    Raises ValueError for numbers that no code can have, and for the two pairs that mean 'no fault'.
    """
    check_pair(spn, fmi)
    if is_no_fault(spn, fmi):
        raise ValueError(f"SPN {spn} FMI {fmi}: {NO_FAULT}")
    names = SpnNames() if names is None else names
    advice = shipped_advice() if advice is None else advice
    course = advice.course(spn, fmi)
    codes = () if crosswalk is None else crosswalk.look_up(spn, fmi, lamps)
    name = names.name(spn)
    return Explanation(
        spn=spn, fmi=fmi, name=name, name_note=_name_note(spn, name, own=spn in names.own), meaning=fmi_meaning(fmi),
        failure=advice.failure(fmi), component=advice.component(spn), system=advice.system(spn),
        causes=course.causes, steps=course.steps,
        lamps=None if lamps is None else tuple(lamp for lamp in LAMP_WORDS if lamp in lamps),
        codes=codes, codes_note="" if crosswalk is None else _codes_note(crosswalk, codes, lamps),
    )


def check_pair(spn: int, fmi: int) -> None:
    """Raise ValueError for numbers that do not fit into a code: SPN 19 bits, FMI 5 bits (SAE J1939-73, 5.7.1)."""
    if not 0 <= spn <= _LAST_SPN:
        raise ValueError(f"SPN {spn} is outside 0..{_LAST_SPN}")
    if not 0 <= fmi <= _LAST_FMI:
        raise ValueError(f"FMI {fmi} is outside 0..{_LAST_FMI}")


def document(explained: Explanation) -> dict[str, Any]:
    """The explanation as an object for JSON; docs/explaining.md describes it."""
    return {
        "spn": explained.spn,
        "fmi": explained.fmi,
        "spn_name": explained.name,
        "spn_note": explained.name_note or None,
        "fmi_meaning": explained.meaning,
        "failure": {"key": explained.failure.key, "title": explained.failure.title,
                    "summary": explained.failure.summary, "note": explained.note},
        "component": _part(explained.component),
        "system": _part(explained.system),
        "causes": list(explained.causes),
        "cautions": list(explained.cautions),
        "steps": [
            {"number": number, "cautions": list(step.cautions), "do": step.do, "tool": step.tool, "good": step.good,
             "otherwise": step.otherwise}
            for number, step in enumerate(explained.steps, 1)
        ],
        "lamps": None if explained.lamps is None else [str(lamp) for lamp in explained.lamps],
        "codes": [
            {"rank": ranked.rank, "reason": ranked.reason, "lamp": ranked.row.lamp and str(ranked.row.lamp),
             "code": ranked.row.code, "title": ranked.row.title, "link": ranked.row.link or None,
             "clears_after": ranked.row.clears_after or None, "line": ranked.row.line}
            for ranked in explained.codes
        ],
        "codes_note": explained.codes_note or None,
        "source": SOURCE,
        "closing": CLOSING,
    }


def _part(family: PartFamily | None) -> dict[str, str] | None:
    return None if family is None else {"key": family.key, "title": family.title, "about": family.about}


def _name_note(spn: int, name: str | None, *, own: bool) -> str:
    if own:
        return "The name comes from your own table."
    if _FIRST_NODE <= spn <= _LAST_NODE:
        address = spn - _FIRST_NODE
        usual = address_name(address)
        return f"The controller with source address {address}" + (f", usually: {usual}." if usual else ".")
    if name is not None:
        return ""
    if is_maker_specific(spn):
        return (
            "Each maker gives this number a meaning of its own, so no public table can know it. "
            "Its manual does; a table of your own (--spn-table) teaches it to faultlamp."
        )
    return (
        "faultlamp's table does not know this number. It may be in a newer issue of the standard; "
        "a table of your own (--spn-table) teaches it to faultlamp."
    )


def _codes_note(crosswalk: Crosswalk, codes: tuple[RankedRow, ...], lamps: Collection[Lamp] | None) -> str:
    if not codes:
        return f"{crosswalk.file} has no row for this SPN and FMI."
    if codes[0].rank is not None:
        return "Ranked by the lamps asked for. They stand for all codes of that controller together: a hint, no proof."
    if lamps is None:
        return "Not ranked: which lamp the controller asks for is not known (--lamp)."
    return "Not ranked: no row is for a lamp that is asked for."
