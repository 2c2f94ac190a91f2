"""Whatever a bus sends, asking ends, and what is shown of it is harmless."""

from __future__ import annotations

import json
import random
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.asking.clearing import Clearing, Stage
from faultlamp.asking.document import clearing_document, intake_document
from faultlamp.asking.intake import ANSWER_NS, Intake
from faultlamp.asking.plan import wanted
from faultlamp.asking.results import Outcome
from faultlamp.asking.verdicts import Command, Kind
from faultlamp.asking.words import controller_lines, title
from faultlamp.frames import Frame
from faultlamp.j1939.identifier import build_identifier
from faultlamp.j1939.participant import Participant
from faultlamp.j1939.participant.events import Message
from faultlamp.j1939.reports.groups import GROUPS
from faultlamp.j1939.segmentation import data_packets, request_to_send
from faultlamp.knowledge.layouts import load_layouts
from support.controllers import MS, SECOND, START_NS, Controller, SimulatedBus, name
from support.hostile import fuzzing

LAYOUTS = load_layouts()
# Controls, formats, surrogates, private use, unassigned, separators: Unicode Standard, section 4.5, general category.
_UNSAFE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
GROUPS_ASKED = [question.pgn for question in wanted("all")]


def rubbish(rng: random.Random) -> tuple[int, bytes]:
    """A frame of a controller that is asked, or of nobody, in which anything may be a lie."""
    source = rng.choice((0, 3, 249, 254, 255, rng.randrange(256)))
    destination = rng.choice((249, 255, rng.randrange(256)))
    pgn = rng.choice((*GROUPS_ASKED, 0xE800, 0xEA00, 0xEE00, 0xEC00, 0xEB00, 0xC800, 0xC700, 41984, 49920))
    data = rng.randbytes(rng.choice((0, 3, 8, 8, 8)))
    kind = rng.randrange(5)
    if kind == 0:
        about = rng.choice(GROUPS_ASKED).to_bytes(3, "little")
        pgn, data = 0xE800, bytes((rng.randrange(5), 255, 255, 255, 249)) + about
    elif kind == 1:
        pgn, data = 0xEC00, request_to_send(rng.choice((9, 20, 1785)), rng.choice(GROUPS_ASKED))
    elif kind == 2:
        pgn, data = 0xEB00, data_packets(rng.randbytes(20), rng.randrange(1, 4), 1)[0]
    elif kind == 3:
        pgn = rng.choice((65226, 65227, 60928))
    return build_identifier(6, pgn if pgn & 0xFF00 >= 0xF000 else pgn & 0x3FF00, source, destination), data


def check_documents(document: list[dict[str, object]]) -> None:
    """It is JSON, and no line of the page has a control character."""
    json.dumps(document)
    for controller in document:
        for text in (title(controller), *(line for _, line in controller_lines(controller))):
            assert {unicodedata.category(char) for char in text} & _UNSAFE == set()


@fuzzing
@given(st.integers(0, 1 << 32))
def test_asking_among_rubbish_ends(seed: int) -> None:
    """Random answers, refusals, claims and transfers: no exception, every question is settled."""
    rng = random.Random(seed)
    asking = Intake(
        Participant(name(500, 129), 249), wanted("all"), [0, 3], layouts=LAYOUTS, test_results=True, answer_ns=50 * MS
    )
    now_ns = START_NS
    asking.start(now_ns)
    for _ in range(40_000):
        if asking.done:
            break
        now_ns += rng.choice((MS // 10, MS, 20 * MS))
        if rng.random() < 0.6:
            can_id, data = rubbish(rng)
            asking.feed(Frame(now_ns, "can0", can_id, data))
        asking.advance(now_ns)
        for can_id, data in asking.outgoing(now_ns):
            assert len(data) <= 8
            assert can_id < 1 << 29
    assert asking.done
    assert asking.trouble is not None or asking.progress[0] == asking.progress[1]
    check_documents(intake_document(asking, LAYOUTS))


@fuzzing
@given(st.integers(0, 1 << 32))
def test_clearing_among_rubbish_ends(seed: int) -> None:
    """A clearing in the same noise comes to its end, and never says 'cleared' without an acknowledgement."""
    rng = random.Random(seed)
    work = Clearing(
        Participant(name(500, 129), 249), Command(Kind.ALL), [0], answer_ns=50 * MS, although_engine_may_run=True,
        although_machine_may_move=True,
    )
    now_ns = START_NS
    work.start(now_ns)
    for _ in range(40_000):
        if work.done:
            break
        now_ns += rng.choice((MS // 10, MS, 20 * MS))
        if rng.random() < 0.6:
            work.feed(Frame(now_ns, "can0", *rubbish(rng)))
        work.advance(now_ns)
        work.outgoing(now_ns)
        if work.stage is Stage.WAITING:
            work.go(now_ns)
    assert work.done
    json.dumps(clearing_document(work))
    if any(judgement.verdict == "cleared" for judgement in work.judgements):
        assert work.commands is not None
        assert {result.outcome for result in work.commands.results.values()} == {Outcome.ACKNOWLEDGED}


@given(st.sampled_from(sorted(GROUPS)), st.binary(min_size=1, max_size=80))
def test_any_answer_can_be_shown(pgn: int, payload: bytes) -> None:
    """Every group's decoded message, whatever its bytes, becomes JSON and lines of plain text."""

    def answer(controller: Controller, message: Message, group: int) -> None:
        controller.send(message.time_ns, group, message.source, payload)

    asking = Intake(
        Participant(name(500, 129), 249), [q for q in wanted("all") if q.pgn in (64950, pgn)], [0], layouts=LAYOUTS,
        answer_ns=ANSWER_NS,
    )
    supported = bytes.fromhex("5C001C01 BE001802 02001802")
    engine = Controller(0, {64950: supported} | ({} if pgn == 60928 else {pgn: answer}))
    bus = SimulatedBus(asking, [engine])
    asking.start(bus.now_ns)
    bus.run(lambda: asking.done, 60 * SECOND)
    check_documents(intake_document(asking, LAYOUTS))


@pytest.mark.parametrize("source", [254, 255])
def test_addresses_that_are_nobodys_are_no_targets(source: int) -> None:
    """254 is 'no address yet' and 255 everybody (SAE J1939-81): neither is asked."""
    asking = Intake(Participant(name(500, 129), 249), wanted("stored"))
    bus = SimulatedBus(asking, [])
    asking.start(bus.now_ns)
    asking.feed(Frame(bus.now_ns, "can0", build_identifier(6, 65226, source), bytes(8)))
    bus.run(lambda: asking.done)
    assert asking.targets == ()
