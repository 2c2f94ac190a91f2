"""What each kind of question asks for.

Rule: SAE J1939-21, section 5.4.2: a group is asked for with a request. SAE J1939-73, sections 5.7.3, 5.7.7, 5.7.11 and
5.7.22 (from memory): DM3 and DM11 are requests that are carried out and acknowledged, DM7 and DM22 are messages of
their own to one controller.
"""

from __future__ import annotations

from dataclasses import dataclass

from faultlamp.j1939.reports.clear_code import CLEAR_CODE_PGN, decode_clear_answer, encode_clear
from faultlamp.j1939.reports.groups import DM1_PGN, DM2_PGN, GROUPS, HOURS_PGN, NAME_PGN
from faultlamp.j1939.reports.identity import CALIBRATION_PGN, COMPONENT_PGN, ECU_PGN, SOFTWARE_PGN, VIN_PGN
from faultlamp.j1939.reports.readiness import (
    CODE_COUNTS_PGN,
    PERFORMANCE_PGN,
    READINESS_1_PGN,
    READINESS_2_PGN,
    READINESS_3_PGN,
)
from faultlamp.j1939.reports.scaled_tests import (
    TEST_COMMAND_PGN,
    TEST_RESULTS_PGN,
    ask_results,
    decode_test_results,
)
from faultlamp.j1939.requests import REQUEST_PGN, encode_request

DM3_PGN = 65228
DM11_PGN = 65235
COMMANDS = {DM3_PGN: "DM3", DM11_PGN: "DM11"}
"""Groups whose request is carried out at once: it clears codes, so it is no question."""

_TESTS_SUPPORTED_PGN = 65234
_FREEZE_FRAME = (65229,)
_EXPANDED_FREEZE_FRAME = (64950, 64951)
_READINESS = (READINESS_1_PGN, READINESS_2_PGN, READINESS_3_PGN, PERFORMANCE_PGN)
_IDENTITY = (NAME_PGN, VIN_PGN, COMPONENT_PGN, SOFTWARE_PGN, ECU_PGN, CALIBRATION_PGN, HOURS_PGN)
_CODES = (DM1_PGN, DM2_PGN, 65231, 64898, 65236, 64949, 64896)

WANTED = {
    "stored": (DM2_PGN,),
    "freeze-frame": _FREEZE_FRAME,
    "expanded-freeze-frame": _EXPANDED_FREEZE_FRAME,
    "readiness": _READINESS,
    "pending": (65231, 64898),
    "emissions": (65236, 64949),
    "permanent": (64896,),
    "counts": (CODE_COUNTS_PGN,),
    "test-results": (_TESTS_SUPPORTED_PGN, 64950),
    "identity": _IDENTITY,
    "all": (
        *_IDENTITY, *_CODES, *_FREEZE_FRAME, *_EXPANDED_FREEZE_FRAME, *_READINESS, CODE_COUNTS_PGN,
        _TESTS_SUPPORTED_PGN,
    ),
}
"""Groups in the order in which they are asked for."""

WITH_TEST_RESULTS = frozenset({"test-results", "all"})
"""Here DM24 leads to a question for each parameter that has test results."""

_OTHER_TITLES = {
    HOURS_PGN: ("hours", "engine hours"), _TESTS_SUPPORTED_PGN: ("DM10", "supported test identifiers"),
    DM3_PGN: ("DM3", "clear previously active codes"), DM11_PGN: ("DM11", "clear active codes"),
}


@dataclass(frozen=True, slots=True)
class Question:
    """One message to one controller, and what answers it.

    key: short name. title: what it is about. pgn: group of the answer. sent_pgn, sent: the message that asks.
    is_command: it changes something, and an acknowledgement, or DM22's own answer, is what answers it.
    spn, fmi: which parameter or code, where the group has an answer for each.
    """

    key: str
    title: str
    pgn: int
    sent_pgn: int
    sent: bytes
    is_command: bool = False
    spn: int | None = None
    fmi: int | None = None

    def is_answered_by(self, payload: bytes) -> bool:
        """Whether a message of the answer's group is about this question."""
        if self.spn is None:
            return not self.is_command
        if self.is_command:
            answer = decode_clear_answer(payload)
            return answer is not None and (answer.spn, answer.fmi, encode_clear(
                answer.spn, answer.fmi, active=answer.active)) == (self.spn, self.fmi, self.sent)
        found = decode_test_results(payload)
        # What cannot be read is an answer too, only not a readable one.
        return found is None or any(result.spn == self.spn for result in found.results)


def request(pgn: int) -> Question:
    """The question for a group. Raises ValueError for a number that is no group's, and for a command."""
    if pgn in COMMANDS:
        raise ValueError(f"a request for {COMMANDS[pgn]} ({pgn}) clears codes")
    return Question(*_title(pgn), pgn, REQUEST_PGN, encode_request(pgn))


def wanted(what: str) -> tuple[Question, ...]:
    """The questions of a kind. Raises KeyError for a kind that WANTED does not know."""
    return tuple(request(pgn) for pgn in WANTED[what])


def results_of(spn: int) -> Question:
    """The question for the test results of a parameter: DM7 with the identifier that starts no test."""
    return Question("DM30", "test results", TEST_RESULTS_PGN, TEST_COMMAND_PGN, ask_results(spn), spn=spn)


def clear_group(pgn: int) -> Question:
    """The command DM3 or DM11."""
    return Question(*_title(pgn), pgn, REQUEST_PGN, encode_request(pgn), is_command=True)


def clear_code(spn: int, fmi: int, *, active: bool) -> Question:
    """The command DM22 for an active or a previously active code. Raises ValueError for a code that cannot be."""
    title = f"clear {'active' if active else 'previously active'} code"
    return Question(
        "DM22", title, CLEAR_CODE_PGN, CLEAR_CODE_PGN, encode_clear(spn, fmi, active=active), True, spn, fmi
    )


def _title(pgn: int) -> tuple[str, str]:
    if pgn in GROUPS:
        return GROUPS[pgn].key, GROUPS[pgn].title
    return _OTHER_TITLES.get(pgn, (f"PGN {pgn}", "parameter group"))


READ_BACK = (request(DM1_PGN), request(DM2_PGN))
"""What is asked for after clearing."""
