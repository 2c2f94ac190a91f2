"""Clearing made-up controllers in simulated time."""

from __future__ import annotations

import pytest

from faultlamp.asking.clearing import SETTLE_NS, Clearing, Stage
from faultlamp.asking.intake import ANSWER_NS
from faultlamp.asking.motion import Motion, MotionWatch
from faultlamp.asking.verdicts import Command, Kind, Verdict
from faultlamp.frames import Frame
from faultlamp.j1939.identifier import split_identifier
from faultlamp.j1939.participant import Participant
from faultlamp.j1939.participant.events import Message
from faultlamp.j1939.reports.clear_code import encode_clear
from faultlamp.j1939.requests import REQUEST_PGN, Answer, decode_request
from support.controllers import SECOND, START_NS, Behaviour, Controller, Engine, SimulatedBus, name, says, silent

DM1, DM2, DM3, DM11, DM22 = 65226, 65227, 65228, 65235, 49920
COOLANT, OIL, VOLTAGE = (110, 3), (100, 1), (168, 4)


def clearing(
    kind: Kind = Kind.ALL, code: tuple[int, int] | None = None, targets: list[int] | None = None, *,
    engine: bool = False, machine: bool = False,
) -> Clearing:
    """A clearing by a tool that prefers address 249."""
    return Clearing(
        Participant(name(500, 129), 249), Command(kind, code), targets, answer_ns=ANSWER_NS,
        although_engine_may_run=engine, although_machine_may_move=machine,
    )


def clear(work: Clearing, *controllers: Controller, confirmed: bool = True) -> SimulatedBus:
    """Run it to its end, with the confirmation as soon as it waits for it."""
    bus = SimulatedBus(work, controllers)
    work.start(bus.now_ns)
    bus.run(lambda: work.done or work.stage is Stage.WAITING)
    if confirmed and not work.done:
        work.go(bus.now_ns)
        bus.run(lambda: work.done)
    return bus


def _acknowledge(controller: Controller, now_ns: int, message: Message, pgn: int) -> None:
    controller.participant.acknowledge(now_ns, Answer.ACKNOWLEDGED, pgn, message.source)


def commands(bus: SimulatedBus) -> list[tuple[int, int]]:
    """What was sent that clears, as (group, destination)."""
    found = []
    for frame in bus.sent():
        identifier = split_identifier(frame.can_id)
        wanted = decode_request(frame.data) if identifier.pgn == REQUEST_PGN else identifier.pgn
        if wanted in (DM3, DM11, DM22):
            found.append((wanted, identifier.destination))
    return found


def test_all_is_cleared() -> None:
    """DM11 goes to the controller that has codes and to no other; afterwards neither list has one."""
    engine, other = Engine(active=[COOLANT], stored=[OIL]), Engine(3, rpm=None, kmh=None)
    work = clearing()
    bus = clear(work, engine, other)
    assert commands(bus) == [(DM11, 0)]
    assert [(one.address, one.verdict, one.left) for one in work.judgements] == [(0, Verdict.CLEARED, ())]
    assert work.listed_before(0).active == {COOLANT}
    assert work.listed_before(0).stored == {OIL}
    assert other.commands == []


def test_stored_codes_are_cleared_and_active_ones_left() -> None:
    """DM3 is about previously active codes alone (SAE J1939-73, section 5.7.3)."""
    engine = Engine(active=[COOLANT], stored=[OIL])
    work = clearing(Kind.STORED)
    assert commands(clear(work, engine)) == [(DM3, 0)]
    assert [(one.verdict, one.left) for one in work.judgements] == [(Verdict.CLEARED, ())]
    assert engine.active == [COOLANT]


@pytest.mark.parametrize(
    ("active", "stored", "expected"),
    [
        pytest.param([COOLANT, OIL], [VOLTAGE], [17], id="active"),
        pytest.param([OIL], [COOLANT], [1], id="stored"),
        pytest.param([COOLANT], [COOLANT], [17, 1], id="both"),
    ],
)
def test_one_code(active: list[tuple[int, int]], stored: list[tuple[int, int]], expected: list[int]) -> None:
    """DM22 says whether the code is active (17) or was (1): AgIsoStack++, diagnostic_protocol_tests.cpp."""
    engine, other = Engine(active=active, stored=stored), Engine(3, stored=[OIL], rpm=None, kmh=None)
    work = clearing(Kind.CODE, COOLANT)
    bus = clear(work, engine, other)
    sent = [frame.data for frame in bus.sent() if split_identifier(frame.can_id).pgn == DM22]
    assert sent == [encode_clear(*COOLANT, active=kind == 17) for kind in expected]
    assert [(one.address, one.verdict) for one in work.judgements] == [(0, Verdict.CLEARED)]
    assert other.stored == [OIL]


def test_an_old_code_is_known_by_the_number_that_the_user_gives() -> None:
    """SPN 74565 FMI 5 with CM 1 in order 1 (python-can-j1939, test_dtc_conversion_methods) is listed, then gone."""

    def stored(controller: Controller, message: Message, pgn: int) -> None:
        codes = "00000000" if engine.commands else "2468A583"
        controller.send(message.time_ns, pgn, message.source, bytes.fromhex(f"04FF{codes}FFFF"))

    engine = Engine(answers={DM2: stored})
    work = Clearing(
        Participant(name(500, 129), 249), Command(Kind.STORED), None, spn_conversion={0: 1}, answer_ns=ANSWER_NS
    )
    clear(work, engine)
    assert work.listed_before(0).stored == {(74565, 5)}
    assert [(one.verdict, one.left) for one in work.judgements] == [(Verdict.CLEARED, ())]
    assert work.after is not None
    assert work.after.hearing.method(0) == 1


def test_a_code_that_comes_back() -> None:
    """Its cause is there: gone from DM1 after DM11, and listed again 3 s later."""
    engine = Engine(active=[COOLANT, OIL], returning=(3 * SECOND, [COOLANT]))
    work = clearing()
    clear(work, engine)
    (judgement,) = work.judgements
    assert (judgement.verdict, judgement.left, judgement.words) == (Verdict.CAME_BACK, (COOLANT,), "")


def test_a_code_that_never_goes() -> None:
    """A controller that acknowledges and goes on listing its code does not pass for cleared."""

    def only_says_so(controller: Controller, message: Message, pgn: int) -> None:
        controller.participant.acknowledge(message.time_ns, Answer.ACKNOWLEDGED, pgn, message.source)

    work = clearing()
    clear(work, Engine(active=[COOLANT], answers={DM11: only_says_so}))
    assert [(one.verdict, one.words) for one in work.judgements] == [(Verdict.CAME_BACK, "it was never seen gone")]
    work = clearing(Kind.STORED)
    clear(work, Engine(stored=[COOLANT], answers={DM3: only_says_so}))
    assert [one.verdict for one in work.judgements] == [Verdict.STILL_LISTED]


@pytest.mark.parametrize(
    ("behaviour", "verdict"),
    [
        pytest.param(says(Answer.REFUSED), Verdict.REFUSED, id="refused"),
        pytest.param(says(Answer.ACCESS_DENIED), Verdict.ACCESS_DENIED, id="denied"),
        pytest.param(says(Answer.BUSY), Verdict.BUSY, id="busy"),
        pytest.param(silent, Verdict.NO_ANSWER, id="silent"),
    ],
)
def test_a_controller_that_does_not_clear(behaviour: Behaviour, verdict: Verdict) -> None:
    """Its own answer is the verdict, and what is left is named."""
    work = clearing()
    clear(work, Engine(active=[COOLANT], answers={DM11: behaviour}))
    assert [(one.verdict, one.left) for one in work.judgements] == [(verdict, (COOLANT,))]


def test_a_controller_that_clears_without_a_word() -> None:
    """No acknowledgement, yet nothing is listed: both is said."""

    def clears_silently(controller: Controller, _: Message, __: int) -> None:
        assert isinstance(controller, Engine)
        controller.active, controller.stored = [], []

    work = clearing()
    clear(work, Engine(active=[COOLANT], answers={DM11: clears_silently}))
    (judgement,) = work.judgements
    assert (judgement.verdict, judgement.left) == (Verdict.NO_ANSWER, ())
    assert "nothing" in judgement.words


def test_a_controller_that_cannot_be_read_again_is_not_cleared() -> None:
    """Acknowledged, then silent about DM2: nobody knows, so nobody says 'cleared'."""

    class Forgetful(Engine):
        def _clear(self, controller: Controller, message: Message, pgn: int) -> None:
            super()._clear(controller, message, pgn)
            self.answers[DM2] = silent

    work = clearing(Kind.STORED)
    clear(work, Forgetful(stored=[COOLANT]))
    assert [one.verdict for one in work.judgements] == [Verdict.NOT_CONFIRMED]


@pytest.mark.parametrize(
    ("rpm", "kmh", "engine", "machine", "options"),
    [
        pytest.param(800.0, 0.0, False, False, ["--although-engine-may-run"], id="engine-runs"),
        pytest.param(0.125, 0.0, False, True, ["--although-engine-may-run"], id="engine-just-turns"),
        pytest.param(0.0, 0.1, False, False, ["--although-machine-may-move"], id="machine-moves"),
        pytest.param(None, 0.0, False, False, ["--although-engine-may-run"], id="engine-unknown"),
        pytest.param(0.0, None, True, False, ["--although-machine-may-move"], id="speed-unknown"),
        pytest.param(None, None, False, False, ["--although-engine-may-run", "--although-machine-may-move"],
                     id="nothing-known"),
        pytest.param(800.0, 5.0, True, True, [], id="both-forced"),
        pytest.param(None, None, True, True, [], id="nothing-known-both-forced"),
        pytest.param(0.0, 0.0, False, False, [], id="stands"),
    ],
)
def test_nothing_is_cleared_on_a_machine_that_may_move(
    rpm: float | None, kmh: float | None, engine: bool, machine: bool, options: list[str]
) -> None:
    """Refused while a speed is above zero or unknown, unless that very thing was waved; the option is named."""
    work = clearing(engine=engine, machine=machine)
    bus = clear(work, Engine(active=[COOLANT], rpm=rpm, kmh=kmh))
    if options:
        assert commands(bus) == []
        assert work.trouble is not None
        assert [option for option in ("--although-engine-may-run", "--although-machine-may-move")
                if option in work.trouble] == options
    else:
        assert commands(bus) == [(DM11, 0)]
        assert work.trouble is None


def test_an_engine_that_starts_after_the_question_is_noticed() -> None:
    """Between asking and the confirmation the engine was started: the speeds are heard anew."""
    engine = Engine(active=[COOLANT])
    work = clearing()
    bus = clear(work, engine, confirmed=False)
    assert work.objections(bus.now_ns) == []
    engine.rpm = 700.0
    work.go(bus.now_ns)
    bus.run(lambda: work.done)
    assert work.trouble is not None
    assert "700 rpm" in work.trouble
    assert commands(bus) == []


def test_a_speed_that_is_no_longer_said_is_unknown() -> None:
    """A second after the last one (SAE J1939-71: EEC1 comes at least every 100 ms) nobody knows any more."""
    watch = MotionWatch()
    watch.feed(Frame(START_NS, "can0", 0x0CF00400, bytes.fromhex("F0FFFF0000FFFFFF")))
    watch.feed(Frame(START_NS, "can0", 0x18FEF100, bytes.fromhex("FF000000FFFFFFFF")))
    assert watch.at(START_NS + SECOND) == Motion(0.0, 0.0)
    assert watch.at(START_NS + SECOND + 1) == Motion(None, None)


def test_the_fastest_counts_and_no_value_is_no_zero() -> None:
    """One sender says 0, another 12 km/h (0x0C00 / 256): it moves. Error and not available are unknown (J1939-71)."""
    watch = MotionWatch()
    watch.feed(Frame(START_NS, "can0", 0x18FEF100, bytes.fromhex("FF0000FFFFFFFFFF")))
    watch.feed(Frame(START_NS, "can0", 0x18FEF10B, bytes.fromhex("FF000CFFFFFFFFFF")))
    assert watch.at(START_NS).vehicle_kmh == 12.0
    watch.feed(Frame(START_NS, "can0", 0x18FEF10B, bytes.fromhex("FF00FEFFFFFFFFFF")))
    watch.feed(Frame(START_NS, "can0", 0x18FEF100, bytes.fromhex("FFFFFFFFFFFFFFFF")))
    assert watch.at(START_NS).vehicle_kmh is None


def test_without_codes_nobody_is_commanded() -> None:
    """Nothing to clear is nothing to send; a named target is commanded all the same."""
    work = clearing()
    bus = clear(work, Engine(), confirmed=False)
    assert work.targets == ()
    work = clearing(targets=[0])
    bus = clear(work, Engine())
    assert commands(bus) == [(DM11, 0)]
    assert [one.verdict for one in work.judgements] == [Verdict.CLEARED]


def test_nothing_is_sent_that_clears_before_it_is_confirmed() -> None:
    """Waiting, however long, sends no command."""
    work = clearing()
    bus = clear(work, Engine(active=[COOLANT]), confirmed=False)
    until_ns = bus.now_ns + 60 * SECOND
    bus.run(lambda: bus.now_ns >= until_ns)
    assert (work.stage, commands(bus)) == (Stage.WAITING, [])


def test_dm1_has_time_to_come_back() -> None:
    """Five seconds lie between the command and reading back: DM1 comes once a second (J1939-73, 5.7.1, from memory)."""
    engine = Engine(active=[COOLANT])
    bus = clear(clearing(), engine)
    commanded = next(time for time, pgn in engine.asked if pgn == DM11)
    read_back = [time for time, pgn in engine.asked if pgn == DM2][-1]
    assert read_back - commanded >= SETTLE_NS
    assert bus.now_ns - commanded < 10 * SECOND


def test_active_codes_are_known_though_nobody_tells_them_when_asked() -> None:
    """A controller that refuses the request for DM1 still sends it once a second, and that is waited for."""
    work = clearing()
    bus = clear(work, Engine(active=[COOLANT], answers={DM1: says(Answer.REFUSED)}))
    assert commands(bus) == [(DM11, 0)]
    assert work.listed_before(0).active == {COOLANT}


def test_an_engine_that_starts_while_others_are_told_stops_the_rest() -> None:
    """The first controller is told and answers; by then the engine turns, so the second one is left alone."""

    def starts_and_acknowledges(controller: Controller, message: Message, pgn: int) -> None:
        assert isinstance(controller, Engine)
        controller.rpm, controller.active = 600.0, []
        controller.later(
            message.time_ns + SECOND // 5,
            lambda now: _acknowledge(controller, now, message, pgn),
        )

    engine = Engine(active=[COOLANT], answers={DM11: starts_and_acknowledges})
    work, other = clearing(), Engine(3, active=[OIL], rpm=None, kmh=None)
    assert commands(clear(work, engine, other)) == [(DM11, 0)]
    assert [(one.address, one.verdict, one.left) for one in work.judgements] == [
        (0, Verdict.CLEARED, ()), (3, Verdict.NOT_TOLD, (OIL,))
    ]
    assert "the engine turns at 600 rpm" in work.judgements[1].words
    assert other.active == [OIL]


def test_a_busy_controller_is_not_told_again_once_the_engine_turns() -> None:
    """It was told once, said that it is busy, and the engine started: its answer stands."""

    def busy_and_starts(controller: Controller, message: Message, pgn: int) -> None:
        assert isinstance(controller, Engine)
        controller.rpm = 600.0
        controller.participant.acknowledge(message.time_ns, Answer.BUSY, pgn, message.source)

    work = clearing()
    assert commands(clear(work, Engine(active=[COOLANT], answers={DM11: busy_and_starts}))) == [(DM11, 0)]
    assert [one.verdict for one in work.judgements] == [Verdict.BUSY]


def test_a_controller_that_is_silent_while_it_erases_does_not_stop_the_rest() -> None:
    """Engine speed that nobody says for a while during the command is not an engine that was started."""

    def erases(controller: Controller, message: Message, pgn: int) -> None:
        assert isinstance(controller, Engine)
        controller.active, controller.rpm = [], None
        controller.later(
            message.time_ns + 2 * SECOND,
            lambda now: _acknowledge(controller, now, message, pgn),
        )

    work, other = clearing(), Engine(3, active=[OIL], rpm=None, kmh=None)
    assert commands(clear(work, Engine(active=[COOLANT], answers={DM11: erases}), other)) == [(DM11, 0), (DM11, 3)]
    assert [one.verdict for one in work.judgements] == [Verdict.CLEARED, Verdict.CLEARED]


def test_a_controller_whose_turn_never_came_was_not_told() -> None:
    """A stronger NAME takes the only address we may have (SAE J1939-81, section 4.4.3): no word of 'acknowledged'."""

    def acknowledges_and_is_robbed_of_us(controller: Controller, message: Message, pgn: int) -> None:
        controller.participant.acknowledge(message.time_ns, Answer.ACKNOWLEDGED, pgn, message.source)
        controller.later(
            message.time_ns + SECOND // 100,
            lambda _: controller.put(60928, 255, name(1).to_bytes(), source=249),
        )

    work = Clearing(Participant(name(500, 129), 249, spare=()), Command(Kind.ALL), None, answer_ns=ANSWER_NS)
    bus = clear(
        work, Engine(active=[COOLANT], answers={DM11: acknowledges_and_is_robbed_of_us}),
        Engine(3, active=[OIL], rpm=None, kmh=None),
    )
    assert commands(bus) == [(DM11, 0)]
    assert [(one.address, one.verdict) for one in work.judgements] == [
        (0, Verdict.NOT_CONFIRMED), (3, Verdict.NOT_TOLD)
    ]
    assert "no address" in work.judgements[1].words
