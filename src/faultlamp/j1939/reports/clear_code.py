"""Clearing one code: DM22, the command and its answer.

Rule: SAE J1939-73, section 5.7.22; layout as public open-source stacks have it.

    1    1 clear this previously active code, 2 done, 3 refused; 17 clear this active code, 18 done, 19 refused
    2    why it was refused: 0 in general, 1 access denied, 2 code unknown, 3 no longer previously active,
         4 no longer active; FF otherwise
    3-5  FF
    6-8  SPN bits 0-7 | SPN bits 8-15 | SPN bits 16-18 and FMI
"""

from __future__ import annotations

from dataclasses import dataclass

CLEAR_CODE_PGN = 49920

_CLEAR = {False: 1, True: 17}
# What an answer's first byte says: active code, done.
_ANSWERS = {2: (False, True), 3: (False, False), 18: (True, True), 19: (True, False)}
_REASONS = {
    0: "no reason given", 1: "access denied", 2: "code unknown", 3: "no longer previously active",
    4: "no longer active",
}
_BYTES = 8


@dataclass(frozen=True, slots=True)
class ClearAnswer:
    """What a controller says to DM22. reason: its number, None when it is done or gives none."""

    spn: int
    fmi: int
    active: bool
    done: bool
    reason: int | None

    @property
    def words(self) -> str:
        """Done, or why not."""
        if self.done:
            return "done"
        return "no reason given" if self.reason is None else _REASONS.get(self.reason, f"reason {self.reason}")


def encode_clear(spn: int, fmi: int, *, active: bool) -> bytes:
    """The command for one code, active or previously active. Raises ValueError for a code that cannot be.

    >>> encode_clear(1234, 31, active=True).hex(" ").upper()
    '11 FF FF FF FF D2 04 1F'
    """
    if not (0 <= spn < 1 << 19 and 0 <= fmi < 32):
        raise ValueError(f"SPN {spn} FMI {fmi} is outside 0..524287 and 0..31")
    return bytes((_CLEAR[active], 0xFF, 0xFF, 0xFF, 0xFF, spn & 0xFF, spn >> 8 & 0xFF, spn >> 16 << 5 | fmi))


def decode_clear_answer(payload: bytes) -> ClearAnswer | None:
    """The answer; None for another length, a command, or anything else."""
    if len(payload) != _BYTES or payload[0] not in _ANSWERS:
        return None
    active, done = _ANSWERS[payload[0]]
    reason = None if done or payload[1] == 0xFF else payload[1]
    return ClearAnswer(
        payload[5] | payload[6] << 8 | payload[7] >> 5 << 16, payload[7] & 0x1F, active, done, reason
    )
