"""Results of self-tests: what DM7 asks for and DM30 answers.

Rule: SAE J1939-73, sections 5.7.7 and 5.7.30 (layouts and identifier 247 from memory).

    DM7   1 test identifier | 2-4 SPN and FMI | 5-8 FF
    DM30  each result, 12 bytes: 1 test identifier | 2-4 SPN and FMI | 5-6 scaling | 7-8 value | 9-10 highest allowed
          | 11-12 lowest allowed

Identifier 247 asks for the results that are there, FMI 31 for all those of an SPN; it starts no test. Others may
start one, which moves parts, so nothing here makes them. Values are raw: their scaling is a number of the standard's
table, which is not public.
"""

from __future__ import annotations

from dataclasses import dataclass

TEST_COMMAND_PGN = 58112
TEST_RESULTS_PGN = 41984

REPORT_RESULTS = 247
_ALL_FMIS = 31
_RESULT_BYTES = 12
_HIGHEST_RAW = 0xFAFF


@dataclass(frozen=True, slots=True)
class TestResult:
    """One result in raw numbers; None where the controller gives none. scaling: the standard's number of it."""

    __test__ = False  # pytest would take it for a test

    test_identifier: int
    spn: int
    fmi: int
    scaling: int
    value: int | None
    highest: int | None
    lowest: int | None
    complete: bool

    @property
    def passed(self) -> bool | None:
        """Whether the value is within its limits; None when the test is not complete or there is no limit."""
        if not self.complete or self.value is None or (self.highest is None and self.lowest is None):
            return None
        return (self.lowest is None or self.value >= self.lowest) and (
            self.highest is None or self.value <= self.highest
        )


@dataclass(frozen=True, slots=True)
class TestResults:
    """DM30."""

    __test__ = False

    results: tuple[TestResult, ...]


def ask_results(spn: int) -> bytes:
    """The DM7 that asks for all results of an SPN. Raises ValueError for an SPN above 524287."""
    if not 0 <= spn < 1 << 19:
        raise ValueError(f"SPN {spn} is outside 0..524287")
    return bytes((REPORT_RESULTS, spn & 0xFF, spn >> 8 & 0xFF, spn >> 16 << 5 | _ALL_FMIS)) + b"\xff" * 4


def decode_test_results(payload: bytes) -> TestResults | None:
    """DM30; None unless it is whole results."""
    if not payload or len(payload) % _RESULT_BYTES:
        return None
    return TestResults(
        tuple(_result(payload[at : at + _RESULT_BYTES]) for at in range(0, len(payload), _RESULT_BYTES))
    )


def _result(twelve: bytes) -> TestResult:
    scaling, value, highest, lowest = (int.from_bytes(twelve[at : at + 2], "little") for at in (4, 6, 8, 10))
    return TestResult(
        test_identifier=twelve[0], spn=twelve[1] | twelve[2] << 8 | twelve[3] >> 5 << 16, fmi=twelve[3] & 0x1F,
        scaling=scaling, value=_valid(value), highest=_valid(highest), lowest=_valid(lowest),
        complete=_valid(value) is not None,
    )


def _valid(raw: int) -> int | None:
    """The number; None above FAFF, where it says 'not complete' (FB00), 'error' or 'not available'."""
    return raw if raw <= _HIGHEST_RAW else None
