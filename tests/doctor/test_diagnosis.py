"""What counts mean. Common practice, no source, unless a row says otherwise."""

from typing import Any

import pytest

from faultlamp.doctor.checks import SILENT_BUS
from faultlamp.doctor.diagnosis import BitRateLooks, Evidence, State, bit_rate_looks, findings, state_of
from faultlamp.doctor.tally import Counts, Sender
from faultlamp.frames.load import Bits, bus_load
from faultlamp.j1939.address import Name

ENGINE = Sender("can0", 0, 500, 0, ())
BRAKES = Sender("can0", 11, 50, None, ())
NAME = Name.from_bytes(bytes.fromhex("87D6525382C9FE52"))
OTHER_NAME = Name.from_bytes(bytes.fromhex("2A65009D85F1B42F"))


def evidence(**changed: Any) -> Evidence:
    """Five seconds of a healthy bus, but for what is changed."""
    return Evidence(**{"seconds": 5.0, "counts": Counts(extended=550), "senders": (ENGINE, BRAKES)} | changed)


NOTHING = {"counts": Counts(), "senders": ()}
ONLY_ERRORS = {"counts": Counts(errors=900), "senders": ()}
ONLY_11_BIT = {"counts": Counts(base=100), "senders": ()}
SOME_ERRORS = {"counts": Counts(extended=550, errors=3)}


@pytest.mark.parametrize(
    ("changed", "state", "looks"),
    [
        pytest.param({}, State.ALIVE, BitRateLooks.RIGHT, id="healthy"),
        pytest.param(SOME_ERRORS, State.ALIVE, BitRateLooks.RIGHT, id="frames-and-errors"),
        pytest.param(ONLY_11_BIT, State.ALIVE, BitRateLooks.RIGHT, id="11-bit-only"),
        pytest.param(ONLY_ERRORS, State.ERRORS_ONLY, BitRateLooks.WRONG, id="errors-without-frames"),
        pytest.param(NOTHING, State.SILENT, BitRateLooks.UNKNOWN, id="silent"),
        pytest.param(NOTHING | {"garbled": 7}, State.SILENT, BitRateLooks.UNKNOWN, id="rubbish-from-the-adapter"),
    ],
)
def test_alive_or_not(changed: dict[str, Any], state: State, looks: BitRateLooks) -> None:
    """Errors without one frame make the bit rate look wrong; silence says nothing about it."""
    assert state_of(evidence(**changed)) is state
    assert bit_rate_looks(evidence(**changed)) is looks


@pytest.mark.parametrize(
    ("changed", "codes"),
    [
        pytest.param({}, ["no_faults"], id="healthy"),
        pytest.param({"senders": (Sender("can0", 0, 9, 2, ()), Sender("can0", 61, 9, 1, ()))}, ["faults_active"],
                     id="faults"),
        pytest.param({"senders": (BRAKES,)}, ["no_engine", "no_dm1"], id="without-the-engine"),
        pytest.param({"engine_address": 1}, ["no_engine", "no_faults"], id="engine-elsewhere"),
        pytest.param({"engine_address": 11}, ["no_faults"], id="engine-address-given"),
        pytest.param({"senders": (Sender("can0", 0, 9, None, ()),)}, ["no_dm1"], id="no-dm1"),
        # SAE J1939-73, section 5.7.1 (from memory): once a second, so half a second proves nothing.
        pytest.param({"senders": (Sender("can0", 0, 9, None, ()),), "seconds": 0.5}, [], id="no-dm1-yet"),
        pytest.param(SOME_ERRORS, ["errors", "no_faults"], id="frames-and-errors"),
        pytest.param(ONLY_ERRORS, ["bit_rate_wrong"], id="errors-without-frames"),
        pytest.param(ONLY_11_BIT, ["no_j1939"], id="11-bit-only"),
        pytest.param(NOTHING, ["silent"], id="silent"),
        pytest.param(NOTHING | {"garbled": 7}, ["silent", "garbled"], id="rubbish-from-the-adapter"),
        pytest.param({"lost": 4}, ["no_faults", "frames_lost"], id="lost"),
        # linux/can/netlink.h, enum can_state
        pytest.param(NOTHING | {"link_state": "BUS-OFF"}, ["silent", "controller_errors"], id="bus-off"),
        pytest.param({"link_state": "ERROR-ACTIVE"}, ["no_faults"], id="error-active-is-good"),
        # SAE J1939-81, section 4.5 (from memory)
        pytest.param({"senders": (Sender("can0", 0, 9, 0, (NAME, OTHER_NAME)),)}, ["no_faults", "address_conflict"],
                     id="two-names"),
        pytest.param({"senders": (Sender("can0", 0, 9, 0, (NAME,)),)}, ["no_faults"], id="one-name"),
    ],
)
def test_findings(changed: dict[str, Any], codes: list[str]) -> None:
    """Each circumstance leads to its findings and to no others, the gravest first."""
    found = findings(evidence(**changed))
    assert [finding.code for finding in found] == codes
    assert all(finding.text.endswith((".", "?")) and "\n" not in finding.text for finding in found)


@pytest.mark.parametrize(
    ("frames_per_s", "codes"),
    [
        # ISO 11898-1: 131 bits each without stuffing, 1908 of them fill 250 kbit/s.
        pytest.param(1908, ["no_faults"], id="full"),
        pytest.param(1950, ["load_impossible", "no_faults"], id="more-than-full"),
    ],
)
def test_a_load_above_all_contradicts_the_bit_rate(frames_per_s: int, codes: list[str]) -> None:
    """More than fits means that the rate that was told is not that of the bus."""
    load = bus_load(Bits(131 * frames_per_s, 160 * frames_per_s), 1.0, 250_000)
    assert [finding.code for finding in findings(evidence(load=load))] == codes


def test_the_numbers_are_in_the_words() -> None:
    """How many faults and errors, singular and plural."""
    texts = [finding.text for finding in findings(evidence(
        counts=Counts(extended=550, errors=1), senders=(Sender("can0", 0, 9, 2, ()), Sender("can0", 3, 9, 1, ()))
    ))]
    assert texts[0].startswith("1 error frame beside 550 good frames")
    assert texts[1] == "3 active faults reported."
    assert "address 11" in findings(evidence(senders=(Sender("c", 11, 1, 0, (NAME, OTHER_NAME)),)))[-1].text


def test_the_checks_of_a_silent_bus_come_in_their_order() -> None:
    """Key, connector, resistance with the power off, bit rate, fuse, lamp, acknowledge; ISO 11898-2: 120 ohm at each
    of two ends are 60 ohm, a third makes 40."""
    words = [check.what.lower() for check in SILENT_BUS]
    for word, what in zip(
        ("key on", "connector", "60 ohm", "bit rate", "fuse", "lamp", "acknowledge"), words, strict=True
    ):
        assert word in what
    assert "power off" in words[2]
    for reading in (round(1 / (1 / 120)), round(1 / (3 / 120)), 0):
        assert any(str(reading) in line for line in SILENT_BUS[2].how)
    assert any(line.startswith("Open") for line in SILENT_BUS[2].how)
