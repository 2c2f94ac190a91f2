"""What a controller replies to a question: data, an acknowledgement, or nothing.

Rule: SAE J1939-21, sections 5.4.2 and 5.4.4 (from memory). Asked alone a controller answers or says why not; asked
together with all others it answers or stays silent. Clearing (SAE J1939-73, sections 5.7.3 and 5.7.11) is acknowledged
to the one that asked alone. DM22 and DM7 are commands to one controller, answered by a message to the one that sent it.
"""

from __future__ import annotations

from dataclasses import dataclass

from faultlamp.j1939.identifier import GLOBAL_ADDRESS, is_addressed
from faultlamp.j1939.requests import ACKNOWLEDGEMENT_PGN, ADDRESS_CLAIMED_PGN, Acknowledgement, Answer
from faultlamp.rig.contents import Contents
from faultlamp.rig.manners import Manner
from faultlamp.rig.memory import Found
from faultlamp.rig.messages import codes, monitors

_NO_GROUP_FUNCTION = 0xFF
_SINGLE_FRAME = 8
_ACKNOWLEDGED = {Manner.REFUSE: Answer.REFUSED, Manner.DENY: Answer.ACCESS_DENIED, Manner.BUSY: Answer.BUSY}


@dataclass(frozen=True, slots=True)
class Question:
    """A group asked for, or a command. asked_by: the asking address, 255 when everybody was asked together."""

    pgn: int
    asked_by: int
    command: bytes = b""


@dataclass(frozen=True, slots=True)
class Reply:
    """A message to send; `manner` says how badly."""

    pgn: int
    destination: int
    payload: bytes
    manner: Manner = Manner.ANSWER


def reply_to(question: Question, manner: Manner, contents: Contents, time_ns: int) -> Reply | None:
    """The reply at that time of the scenario; clearing happens here. None for silence."""
    if manner is Manner.SILENT:
        return None
    if question.pgn == codes.DM22_PGN:
        return _cleared_one(question, manner, contents, time_ns)
    if manner in _ACKNOWLEDGED:
        return _acknowledge(question, _ACKNOWLEDGED[manner])
    if question.pgn in (codes.DM3_PGN, codes.DM11_PGN):
        allowed = contents.may_clear(time_ns)
        if allowed and question.pgn == codes.DM3_PGN:
            contents.memory.clear_stored(time_ns)
        elif allowed:
            contents.memory.clear_all(time_ns)
        return _acknowledge(question, Answer.ACKNOWLEDGED if allowed else Answer.REFUSED)
    if question.pgn == monitors.DM7_PGN:
        pgn, payload = monitors.DM30_PGN, contents.results(question.command)
    else:
        pgn, payload = question.pgn, contents.payload(question.pgn, time_ns)
    if payload is None:
        return _acknowledge(question, Answer.REFUSED)
    return Reply(pgn, _destination(pgn, len(payload), question.asked_by), payload, manner)


def _destination(pgn: int, size: int, asked_by: int) -> int:
    """To the one that asked, unless a single frame of the group always goes to everybody."""
    to_all = pgn == ADDRESS_CLAIMED_PGN or (size <= _SINGLE_FRAME and not is_addressed(pgn))
    return GLOBAL_ADDRESS if to_all else asked_by


def _acknowledge(question: Question, answer: Answer) -> Reply | None:
    if question.asked_by == GLOBAL_ADDRESS:
        return None
    acknowledgement = Acknowledgement(answer, _NO_GROUP_FUNCTION, question.asked_by, question.pgn)
    return Reply(ACKNOWLEDGEMENT_PGN, GLOBAL_ADDRESS, acknowledgement.encode())


def _cleared_one(question: Question, manner: Manner, contents: Contents, time_ns: int) -> Reply | None:
    command = codes.clear_command(question.command)
    if command is None or question.asked_by == GLOBAL_ADDRESS:
        return None
    if manner is Manner.BUSY:
        return _acknowledge(question, Answer.BUSY)
    reason: int | None = None
    if manner is Manner.DENY:
        reason = codes.REFUSED_ACCESS
    elif manner is Manner.REFUSE or not contents.may_clear(time_ns):
        reason = codes.REFUSED_IN_GENERAL
    else:
        found = contents.memory.clear_one(time_ns, command.spn, command.fmi, active=command.active)
        reason = None if found is Found.DONE else found.value
    return Reply(codes.DM22_PGN, question.asked_by, codes.clear_answer(command, reason), manner)
