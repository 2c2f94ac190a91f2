"""Words for people: what clearing erases, what came of it, what was answered."""

from __future__ import annotations

import pytest

from faultlamp.asking.clearing import Clearing, Stage
from faultlamp.asking.document import intake_document
from faultlamp.asking.intake import ANSWER_NS, Intake
from faultlamp.asking.plan import wanted
from faultlamp.asking.verdicts import Command, Kind, Verdict
from faultlamp.asking.words import controller_lines, title
from faultlamp.cli.clear_page import loss_lines, verdict_line
from faultlamp.j1939.participant import Participant
from faultlamp.knowledge.layouts import load_layouts
from support.controllers import Engine, SimulatedBus, name

COOLANT, OIL = (110, 3), (100, 1)
# Layouts: SAE J1939-73, sections 5.7.4, 5.7.5, 5.7.21, 5.7.24, 5.7.25 and 5.7.29, from memory.
ANSWERS = {
    65229: bytes.fromhex("0E6E0003020332204E46820050AABB"),
    64950: bytes.fromhex("5C001C01BE001802"),
    64951: bytes.fromhex("076E00030246204E"),
    65230: bytes.fromhex("0201142780008000"),
    49408: bytes.fromhex("0A00E803FFFF3C00"),
    40448: bytes.fromhex("010203FF04FFFFFF"),
    64896: bytes.fromhex("03FF64000101FFFF"),
    65260: b"TESTVIN0123456789*",
    54016: bytes.fromhex("78563412") + b"DEMO-CAL-1".ljust(16, b"\0"),
}


def test_what_an_intake_looks_like() -> None:
    """One line for each number, with unit, and the words for what is missing; refused groups share a line."""
    asking = Intake(Participant(name(500, 129), 249), wanted("all"), [0], layouts=load_layouts())
    bus = SimulatedBus(asking, [Engine(active=[COOLANT], stored=[OIL], answers=dict(ANSWERS))])
    asking.start(bus.now_ns)
    bus.run(lambda: asking.done)
    (controller,) = intake_document(asking, load_layouts())
    assert title(controller) == "Engine 1 (address 0)"
    lines = [line for _, line in controller_lines(controller)]
    for line in (
        "Active codes (DM1)", "Previously active codes (DM2)", "lamps: amber warning on",
        "SPN 100 FMI 1: Engine Oil Pressure, data valid but below normal operational range - most severe level, "
        "count 1",
        "when it came: SPN 110 FMI 3: Engine Coolant Temperature 1, voltage above normal, or shorted to high source, "
        "count 2",
        "Engine Speed: 2500 rpm", "Wheel-Based Vehicle Speed: 80 km/h", "maker-specific: AABB",
        "2 parameters; in expanded freeze frames: 92, 190",
        "active codes: 2, previously active: 1, OBD compliance: 20 (heavy-duty OBD)",
        "complete: misfire, comprehensive component", "not complete: fuel system, EGR or variable valve timing",
        "pending: 1, all pending: 2, malfunction indicator on: 3, malfunction indicator on before: not available, "
        "permanent: 4",
        "vin: TESTVIN0123456789", "DEMO-CAL-1, verification number 12345678",
    ):
        assert line in lines
    assert sum(line.startswith("Refused, so not supported or not now: ") for line in lines) == 1
    assert any(line.endswith(": not available") for line in lines)


@pytest.mark.parametrize(
    ("kind", "code", "parts"),
    [
        (Kind.ALL, None, [
            "active ones too (DM11)", "lost: SPN 110 FMI 3", "lost: SPN 100 FMI 1", "lost: 2 freeze frames",
            "lost: readiness; 2 self-tests", "stays: permanent code SPN 100 FMI 1",
        ]),
        (Kind.STORED, None, ["(DM3)", "lost: SPN 100 FMI 1", "stays: active SPN 110 FMI 3"]),
        (Kind.CODE, COOLANT, ["(DM22)", "lost: SPN 110 FMI 3", "lost: the freeze frame of that code"]),
    ],
    ids=["all", "stored", "code"],
)
def test_what_will_be_lost(kind: Kind, code: tuple[int, int] | None, parts: list[str]) -> None:
    """Codes, freeze frames and readiness that go, permanent and other codes that stay."""
    work = Clearing(Participant(name(500, 129), 249), Command(kind, code), [0], answer_ns=ANSWER_NS)
    bus = SimulatedBus(work, [Engine(active=[COOLANT], stored=[OIL], answers=dict(ANSWERS))])
    work.start(bus.now_ns)
    bus.run(lambda: work.stage is Stage.WAITING)
    text = "\n".join(loss_lines(work))
    for part in parts:
        assert part in text
    if kind is not Kind.ALL:
        assert "lost: SPN 100" not in text or kind is Kind.STORED
        assert ("lost: SPN 110" in text) == (kind is Kind.CODE)


def test_an_address_that_two_claim_is_cautioned() -> None:
    """Both would clear."""
    work = Clearing(Participant(name(500, 129), 249), Command(Kind.ALL), [0], answer_ns=ANSWER_NS)
    engine = Engine(active=[COOLANT])
    for number in (77, 78):
        engine.put(60928, 255, name(number).to_bytes())
    bus = SimulatedBus(work, [engine])
    work.start(bus.now_ns)
    bus.run(lambda: work.stage is Stage.WAITING)
    assert "several controllers claim this address" in "\n".join(loss_lines(work))


@pytest.mark.parametrize("verdict", Verdict)
def test_every_verdict_has_words(verdict: Verdict) -> None:
    """And only 'cleared' begins like it."""
    line = verdict_line({
        "address": 0, "verdict": verdict.value, "words": "said so",
        "left": [{"spn": 110, "fmi": 3}] if verdict is not Verdict.CLEARED else [],
    })
    assert line.startswith("engine 1 (0): ")
    assert line.startswith("engine 1 (0): cleared") == (verdict is Verdict.CLEARED)
    assert ("SPN 110 FMI 3" in line) == (verdict is not Verdict.CLEARED)
