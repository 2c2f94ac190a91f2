"""Asking made-up controllers in simulated time."""

from itertools import pairwise

import pytest

from faultlamp.asking.intake import BUSY_PAUSE_NS, MOST_BUSY, PAUSE_NS, Intake
from faultlamp.asking.pending import MOST_TRIES
from faultlamp.asking.plan import Question, request, results_of, wanted
from faultlamp.asking.results import Outcome, Result, read_answer
from faultlamp.frames import Frame
from faultlamp.j1939.diagnostics import DiagnosticReport
from faultlamp.j1939.identifier import split_identifier
from faultlamp.j1939.participant import Participant
from faultlamp.j1939.participant.events import Message
from faultlamp.j1939.reports.freeze_frames import FreezeFrames
from faultlamp.j1939.reports.identity import Texts
from faultlamp.j1939.requests import REQUEST_PGN, Answer, decode_request
from support.controllers import MS, SECOND, Behaviour, Controller, SimulatedBus, after, in_turn, name, says, silent

DM2 = 65227
VIN = 65260
STORED = request(DM2)
NO_CODES = bytes.fromhex("00FF00000000FFFF")
ONE_CODE = bytes.fromhex("04FF6E000302FFFF")
MANY_CODES = bytes.fromhex("04FF") + b"".join(bytes((spn, 0, 3, 1)) for spn in range(1, 200))


def intake(*questions: Question, targets: list[int] | None = None, number: int = 500, test_results: bool = False,
           ) -> Intake:
    """An intake of a tool that prefers address 249."""
    return Intake(Participant(name(number, 129), 249), questions, targets, test_results=test_results)


def ask(asking: Intake, *controllers: Controller) -> SimulatedBus:
    """Run it to its end."""
    bus = SimulatedBus(asking, controllers)
    asking.start(bus.now_ns)
    bus.run(lambda: asking.done)
    return bus


def only(asking: Intake, address: int = 0, question: Question = STORED) -> Result:
    """The result for that one."""
    return asking.results[address, question]


def requests(bus: SimulatedBus) -> list[tuple[Frame, int, int | None]]:
    """Every request that was sent: frame, destination, group."""
    found = []
    for frame in bus.sent():
        identifier = split_identifier(frame.can_id)
        if identifier.pgn == REQUEST_PGN:
            found.append((frame, identifier.destination, decode_request(frame.data)))
    return found


def test_a_named_controller_is_asked_and_nobody_else() -> None:
    """After its claim the tool sends one request of three bytes to the target (SAE J1939-21, section 5.4.2)."""
    asking = intake(STORED, targets=[0])
    engine, other = Controller(0, {DM2: ONE_CODE}), Controller(11, {DM2: ONE_CODE})
    bus = ask(asking, engine, other)
    result = only(asking)
    assert (result.outcome, result.tries, result.payload) == (Outcome.ANSWERED, 1, ONE_CODE)
    assert isinstance(result.report, DiagnosticReport)
    assert [(dtc.spn, dtc.fmi, dtc.occurrence_count) for dtc in result.report.dtcs] == [(110, 3, 2)]
    assert [(f.can_id, f.data.hex()) for f, *_ in requests(bus)] == [(0x18EA00F9, "cbfe00")]
    assert (engine.asked[0][1], other.asked) == (DM2, [])
    assert asking.progress == (1, 1)


def test_without_targets_everybody_who_is_there_is_asked() -> None:
    """Address claims are asked for; who answers, or merely talks, is asked, one after the other."""
    asking = intake(STORED, request(60928))
    quiet = Controller(33, {DM2: NO_CODES}, [(100 * MS, 65262, lambda: bytes(8))], claims=False)
    bus = ask(asking, Controller(0, {DM2: ONE_CODE}), Controller(3), quiet)
    assert asking.targets == (0, 3, 33)
    assert [only(asking, address).outcome for address in (0, 3, 33)] == [
        Outcome.ANSWERED, Outcome.REFUSED, Outcome.ANSWERED
    ]
    assert set(asking.hearing.names) == {0, 3}
    assert only(asking, 3, request(60928)).payload == name(3).to_bytes()
    first = requests(bus)[0]
    assert (first[1], first[2]) == (255, 60928)
    assert all(destination != 255 for _, destination, _ in requests(bus)[1:])


@pytest.mark.parametrize(
    ("behaviour", "outcome", "tries", "asked"),
    [
        pytest.param(says(Answer.REFUSED), Outcome.REFUSED, 1, 1, id="refused"),
        pytest.param(says(Answer.ACCESS_DENIED), Outcome.ACCESS_DENIED, 1, 1, id="denied"),
        pytest.param(says(Answer.BUSY), Outcome.BUSY, MOST_BUSY + 1, MOST_BUSY + 1, id="busy-for-ever"),
        pytest.param(in_turn(says(Answer.BUSY), says(Answer.BUSY), ONE_CODE), Outcome.ANSWERED, 3, 3, id="busy-twice"),
        pytest.param(silent, Outcome.NO_ANSWER, MOST_TRIES, MOST_TRIES, id="silent"),
        pytest.param(in_turn(silent, ONE_CODE), Outcome.ANSWERED, 2, 2, id="silent-once"),
        pytest.param(after(1200 * MS, ONE_CODE), Outcome.ANSWERED, 1, 1, id="slow"),
        pytest.param(after(1400 * MS, ONE_CODE), Outcome.ANSWERED, 1, 1, id="later-than-allowed"),
        pytest.param(says(Answer.ACKNOWLEDGED), Outcome.ACKNOWLEDGED, 1, 1, id="acknowledged-without-data"),
        pytest.param(bytes(3), Outcome.UNREADABLE, 1, 1, id="wrong-size"),
        pytest.param(MANY_CODES, Outcome.ANSWERED, 1, 1, id="by-connection"),
    ],
)
def test_how_a_question_ends(behaviour: Behaviour | bytes, outcome: Outcome, tries: int, asked: int) -> None:
    """Each way of answering, with the tries that it costs (SAE J1939-21, sections 5.4.4 and 5.12.3, from memory)."""
    asking = intake(STORED, targets=[0])
    engine = Controller(0, {DM2: behaviour})
    ask(asking, engine)
    result = only(asking)
    assert (result.outcome, result.tries, len(engine.asked)) == (outcome, tries, asked)


# Published: python-can-j1939, test_dtc_conversion_methods; SPN 74565 FMI 5 with CM 1, the SPN's bits in order 1.
OLD_CODE = "2468A583"
OLD_CODES = bytes.fromhex(f"04FF{OLD_CODE}FFFF")
# DM4 of that code: 12 bytes follow, and no reading is available (SAE J1939-73, section 5.7.4, from memory).
OLD_MOMENT = bytes.fromhex(f"0C{OLD_CODE}FFFFFFFFFFFFFFFF")


def test_codes_are_read_as_the_user_says() -> None:
    """Where CM is 1 the order of the SPN's bits is each controller's own, in every message that has a code."""
    questions = [STORED, request(65229)]
    asking = Intake(Participant(name(500, 129), 249), questions, [0, 3], spn_conversion={0: 1})
    answers = {DM2: OLD_CODES, 65229: OLD_MOMENT}
    active = [(100 * MS, 65226, lambda: OLD_CODES)]
    ask(asking, Controller(0, answers, active), Controller(3, answers, active))
    for address, spn in ((0, 74565), (3, 354340)):  # the same bytes in the present order: 24 | 68 << 8 | 5 << 16
        lists = only(asking, address).report, asking.hearing.active[address]
        for report in lists:
            assert isinstance(report, DiagnosticReport)
            assert [(dtc.spn, dtc.fmi, dtc.occurrence_count) for dtc in report.dtcs] == [(spn, 5, 3)]
        frames = only(asking, address, questions[1]).report
        assert isinstance(frames, FreezeFrames)
        assert [(frame.dtc.spn, frame.dtc.fmi) for frame in frames.frames] == [(spn, 5)]


def test_a_busy_controller_gets_its_time() -> None:
    """A second lies between two questions to somebody who is busy."""
    asking = intake(STORED, targets=[0])
    engine = Controller(0, {DM2: says(Answer.BUSY)})
    ask(asking, engine)
    times = [time_ns for time_ns, _ in engine.asked]
    assert all(later - earlier >= BUSY_PAUSE_NS for earlier, later in pairwise(times))


def test_never_two_questions_at_once_and_a_pause_between() -> None:
    """Every request goes out after the answer to the one before, and not sooner than the pause."""
    asking = intake(*wanted("all"), targets=[0, 3])
    answers = {q.pgn: MANY_CODES if q.pgn == DM2 else ONE_CODE for q in wanted("all")}
    bus = ask(asking, Controller(0, answers), Controller(3))
    times = [frame.time_ns for frame, *_ in requests(bus)]
    assert len(times) == len(asking.results) == 2 * len(wanted("all"))
    ends = sorted(result.time_ns for result in asking.results.values())
    for before, after_it in zip(ends, times[1:], strict=False):
        assert after_it - before >= PAUSE_NS


def broken_off(controller: Controller, message: Message, pgn: int) -> None:
    """Announces 20 bytes and then gives up."""
    controller.put(0xEC00, message.source, bytes((16, 20, 0, 3, 255)) + pgn.to_bytes(3, "little"))
    controller.later(
        message.time_ns + 100 * MS,
        lambda _: controller.put(0xEC00, message.source, bytes((255, 2, 255, 255, 255)) + pgn.to_bytes(3, "little")),
    )


def stopped_midway(controller: Controller, message: Message, pgn: int) -> None:
    """Announces 20 bytes, sends the first 7 and nothing more."""
    controller.put(0xEC00, message.source, bytes((16, 20, 0, 3, 255)) + pgn.to_bytes(3, "little"))
    controller.later(message.time_ns + 50 * MS, lambda _: controller.put(0xEB00, message.source, bytes((1, *range(7)))))


@pytest.mark.parametrize("behaviour", [broken_off, stopped_midway])
def test_an_answer_that_breaks_off(behaviour: Behaviour) -> None:
    """It is asked for again, and when it breaks off each time, that is the result, with the reason."""
    asking = intake(STORED, targets=[0])
    engine = Controller(0, {DM2: behaviour})
    ask(asking, engine)
    result = only(asking)
    assert (result.outcome, result.tries, len(engine.asked)) == (Outcome.BROKEN_OFF, MOST_TRIES, MOST_TRIES)
    assert result.words


def test_an_answer_that_broke_off_once_is_asked_for_again() -> None:
    """The second try gives the whole message."""
    asking = intake(STORED, targets=[0])
    ask(asking, Controller(0, {DM2: in_turn(broken_off, MANY_CODES)}))
    assert (only(asking).outcome, only(asking).payload) == (Outcome.ANSWERED, MANY_CODES)


def test_a_long_broadcast_is_waited_for() -> None:
    """1785 bytes by BAM take over 12 s (SAE J1939-21, section 5.10.3.2: 50 ms a packet); nobody is asked meanwhile."""
    text = b"A" * 1784 + b"*"

    def broadcast(controller: Controller, message: Message, pgn: int) -> None:
        controller.send(message.time_ns, pgn, 255, text)

    asking = intake(request(VIN), STORED, targets=[0])
    engine = Controller(0, {VIN: broadcast, DM2: ONE_CODE})
    ask(asking, engine)
    result = only(asking, 0, request(VIN))
    assert (result.outcome, result.tries, result.payload) == (Outcome.ANSWERED, 1, text)
    assert isinstance(result.report, Texts)
    assert engine.asked[1][0] - engine.asked[0][0] > 12 * SECOND


def test_a_controller_that_ignores_what_it_does_not_have_costs_little_time() -> None:
    """After two unanswered questions each further one is asked once, until one is answered."""
    questions = [request(pgn) for pgn in (65231, 65236, 64949, 64896, DM2, 65230)]
    asking = intake(*questions, targets=[0])
    engine = Controller(
        0, dict.fromkeys((65231, 65236, 64949, 64896, 65230), silent) | {DM2: ONE_CODE},
        [(100 * MS, 65262, lambda: bytes(8))],
    )
    ask(asking, engine)
    assert [asking.results[0, question].tries for question in questions] == [3, 3, 1, 1, 1, 3]
    assert only(asking).outcome is Outcome.ANSWERED


def test_nobody_at_the_address_ends_soon() -> None:
    """Who was never heard is asked one question, three times; the others are settled without asking."""
    asking = intake(*wanted("all"), targets=[77])
    bus = ask(asking, Controller(0, {DM2: ONE_CODE}))
    assert {result.outcome for result in asking.results.values()} == {Outcome.NO_ANSWER}
    assert len(asking.results) == len(wanted("all"))
    assert len(requests(bus)) == MOST_TRIES


def test_an_answer_after_it_was_given_up_still_counts() -> None:
    """A controller that needs longer than all tries together answers while another question is under way."""
    late, next_one = STORED, request(65230)
    asking = intake(late, next_one, targets=[0])
    engine = Controller(
        0, {DM2: in_turn(after(5000 * MS, ONE_CODE), silent), 65230: silent}, [(100 * MS, 65262, lambda: bytes(8))]
    )
    ask(asking, engine)
    assert (only(asking).outcome, only(asking).payload) == (Outcome.ANSWERED, ONE_CODE)


def test_an_acknowledgement_for_somebody_else_is_not_ours() -> None:
    """Byte 5 names who asked (AgIsoStack++, send_acknowledgement): another tool's refusal settles nothing here."""

    def refuses_another_first(controller: Controller, message: Message, pgn: int) -> None:
        controller.participant.acknowledge(message.time_ns, Answer.REFUSED, pgn, 250)
        controller.later(message.time_ns + 100 * MS, lambda now: controller.send(now, pgn, message.source, ONE_CODE))

    asking = intake(STORED, targets=[0])
    ask(asking, Controller(0, {DM2: refuses_another_first}))
    assert only(asking).outcome is Outcome.ANSWERED


@pytest.mark.parametrize("address", [249, 255, 0], ids=["asker", "global", "own"])
def test_the_habits_of_acknowledgements(address: int) -> None:
    """Some controllers put their own address (Open-SAE-J1939 does) or nothing into byte 5: it counts all the same."""

    def refuse(controller: Controller, _: Message, pgn: int) -> None:
        controller.put(0xE800, 255, bytes((1, 255, 255, 255, address)) + pgn.to_bytes(3, "little"))

    asking = intake(STORED, targets=[0])
    ask(asking, Controller(0, {DM2: refuse}))
    assert only(asking).outcome is Outcome.REFUSED


def test_other_senders_do_not_answer() -> None:
    """The same group from another address, or another group from the target, is no answer."""
    asking = intake(STORED, targets=[0])
    engine = Controller(0, {DM2: after(300 * MS, NO_CODES)}, [(40 * MS, 65231, lambda: ONE_CODE)])
    ask(asking, engine, Controller(3, periodic=[(30 * MS, DM2, lambda: ONE_CODE)]))
    assert only(asking).payload == NO_CODES


def test_what_everybody_sends_is_noted_meanwhile() -> None:
    """The last DM1 of each sender belongs to the intake."""
    asking = intake(STORED, targets=[0])
    ask(asking, Controller(0, {DM2: after(1100 * MS, NO_CODES)}, [(SECOND, 65226, lambda: ONE_CODE)]))
    assert [(dtc.spn, dtc.fmi) for dtc in asking.hearing.active[0].dtcs] == [(110, 3)]


def test_an_address_that_is_taken_is_left_and_the_question_asked_again() -> None:
    """A stronger NAME claims 249 while the answer is awaited; the tool moves on and asks from there (J1939-81, 4.5)."""

    def takes_the_address(controller: Controller, message: Message, _: int) -> None:
        rival = Participant(name(1), message.source, claimed=False)
        rival.claim(message.time_ns)
        controller._raw += rival.outgoing(message.time_ns)

    asking = intake(STORED, targets=[0])
    engine = Controller(0, {DM2: in_turn(takes_the_address, ONE_CODE)})
    bus = ask(asking, engine)
    assert only(asking).outcome is Outcome.ANSWERED
    sources = [split_identifier(frame.can_id).source for frame, *_ in requests(bus)]
    assert sources[0] == 249
    assert sources[-1] != 249


def test_no_address_free_ends_it() -> None:
    """When every address is another's, nothing is asked and that is said (SAE J1939-81, section 4.4.3)."""
    asking = Intake(Participant(name(500, 129), 249, spare=()), [STORED], [0])
    bus = ask(asking, Controller(249), Controller(0, {DM2: ONE_CODE}))
    assert asking.trouble is not None
    assert "address" in asking.trouble
    assert requests(bus) == []


def test_its_own_address_is_not_asked() -> None:
    """A target that is the tool's own address cannot answer."""
    asking = intake(STORED, targets=[249])
    bus = ask(asking)
    assert only(asking, 249).outcome is Outcome.NO_ANSWER
    assert "own address" in only(asking, 249).words
    assert requests(bus) == []


def test_supported_parameters_lead_to_their_test_results() -> None:
    """DM24 names SPN 102 for test results; DM7 asks, DM30 answers (J1939-73, section 5.7.7, from memory)."""

    def results(controller: Controller, message: Message, _: int) -> None:
        assert message.payload == bytes.fromhex("F766001FFFFFFFFF")
        controller.send(message.time_ns, 41984, message.source, bytes.fromhex("F7660012D0006400C8000A00"))

    asking = intake(*wanted("test-results"), targets=[0], test_results=True)
    engine = Controller(0, {64950: bytes.fromhex("66001B02 BE001C02"), 58112: results})
    ask(asking, engine)
    result = only(asking, 0, results_of(102))
    assert (result.outcome, result.tries) == (Outcome.ANSWERED, 1)
    assert asking.progress == (3, 3)


def test_test_results_that_are_refused() -> None:
    """A refusal of the command's group settles the question."""
    asking = intake(request(64950), targets=[0], test_results=True)
    ask(asking, Controller(0, {64950: bytes.fromhex("66001B02"), 58112: says(Answer.REFUSED)}))
    assert only(asking, 0, results_of(102)).outcome is Outcome.REFUSED


def test_a_late_refusal_counts_too() -> None:
    """It comes while the second try is being prepared."""

    def late(controller: Controller, message: Message, pgn: int) -> None:
        controller.later(
            message.time_ns + 1400 * MS,
            lambda now: controller.participant.acknowledge(now, Answer.REFUSED, pgn, message.source),
        )

    asking = intake(STORED, targets=[0])
    ask(asking, Controller(0, {DM2: late}))
    assert (only(asking).outcome, only(asking).tries) == (Outcome.REFUSED, 1)


@pytest.mark.parametrize(
    ("pgn", "payload", "words"),
    [
        pytest.param(65260, b"*", "blank: no text is stored", id="vin-star"),
        pytest.param(65260, b"\xff" * 18, "blank: no text is stored", id="vin-erased"),
        pytest.param(65259, b"****", "blank: no text is stored", id="component"),
        pytest.param(65242, b"\x02**", "blank: no text is stored", id="software"),
        pytest.param(65260, b"", "blank: no text is stored", id="vin-nothing"),
        pytest.param(DM2, b"\x00\xff", "2 bytes that do not fit the group's layout", id="codes"),
    ],
)
def test_a_text_that_nobody_wrote_is_called_blank(pgn: int, payload: bytes, words: str) -> None:
    """Stars end each text (SAE J1939-71, from memory for SPN 237); without any text it is blank, not the wrong size."""
    assert read_answer(request(pgn), payload, None) == (Outcome.UNREADABLE, None, words)


def test_our_own_claim_is_nobody_elses() -> None:
    """A driver hands it out while it is not yet ours (UDP multicast does): we are not among those who were heard."""
    asking = intake(STORED, targets=[0])
    bus = SimulatedBus(asking, [Controller(0, {DM2: NO_CODES})])
    asking.start(bus.now_ns)
    for can_id, data in asking.outgoing(bus.now_ns):
        asking.feed(Frame(bus.now_ns, "can0", can_id, data))
    bus.run(lambda: asking.done)
    assert asking.hearing.heard == {0}
