"""What came of one question to one controller."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from faultlamp.asking.plan import Question
from faultlamp.j1939.diagnostics import CURRENT_METHOD
from faultlamp.j1939.readings import Layouts, Reading, decode
from faultlamp.j1939.reports.clear_code import CLEAR_CODE_PGN, ClearAnswer, decode_clear_answer
from faultlamp.j1939.reports.groups import GROUPS, Report
from faultlamp.j1939.reports.identity import COMPONENT_PGN, ECU_PGN, SOFTWARE_PGN, VIN_PGN

_TEXT_PGNS = frozenset({COMPONENT_PGN, ECU_PGN, SOFTWARE_PGN, VIN_PGN})

Decoded = Report | ClearAnswer | tuple[Reading, ...]


class Outcome(StrEnum):
    """How a question ended."""

    ANSWERED = "answered"
    ACKNOWLEDGED = "acknowledged"
    UNREADABLE = "unreadable"
    REFUSED = "refused"
    ACCESS_DENIED = "access_denied"
    BUSY = "busy"
    NO_ANSWER = "no_answer"
    BROKEN_OFF = "broken_off"

    @property
    def somebody_spoke(self) -> bool:
        """Whether the controller said anything at all about it."""
        return self is not Outcome.NO_ANSWER


@dataclass(frozen=True, slots=True)
class Result:
    """One controller, one question.

    time_ns: when it was settled. tries: how many times it was asked. payload: the answer's bytes, None without one.
    report: the answer decoded, None where it cannot be or nobody knows how. words: what else there is to say.
    """

    address: int
    question: Question
    outcome: Outcome
    time_ns: int
    tries: int
    payload: bytes | None = None
    report: Decoded | None = None
    words: str = ""


def read_answer(
    question: Question, payload: bytes, layouts: Layouts | None, method: int = CURRENT_METHOD
) -> tuple[Outcome, Decoded | None, str]:
    """What an answer says: the outcome, the decoded message and words for what is wrong with it.

    method: how to read the SPN of codes whose CM bit is 1 (1 to 4, see `diagnostics.decode_dtc`).
    """
    if question.pgn == CLEAR_CODE_PGN and question.is_command:
        answer = decode_clear_answer(payload)
        if answer is None:
            return Outcome.UNREADABLE, None, _size(payload)
        if answer.done:
            return Outcome.ACKNOWLEDGED, answer, ""
        return (Outcome.ACCESS_DENIED if answer.reason == 1 else Outcome.REFUSED), answer, answer.words
    group = GROUPS.get(question.pgn)
    if group is not None:
        report = group.decode(payload, method)
        if report is None:
            return Outcome.UNREADABLE, None, _blank(question.pgn, payload) or _size(payload)
        return Outcome.ANSWERED, report, ""
    layout = None if layouts is None else layouts.groups.get(question.pgn)
    return Outcome.ANSWERED, None if layout is None else tuple(decode(layout, payload)), ""


def _blank(pgn: int, payload: bytes) -> str:
    """Words for texts that nobody ever wrote: stars alone, or what erased memory holds."""
    texts = payload[1:] if pgn == SOFTWARE_PGN else payload
    return "blank: no text is stored" if pgn in _TEXT_PGNS and not texts.strip(b"* \x00\xff") else ""


def _size(payload: bytes) -> str:
    return f"{len(payload)} bytes that do not fit the group's layout"
