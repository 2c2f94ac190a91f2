"""Counting what was heard, without a bus."""

import pytest

from faultlamp.doctor.tally import Counts, Tally
from faultlamp.frames import BRS, ERROR, EXTENDED, FD, REMOTE, Frame
from faultlamp.frames.load import Bits

S = 1_000_000_000
# SAE J1939-73, section 5.7.1: amber lamp, SPN 110 FMI 3, one occurrence; and no fault.
ONE_FAULT = bytes.fromhex("04FF6E000301FFFF")
NO_FAULT = bytes.fromhex("00FF00000000FFFF")


def frame(can_id: int, data: bytes = bytes(8), flags: int = EXTENDED, time_ns: int = 0, channel: str = "can0") -> Frame:
    return Frame(time_ns, channel, can_id, data, flags)


def tally_of(*frames: Frame) -> Tally:
    tally = Tally()
    tally.feed(frames)
    return tally


def test_every_kind_of_frame_is_counted_as_what_it_is() -> None:
    """29-bit, 11-bit, remote, CAN FD and error frames; lengths by ISO 11898-1 of the classic ones alone."""
    tally = tally_of(
        frame(0x18FECA00),
        frame(0x18EAFF00, bytes(3)),
        frame(0x123, bytes(2), flags=0),
        frame(0x18FECA00, b"", flags=EXTENDED | REMOTE),
        frame(0x123, bytes(64), flags=FD | BRS),
        frame(0x18FECA00, bytes(12), flags=EXTENDED | FD),
        frame(0x4, flags=ERROR),
        frame(0x8, flags=ERROR),
    )
    # 131 + 91 + (47 + 16) + 67 bits without stuffing, 160 + 110 + 75 + 80 with the most.
    assert tally.counts == Counts(
        extended=4, base=2, remote=1, fd=2, errors=2, bits=Bits(131 + 91 + 63 + 67, 160 + 110 + 75 + 80)
    )
    assert tally.counts.frames == 6


def test_counts_add_up_over_many_feeds() -> None:
    """Frames in one piece or one by one give the same."""
    frames = [frame(0x18FEEE00 + number % 3, time_ns=number * S // 100) for number in range(50)]
    whole, pieces = tally_of(*frames), Tally()
    for one in frames:
        pieces.feed([one])
    pieces.feed([])
    assert pieces.counts == whole.counts == Counts(extended=50, bits=Bits(50 * 131, 50 * 160))
    assert pieces.senders() == whole.senders()
    assert [sender.frames for sender in whole.senders()] == [17, 17, 16]


def test_who_talks_and_who_reports_faults() -> None:
    """Faults are counted for each sender; without a DM1 nothing is known of them."""
    tally = tally_of(
        frame(0x18FECA03, NO_FAULT), frame(0x18FECA00, ONE_FAULT, time_ns=1), frame(0x18FEF121, time_ns=2),
        frame(0x18FECA00, ONE_FAULT, channel="can1", time_ns=3),
        # ISO 15765-3 shares the bus and is no J1939 (SAE J1939-21, section 5.2.2).
        frame(0x1BDA00F1, time_ns=4),
    )
    assert [(s.channel, s.source_address, s.frames, s.active_faults) for s in tally.senders()] == [
        ("can0", 0, 1, 1), ("can0", 3, 1, 0), ("can0", 0x21, 1, None), ("can1", 0, 1, 1),
    ]


def test_a_fault_of_a_silent_controller_is_not_called_active() -> None:
    """No DM1 for 5 s (docs/faults-json.md) and nobody knows."""
    tally = tally_of(frame(0x18FECA00, ONE_FAULT), frame(0x18FEF121, time_ns=5 * S))
    assert [(s.source_address, s.active_faults) for s in tally.senders()] == [(0, 0), (0x21, None)]


@pytest.mark.parametrize(
    ("can_id", "data", "fields"),
    [
        # identity number, maker code, ECU instance, function instance, function, vehicle system and its instance,
        # industry group, arbitrary address capable
        pytest.param(0x18EEFF80, "87D6525382C9FE52", (1234567, 666, 2, 16, 201, 127, 2, 5, False),
                     id="python-can-j1939-test_ca"),
        pytest.param(0x14EE2535, "2A65009D85F1B42F", (25898, 1256, 5, 16, 241, 90, 15, 2, False),
                     id="J1939-Framework-address_claim"),
        pytest.param(0x18EEFF00, "09034B2411050C85", (721673, 290, 1, 2, 5, 6, 5, 0, True), id="Laixer-J1939-to_bytes"),
        pytest.param(0x18EEFF00, "0100E0E2093A1200", (1, 1815, 1, 1, 58, 9, 0, 0, False), id="Laixer-J1939-builder"),
    ],
)
def test_the_name_of_an_address_claim(can_id: int, data: str, fields: tuple[object, ...]) -> None:
    """Published NAMEs (SAE J1939-81) come through as their fields."""
    (sender,) = tally_of(frame(can_id, bytes.fromhex(data))).senders()
    (name,) = sender.names
    assert sender.source_address == can_id & 0xFF
    assert (
        name.identity_number, name.manufacturer_code, name.ecu_instance, name.function_instance, name.function,
        name.vehicle_system, name.vehicle_system_instance, name.industry_group, name.arbitrary_address_capable,
    ) == fields


def test_what_is_no_address_claim_gives_no_name() -> None:
    """Another group, a short one, an 11-bit identifier, an error frame."""
    tally = tally_of(
        frame(0x18EAFF00), frame(0x18EEFF01, bytes(7)), frame(0x123, flags=0), frame(0x18EEFF02, flags=ERROR)
    )
    assert [sender.names for sender in tally.senders()] == [(), ()]


def test_claims_are_bounded_and_not_repeated() -> None:
    """A node that repeats its claim has one NAME; one that changes it without end does not fill the memory."""
    first = bytes.fromhex("87D6525382C9FE52")
    tally = tally_of(frame(0x18EEFF80, first), frame(0x18EEFF80, first))
    assert len(tally.senders()[0].names) == 1
    tally.feed([frame(0x18EEFF80, number.to_bytes(8, "little")) for number in range(1000)])
    assert len(tally.senders()[0].names) == 4
