"""Faults that have one cause are found together, and faults that have not are left alone.

The groups are common practice, no source; what the codes mean is SAE J1939-73, appendix A (FMI) and SAE J1939-71 (SPN).
"""

from collections.abc import Callable

import pytest

from faultlamp.capture import Capture
from faultlamp.findings.finding import Kind
from faultlamp.findings.shared_causes import SharedCauses, shared_causes
from faultlamp.frames import Frame
from faultlamp.history.history import History
from faultlamp.j1939.diagnostics import Lamp
from faultlamp.j1939.identifier import build_identifier
from faultlamp.knowledge.shared_causes import load_shared_causes
from faultlamp.resources import shipped
from support.trouble import SECOND, START, dm1, findings_of, frames_of, steady

Pump = Callable[..., list[Frame]]


def groups(causes: SharedCauses) -> list[tuple[str, list[tuple[int, int, int]]]]:
    """Kind and (source, SPN, FMI) of every finding."""
    return [
        (str(finding.kind), [(fault.source_address, fault.spn, fault.fmi) for fault in finding.faults])
        for finding in causes.findings
    ]


# ---- scenarios of the rig -------------------------------------------------------------------------------------------


def test_an_unplugged_connector_of_three_sensors(pump: Pump) -> None:
    """Three sensors of one connector read high within two seconds: one group, and what to look for first."""
    causes = findings_of(pump(
        ("engine", 110, 3, "run+20"), ("engine", 100, 3, "run+20"), ("engine", 175, 3, "run+21"),
    ), until_s=40)
    assert groups(causes) == [("electrical", [(0, 100, 3), (0, 110, 3), (0, 175, 3)])]
    finding = causes.findings[0]
    assert finding.sentence.startswith("these 3 began within ")
    assert finding.sentence.endswith("look for one connector, ground or supply first")
    assert finding.leading is None
    assert "ground" in finding.points_to
    assert finding.evidence.seen
    assert 0 < finding.evidence.last_ns - finding.evidence.first_ns <= 2 * SECOND
    assert abs(finding.evidence.first_ns - START - 30 * SECOND) < SECOND
    assert finding.evidence.active == 3
    assert finding.evidence.lamps == (Lamp.AMBER_WARNING,)
    assert any("Key off" in caution for caution in finding.cautions)
    assert causes.alone == ()


def test_a_sensor_supply_among_them_leads(pump: Pump) -> None:
    """SPN 3509 low with its sensors low: the supply is named, leads, and is tested first."""
    causes = findings_of(pump(
        ("engine", 3509, 4, "run+20"), ("engine", 100, 4, "run+20"), ("engine", 102, 4, "run+21"),
    ), until_s=40)
    assert groups(causes) == [("electrical", [(0, 100, 4), (0, 3509, 4), (0, 102, 4)])]
    finding = causes.findings[0]
    assert finding.leading is not None
    assert finding.leading.spn == 3509
    assert "Sensor Supply Voltage 1" in finding.sentence
    assert "5 V" in finding.tests[0]


def test_faults_of_one_connector_stay_one_group_over_key_off(pump: Pump) -> None:
    """A controller keeps its faults while the key is off: the group, its times and its activity stay what they were."""
    frames = pump(("engine", 110, 3, "run+20"), ("engine", 100, 3, "run+20"))
    before, after = findings_of(frames, until_s=60), findings_of(frames)
    assert groups(before) == groups(after) == [("electrical", [(0, 100, 3), (0, 110, 3)])]
    assert before.findings[0].evidence.begins_ns == after.findings[0].evidence.begins_ns
    assert after.findings[0].evidence.active == 2


@pytest.mark.parametrize("with_nodes", [False, True], ids=["by-dm1", "by-all-frames"])
def test_a_lost_node(pump: Pump, with_nodes: bool) -> None:
    """Two controllers complain of data that the aftertreatment sent before it fell silent: it is the missing node."""
    causes = findings_of(pump(
        ("engine", 3242, 9, "run+24"), ("engine", 3246, 19, "run+25"), ("cluster", 2061, 9, "run+26"),
        lost={61: 30.5},
    ), until_s=50, with_nodes=with_nodes)
    assert groups(causes) == [("network", [(0, 3242, 9), (0, 3246, 19), (23, 2061, 9)])]
    finding = causes.findings[0]
    assert finding.evidence.missing == (("can0", 61),)
    assert "node 61 (exhaust emission controller) fell silent" in finding.sentence


def test_a_derate_that_follows(pump: Pump) -> None:
    """A torque derate seconds after low oil pressure is its consequence: the oil pressure is to be repaired."""
    causes = findings_of(pump(("engine", 100, 1, "run+20"), ("engine", 1569, 31, "run+23")), until_s=50)
    assert groups(causes) == [("consequence", [(0, 100, 1), (0, 1569, 31)])]
    finding = causes.findings[0]
    assert finding.leading is not None
    assert (finding.leading.spn, finding.leading.fmi) == (100, 1)
    assert "repair SPN 100 FMI 1 Engine Oil Pressure first" in finding.sentence


@pytest.mark.parametrize(("first", "words"), [
    ("run+20", "that came with it"), ("run+16", "that came shortly before"),
], ids=["at-once", "four-seconds-before"])
def test_of_two_possible_causes_both_are_told(pump: Pump, first: str, words: str) -> None:
    """A derate after two faults: the nearer one leads, the other is named as what it is."""
    faults = ("engine", 94, 18, first), ("engine", 110, 0, "run+20"), ("engine", 1569, 31, "run+23")
    (finding,) = findings_of(pump(*faults), until_s=50).findings
    assert f"(or the other one {words})" in finding.sentence
    assert len(finding.faults) == 3


def test_a_condition_of_its_own_leads_a_derate(pump: Pump) -> None:
    """Water in the fuel (SPN 97, FMI 31 'condition exists') is no answer to another fault: the derate answers it."""
    causes = findings_of(pump(("engine", 97, 31, "run+20"), ("engine", 1569, 31, "run+23")), until_s=50)
    assert groups(causes) == [("consequence", [(0, 97, 31), (0, 1569, 31)])]
    assert causes.findings[0].leading == (*causes.findings[0].leading[:2], 97, 31)  # type: ignore[index]


def test_a_condition_that_nobody_knows_is_only_near(pump: Pump) -> None:
    """A maker's own SPN with FMI 31 just after a fault may follow from it; that it goes with it is not claimed."""
    (finding,) = findings_of(pump(("engine", 110, 3, "run+20"), ("engine", 520200, 31, "run+22")), until_s=50).findings
    assert "may follow from SPN 110 FMI 3 Engine Coolant Temperature 1" in finding.sentence
    assert "goes with it" not in finding.sentence
    assert finding.leading is not None
    assert finding.leading.spn == 110


def test_one_circuit_counts_once_in_the_first_report() -> None:
    """Three electrical faults of two circuits are two, of which nobody saw the beginning: no hint."""
    causes = findings_of(frames_of([(float(s), 0, [(110, 3), (110, 5), (175, 3)]) for s in range(20)]))
    assert groups(causes) == []
    assert len(causes.alone) == 3


def test_a_fault_that_often_comes_by_itself_is_told() -> None:
    """One fault flickers every ten seconds and another one begins once, near one of these times: chance is named."""
    told = [
        (float(second), 0, [(110, 3)] * (second >= 20 and second % 10 < 2) + [(175, 3)] * (second >= 41))
        for second in range(70)
    ]
    (finding,) = findings_of(frames_of(told)).findings
    assert "SPN 110 FMI 3 also began 4 times without the others: it may be by chance" in finding.evidence.lines


def test_an_echo_of_a_lost_reading(pump: Pump) -> None:
    """Another controller's FMI 19 on the SPN of a faulted sensor follows from the sensor's fault."""
    causes = findings_of(pump(("engine", 110, 3, "run+20"), ("aftertreatment", 110, 19, "run+25")), until_s=50)
    assert groups(causes) == [("consequence", [(0, 110, 3), (61, 110, 19)])]


COUNTER_EXAMPLES: dict[str, list[tuple[str, int, int, str]]] = {
    "half-a-minute-apart": [("engine", 110, 3, "run+10"), ("engine", 100, 3, "run+40")],
    "five-seconds-apart": [("engine", 110, 3, "run+10"), ("engine", 100, 3, "run+15")],
    "same-fmi-in-different-controllers": [("engine", 110, 3, "run+20"), ("aftertreatment", 3242, 3, "run+20")],
    "voltage-high-and-a-mechanical-fault": [("engine", 110, 3, "run+20"), ("engine", 641, 7, "run+20")],
    "a-level-and-a-voltage": [("engine", 111, 1, "run+20"), ("engine", 110, 3, "run+20")],
    "network-faults-of-two-controllers-nobody-silent": [
        ("engine", 84, 19, "run+20"), ("aftertreatment", 190, 19, "run+20"),
    ],
    "complaints-of-different-nodes": [("engine", 2003, 9, "run+20"), ("cluster", 2011, 9, "run+20")],
    "a-sensor-and-the-network": [("engine", 110, 3, "run+20"), ("engine", 639, 3, "run+20")],
    "a-derate-long-after": [("engine", 100, 1, "run+10"), ("engine", 1569, 31, "run+40")],
    "a-derate-before": [("engine", 1569, 31, "run+20"), ("engine", 100, 1, "run+23")],
    "an-echo-long-after": [("engine", 110, 3, "run+10"), ("aftertreatment", 110, 19, "run+45")],
    "water-in-the-fuel-is-no-answer": [("engine", 110, 3, "run+20"), ("engine", 97, 31, "run+22")],
    "two-failure-modes-of-one-circuit": [("engine", 110, 3, "run+20"), ("engine", 110, 5, "run+20")],
    "two-mechanical-faults-by-chance": [("engine", 27, 7, "run+20"), ("cluster", 734, 7, "run+21")],
    "a-low-pressure-and-a-supply": [("engine", 100, 1, "run+20"), ("engine", 3509, 4, "run+21")],
    "condition-exists-in-another-controller": [("engine", 110, 3, "run+20"), ("cluster", 96, 31, "run+21")],
}


@pytest.mark.parametrize("faults", COUNTER_EXAMPLES.values(), ids=COUNTER_EXAMPLES.keys())
def test_what_must_not_be_grouped(pump: Pump, faults: list[tuple[str, int, int, str]]) -> None:
    """Faults without a common cause stay alone, every one of them."""
    causes = findings_of(pump(*faults), until_s=69)
    assert groups(causes) == []
    assert len(causes.alone) == len(faults)


def test_nobody_complains_of_a_key_that_went_off(pump: Pump) -> None:
    """When the key goes off all fall silent, and nothing is concluded from that."""
    causes = findings_of(pump(("engine", 84, 9, "run+10")), until_s=77)
    assert groups(causes) == []


# ---- beginnings that nobody saw -------------------------------------------------------------------------------------


def test_faults_of_the_first_report_are_told_without_times(pump: Pump) -> None:
    """Three electrical faults that were there from the start: a weaker hint that claims no beginning."""
    causes = findings_of(pump(
        ("engine", 110, 3, "key"), ("engine", 100, 3, "key"), ("engine", 175, 4, "key"),
    ), until_s=40)
    assert len(causes.findings) == 1
    finding = causes.findings[0]
    assert not finding.evidence.seen
    assert "were all there at the first report" in finding.sentence
    assert "within" not in finding.sentence
    assert finding.evidence.lamps == ()


def test_two_faults_of_the_first_report_stay_alone(pump: Pump) -> None:
    """Two faults that were there from the start may be years apart."""
    causes = findings_of(pump(("engine", 110, 3, "key"), ("engine", 100, 3, "key")), until_s=40)
    assert groups(causes) == []
    assert len(causes.alone) == 2


def test_faults_that_came_with_the_key(pump: Pump) -> None:
    """Three that came while the key was off were not seen to begin: 'at key on' is all that is said."""
    causes = findings_of(pump(*(("engine", spn, 3, "off+3") for spn in (100, 110, 175))))
    assert groups(causes) == [("electrical", [(0, 100, 3), (0, 110, 3), (0, 175, 3)])]
    assert "were all there at key on" in causes.findings[0].sentence


def test_an_old_fault_does_not_join_one_that_is_seen_to_begin() -> None:
    """A fault of the first DM1 and one that begins two seconds and a bit later did not begin together."""
    frames = frames_of(steady([(0, 110, 3, 0.0), (0, 100, 3, 2.5)]))
    assert groups(findings_of(frames)) == []


def test_beginnings_on_both_sides_of_a_silence() -> None:
    """What began before a controller was not heard for a while, and what was there after it, began apart."""
    told = steady([(0, 110, 3, 20.0), (0, 100, 3, 24.0)], gone=lambda source, second: source == 0 and 20 < second < 27)
    assert groups(findings_of(frames_of(told))) == []


# ---- what the details claim ------------------------------------------------------------------------------------------


def test_beginnings_are_never_chained() -> None:
    """Five faults two seconds apart from each other did not all begin within three seconds."""
    frames = frames_of(steady([(0, spn, 3, 20.0 + 2 * place) for place, spn in enumerate((91, 94, 100, 102, 110))]))
    causes = findings_of(frames)
    assert all(
        finding.evidence.last_ns - finding.evidence.first_ns <= 3 * SECOND for finding in causes.findings
    )
    assert sum(len(finding.faults) for finding in causes.findings) + len(causes.alone) == 5


def test_an_intermittent_contact_is_counted() -> None:
    """The same two faults that come and go together five times are one group that says so."""
    told = [(float(second), 0, [(100, 3), (110, 3)] if second % 10 in (5, 6, 7) else []) for second in range(50)]
    causes = findings_of(frames_of(told))
    assert groups(causes) == [("electrical", [(0, 100, 3), (0, 110, 3)])]
    assert len(causes.findings[0].evidence.times_ns) == 5
    assert any("5 times" in line for line in causes.findings[0].evidence.lines)


def test_one_that_flickers_later_stays_with_its_group() -> None:
    """A member that goes and comes back a minute later still belongs to those it first came with."""
    told = [
        (float(second), 0, [(100, 3)] * (second >= 10) + [(110, 3)] * (10 <= second < 40 or second >= 70))
        for second in range(90)
    ]
    assert groups(findings_of(frames_of(told))) == [("electrical", [(0, 100, 3), (0, 110, 3)])]


@pytest.mark.parametrize(
    ("fmis", "word"), [((3, 3), "ground"), ((4, 4), "supply"), ((5, 5), "open"), ((3, 4), "mixed"), ((5, 4), "fuse")],
    ids=["high", "low", "open", "high-and-low", "open-and-low"],
)
def test_what_the_failure_modes_point_to(fmis: tuple[int, int], word: str) -> None:
    """High points to a ground, low to a supply, open to a connector, both to a connector with water in it."""
    frames = frames_of(steady([(0, 100, fmis[0], 20.0), (0, 110, fmis[1], 20.0)]))
    assert word in findings_of(frames).findings[0].points_to


def test_a_bus_that_two_complain_of() -> None:
    """SPN 639 of two controllers within seconds: the bus itself."""
    causes = findings_of(frames_of(steady([(0, 639, 9, 20.0), (61, 639, 9, 23.0)])))
    assert groups(causes) == [("network", [(0, 639, 9), (61, 639, 9)])]
    assert "end resistors" in causes.findings[0].sentence


def test_several_received_data_faults_of_one_controller() -> None:
    """FMI 19 on three SPNs of one controller at once: look at who sends the data."""
    causes = findings_of(frames_of(steady([(61, spn, 19, 20.0) for spn in (110, 100, 190)])))
    assert groups(causes) == [("network", [(61, 100, 19), (61, 110, 19), (61, 190, 19)])]


def test_a_node_that_was_never_there() -> None:
    """Two controllers name a node that nobody ever heard, from their first DM1 on."""
    causes = findings_of(frames_of(steady([(0, 2003, 9, 0.0), (23, 2003, 9, 0.0)])))
    assert groups(causes) == [("network", [(0, 2003, 9), (23, 2003, 9)])]
    finding = causes.findings[0]
    assert "node 3 (transmission 1)" in finding.sentence
    assert any("no fault report of node 3" in line for line in finding.evidence.lines)


def test_two_nodes_of_one_branch() -> None:
    """Two nodes that fall silent within a second, each named by somebody else: one finding about both."""
    told = steady(
        [(0, 2061, 9, 24.0), (23, 2003, 9, 25.0)], sources=(0, 3, 23, 61),
        gone=lambda source, second: source in (3, 61) and second > 20,
    )
    causes = findings_of(frames_of(told))
    assert groups(causes) == [("network", [(0, 2061, 9), (23, 2003, 9)])]
    assert sorted(causes.findings[0].evidence.missing) == [("can0", 3), ("can0", 61)]
    assert "node 3 (transmission 1)" in causes.findings[0].sentence
    assert "node 61 (exhaust emission controller)" in causes.findings[0].sentence


def test_complaints_of_one_node_while_another_is_silent() -> None:
    """A node that is named counts only with its own silence: two names, two nodes, nothing in common."""
    told = steady(
        [(0, 2061, 9, 24.0), (23, 2003, 9, 25.0)], sources=(0, 3, 23, 61),
        gone=lambda source, second: source == 61 and second > 20,
    )
    assert groups(findings_of(frames_of(told))) == []


def test_a_node_that_came_back() -> None:
    """A node that was silent for ten seconds, and the complaints of that time, after it is back."""
    told = steady(
        [(0, 3242, 9, 25.0), (23, 2061, 9, 26.0)], gone=lambda source, second: source == 61 and 20 < second < 31
    )
    causes = findings_of(frames_of(told))
    assert groups(causes) == [("network", [(0, 3242, 9), (23, 2061, 9)])]
    assert any("came back" in line for line in causes.findings[0].evidence.lines)


def test_a_fault_may_be_electrical_and_lead_a_derate() -> None:
    """One of two electrical faults is followed by a derate: in one finding of each kind, and of no more."""
    causes = findings_of(frames_of(steady([(0, 100, 3, 20.0), (0, 110, 3, 20.0), (0, 1569, 31, 22.0)])))
    assert [kind for kind, _ in groups(causes)] == ["electrical", "consequence"]
    assert causes.findings[1].faults[-1].spn == 1569
    assert len(causes.about(causes.findings[0].faults[0])) == 2


def test_a_live_screen_forgets_what_is_long_gone() -> None:
    """Judged at a moment, a group that went three minutes ago is no part of the present trouble; read as a whole it is.
    """
    told = [(float(second), 0, [(100, 3), (110, 3)] if 5 <= second < 9 else []) for second in range(200)]
    assert groups(findings_of(frames_of(told), all_of_it=False)) == []
    assert len(groups(findings_of(frames_of(told), all_of_it=True))) == 1


def test_judged_at_an_earlier_moment_nothing_later_is_known() -> None:
    """At the cursor of a replay only what had begun by then counts."""
    frames = frames_of(steady([(0, 100, 3, 20.0), (0, 110, 3, 22.0), (0, 1569, 31, 25.0)]))
    assert groups(findings_of(frames, until_s=21)) == []
    assert groups(findings_of(frames, until_s=23)) == [("electrical", [(0, 100, 3), (0, 110, 3)])]


def test_channels_are_worlds_of_their_own() -> None:
    """The same moment on two buses relates nothing."""
    frames = [
        frame for second in range(40) for channel, spn in (("can0", 100), ("can1", 110))
        for frame in dm1(second, 0, [(spn, 3)] if second >= 20 else [], channel)
    ]
    assert groups(findings_of(frames)) == []


def test_after_a_clock_step_no_time_is_compared_with_one_before() -> None:
    """A fault of before the step and one that begins at the same stamp after it did not begin together."""
    frames = frames_of(steady([(0, 100, 3, 20.0)], seconds=30))
    history = History()
    for frame in frames:
        history.feed(frame)
    history.step_back()
    for frame in frames_of(steady([(0, 110, 3, 20.0)], seconds=30)):
        history.feed(frame)
    causes = shared_causes(history, START + 29 * SECOND, load_shared_causes(), all_of_it=True)
    assert groups(causes) == []


def test_a_group_lasts_over_a_long_night() -> None:
    """Seen by a live screen five minutes after the silence, faults that went on over it are still the same group."""
    told = steady(
        [(0, 100, 3, 20.0), (0, 110, 3, 21.0)], sources=(0,), seconds=340, gone=lambda _, second: 30 < second < 330
    )
    causes = findings_of(frames_of(told), all_of_it=False)
    assert groups(causes) == [("electrical", [(0, 100, 3), (0, 110, 3)])]
    assert causes.findings[0].evidence.begins_ns == (START + 20 * SECOND, START + 21 * SECOND)


def test_what_was_cleared_before_a_silence_begins_anew_after_it() -> None:
    """Two that were cleared, and are there again in the first DM1 after a silence, were not seen to begin this time."""
    told: list[tuple[float, int, list[tuple[int, int]]]] = [
        (float(second), 0, [(100, 3), (110, 3)] if 10 <= second < 20 or second >= 230 else [])
        for second in range(240) if second < 30 or second >= 230
    ]
    assert groups(findings_of(frames_of(told), all_of_it=False)) == []


def test_the_largest_group_counts() -> None:
    """Two came together once and with a third another time: one group of three."""
    told: list[tuple[float, int, list[tuple[int, int]]]] = [
        (float(second), 0, [(100, 3), (110, 3)] * (10 <= second < 15 or 30 <= second < 35 or second >= 50)
         + [(175, 3)] * (30 <= second < 35))
        for second in range(60)
    ]
    causes = findings_of(frames_of(told))
    assert groups(causes) == [("electrical", [(0, 100, 3), (0, 110, 3), (0, 175, 3)])]
    assert len(causes.findings[0].evidence.times_ns) == 3


def test_a_complaint_after_the_node_is_back_is_another_matter() -> None:
    """A node that was silent from second 20 to 27 is not behind what begins at 33."""
    told = steady(
        [(0, 3242, 9, 33.0), (23, 3246, 19, 33.5)], gone=lambda source, second: source == 61 and 20 < second < 27
    )
    assert groups(findings_of(frames_of(told))) == []


def test_one_controller_alone_does_not_accuse_the_bus() -> None:
    """Two failure modes of SPN 639 from one controller: its own wires come first, not everybody's."""
    causes = findings_of(frames_of(steady([(0, 639, 9, 20.0), (0, 639, 19, 20.0)])))
    assert groups(causes) == [("network", [(0, 639, 9), (0, 639, 19)])]
    assert "end resistors" not in causes.findings[0].sentence


def test_a_controller_that_names_itself_names_nobody() -> None:
    """SPN 2061 from address 61 is no complaint about a missing node."""
    assert groups(findings_of(frames_of(steady([(61, 2061, 9, 20.0), (0, 2061, 9, 20.0)])))) == []


def test_echoes_do_not_accuse_the_bus() -> None:
    """Two echoes of two faulted sensors have their cause: no network finding beside it."""
    causes = findings_of(frames_of(steady([
        (0, 100, 3, 20.0), (0, 110, 3, 20.0), (61, 100, 19, 22.0), (61, 110, 19, 22.0),
    ])))
    assert "network" not in [kind for kind, _ in groups(causes)]
    assert [kind for kind, _ in groups(causes)].count("consequence") == 2


def test_a_receiver_may_be_faster_than_the_sender() -> None:
    """An echo a second before the sender's own DM1 still belongs to it."""
    causes = findings_of(frames_of(steady([(0, 110, 3, 21.0), (61, 110, 19, 20.0)])))
    assert groups(causes) == [("consequence", [(61, 110, 19), (0, 110, 3)])]
    assert causes.findings[0].leading == causes.findings[0].faults[1]


def test_a_controller_is_no_echo_of_itself() -> None:
    """Two failure modes of one SPN in one controller are no echo."""
    assert groups(findings_of(frames_of(steady([(0, 110, 2, 20.0), (0, 110, 19, 22.0)])))) == []


def test_the_latest_occasion_counts() -> None:
    """A derate of an earlier occasion does not join the one that followed the fault later."""
    told: list[tuple[float, int, list[tuple[int, int]]]] = [
        (float(second), 0, [(100, 1)] * (10 <= second < 15 or second >= 50) + [(1569, 31)] * (11 <= second < 15)
         + [(1109, 31)] * (second >= 52))
        for second in range(60)
    ]
    causes = findings_of(frames_of(told))
    assert groups(causes) == [("consequence", [(0, 100, 1), (0, 1109, 31)])]
    assert [fault.spn for fault in causes.alone] == [1569]


def talking(source: int, seconds: range) -> list[Frame]:
    """Frames of a source that are no DM1: EEC2 (PGN 61443), ten a second."""
    return [
        Frame(START + tenth * SECOND // 10, "can0", build_identifier(3, 61443, source), bytes(8))
        for tenth in range(10 * seconds.start, 10 * seconds.stop)
    ]


@pytest.mark.parametrize(("with_nodes", "found"), [(True, 1), (False, 0)], ids=["by-all-frames", "by-dm1"])
def test_a_lost_node_without_dm1(with_nodes: bool, found: int) -> None:
    """A node that reports no faults can be missed only by its other frames."""
    frames = frames_of(steady([(0, 84, 9, 24.0), (23, 70, 19, 25.0)], sources=(0, 23))) + talking(11, range(21))
    causes = findings_of(sorted(frames, key=lambda frame: frame.time_ns), with_nodes=with_nodes)
    assert len(causes.findings) == found
    assert all(finding.evidence.missing == (("can0", 11),) for finding in causes.findings)


@pytest.mark.parametrize(("with_nodes", "found"), [(True, 0), (False, 1)], ids=["by-all-frames", "by-dm1"])
def test_a_node_that_only_stops_its_dm1(with_nodes: bool, found: int) -> None:
    """Where its other frames are known it is not called silent."""
    told = steady([(0, 84, 9, 24.0), (23, 70, 19, 25.0)], gone=lambda source, second: source == 61 and second > 20)
    frames = frames_of(told) + talking(61, range(60))
    causes = findings_of(sorted(frames, key=lambda frame: frame.time_ns), with_nodes=with_nodes)
    assert len(causes.findings) == found


# ---- the shipped recordings -----------------------------------------------------------------------------------------


def recorded(name: str) -> SharedCauses:
    """The findings about a shipped recording."""
    history = History()
    for block in Capture([str(shipped("captures") / name)]).blocks():
        history.feed_block(block)
    assert history.end_ns is not None
    history.advance(history.end_ns)
    return shared_causes(history, history.end_ns, load_shared_causes(), all_of_it=True)


def test_the_shipped_recordings() -> None:
    """The pump set's connector (its scenario says which codes share it) and the echo in the aftertreatment; no more."""
    connector = ("electrical", [(0, 110, 3), (0, 100, 3)])
    assert groups(recorded("quick-look.log")) == [connector]
    assert groups(recorded("pump-set.log.gz")) == [connector, ("consequence", [(0, 110, 3), (61, 110, 19)])]


def test_every_kind_can_be_found() -> None:
    """The tests above meet all kinds."""
    assert {str(kind) for kind in Kind} == {"electrical", "network", "consequence"}
