"""Our participant and the Linux kernel's J1939 sockets talk to each other, in both directions."""

import errno
import os
from collections.abc import Callable, Iterable
from typing import TypeVar

import pytest
from kernel_bus import ADDRESS_CLAIMED, BUS, DM1, DM2, EVERYBODY, PROPRIETARY_A, REQUEST, Node, RawNode
from participant_bus import Station

from faultlamp.j1939.participant import ClaimState, Participant
from faultlamp.j1939.participant.events import (
    AbortReason,
    AddressClaimed,
    AddressConflict,
    AddressLost,
    CannotClaim,
    Delivered,
    Message,
    NotDelivered,
    ReceiveFailed,
)
from faultlamp.j1939.requests import ACKNOWLEDGEMENT_PGN
from support.names import name

pytestmark = pytest.mark.kernel

TOOL, SPARE, ENGINE = 0xF9, 0xFA, 0x20
TP_CONTROL, TP_DATA, ETP_CONTROL, ETP_DATA = 0xEC, 0xEB, 0xC8, 0xC7
SIZES = [
    pytest.param(9, id="smallest-connection"),
    pytest.param(100, id="one-window"),
    pytest.param(1785, id="largest-connection"),
    pytest.param(1786, id="smallest-extended"),
    pytest.param(10000, id="extended-six-windows"),
]
PATTERN = bytes(range(251))
Kind = TypeVar("Kind")


def pattern(size: int) -> bytes:
    """A payload in which misplaced packets show."""
    return (PATTERN * (size // len(PATTERN) + 1))[:size]


def losing(ours: bool, fields: Iterable[int], places: Iterable[int]) -> Callable[[int, bytes, bool], bool]:
    """Lose frames that we send (`ours`) or hear, of these PDU formats: those at the given places, from 1."""
    wanted, lost, count = set(fields), set(places), 0

    def loses(can_id: int, _: bytes, sent: bool) -> bool:
        nonlocal count
        if sent != ours or can_id >> 16 & 0xFF not in wanted:
            return False
        count += 1
        return count in lost

    return loses


def station(loses: Callable[[int, bytes, bool], bool] = lambda *_: False, *, number: int = 7) -> Station:
    """Ours, at the address of a diagnostic tool."""
    return Station(Participant(name(number), channel=BUS), loses)


def of_kind(ours: Station, kind: type[Kind]) -> list[Kind]:
    """The events of one kind."""
    return [event for event in ours.events if isinstance(event, kind)]


def messages(ours: Station, pgn: int) -> list[tuple[int, int, bytes]]:
    """What came to us of that group: (source, destination, payload)."""
    return [(event.source, event.destination, event.payload) for event in of_kind(ours, Message) if event.pgn == pgn]


def settled(ours: Station) -> Callable[[], bool]:
    """Whether our message arrived, or is known not to have."""
    return lambda: bool(of_kind(ours, Delivered) or of_kind(ours, NotDelivered))


def received(ours: Station) -> Callable[[], bool]:
    """Whether a message of the proprietary group came, or is known not to come."""
    return lambda: bool(messages(ours, PROPRIETARY_A) or of_kind(ours, ReceiveFailed))


def nothing_came(kernel: Node) -> bool:
    """Whether the socket of the kernel got nothing of the proprietary group."""
    kernel.socket.settimeout(0.2)
    try:
        kernel.receive(PROPRIETARY_A)
    except TimeoutError:
        return True
    return False


@pytest.mark.parametrize("size", SIZES)
def test_the_kernel_takes_what_we_send(size: int) -> None:
    """A socket of the kernel receives our message byte for byte, and its acknowledgement counts as delivery."""
    with station() as ours, Node(ENGINE) as kernel:
        ours.claim()
        number = ours.send(PROPRIETARY_A, ENGINE, pattern(size))
        ours.live(settled(ours))
        assert [event.number for event in of_kind(ours, Delivered)] == [number]
        assert kernel.receive(PROPRIETARY_A) == pattern(size)


@pytest.mark.parametrize("size", SIZES)
def test_we_take_what_the_kernel_sends(size: int) -> None:
    """What a socket of the kernel sends to us arrives byte for byte, and the kernel aborts nothing afterwards."""
    with station() as ours, Node(ENGINE) as kernel:
        ours.claim()
        kernel.send(PROPRIETARY_A, pattern(size), to=TOOL)
        ours.live(received(ours))
        ours.rest(0.05)
        assert messages(ours, PROPRIETARY_A) == [(ENGINE, TOOL, pattern(size))]
        assert kernel_aborts(ours) == []


def kernel_aborts(ours: Station) -> list[int]:
    """The reasons of the aborts that the kernel sent to us."""
    return [
        wire.data[1] for wire in ours.heard
        if wire.can_id >> 16 & 0xFF in (TP_CONTROL, ETP_CONTROL) and wire.data[0] == 0xFF
    ]


def test_broadcasts_both_ways() -> None:
    """A broadcast of 86 bytes reaches the kernel, and one of the kernel's reaches us."""
    with station() as ours, Node(ENGINE) as kernel:
        ours.claim()
        ours.send(DM1, EVERYBODY, pattern(86))
        ours.live(settled(ours))
        assert kernel.receive(DM1) == pattern(86)
        kernel.send(DM1, pattern(86)[::-1])
        ours.live(lambda: bool(messages(ours, DM1)))
        assert messages(ours, DM1) == [(ENGINE, EVERYBODY, pattern(86)[::-1])]


@pytest.mark.parametrize(
    ("size", "field", "places"),
    [
        pytest.param(1785, TP_DATA, [5], id="one-packet"),
        pytest.param(1785, TP_DATA, [100, 101, 200], id="three-packets"),
        pytest.param(1785, TP_DATA, [16], id="last-of-a-window"),
        pytest.param(5000, ETP_DATA, [5], id="extended-one-packet"),
        pytest.param(5000, ETP_DATA, [300, 301], id="extended-two-packets"),
        pytest.param(5000, ETP_DATA, [255], id="extended-last-of-a-window"),
        pytest.param(5000, ETP_CONTROL, [2], id="extended-offset"),
    ],
)
def test_what_gets_lost_on_the_way_to_us_is_asked_for_again(size: int, field: int, places: list[int]) -> None:
    """The kernel repeats what our clear-to-send names again, and the message arrives whole."""
    with station(losing(False, [field], places)) as ours, Node(ENGINE) as kernel:
        ours.claim()
        kernel.send(PROPRIETARY_A, pattern(size), to=TOOL)
        ours.live(received(ours))
        ours.rest(0.05)
        assert messages(ours, PROPRIETARY_A) == [(ENGINE, TOOL, pattern(size))]
        assert kernel_aborts(ours) == []


def test_a_packet_of_the_last_window_is_asked_for_again() -> None:
    """Linux 6.18 repeats the packet, but gives up the session (reason 5) because it had sent all; we have it whole."""
    with station(losing(False, [TP_DATA], [5])) as ours, Node(ENGINE) as kernel:
        ours.claim()
        kernel.send(PROPRIETARY_A, pattern(100), to=TOOL)
        ours.live(received(ours))
        ours.rest(0.05)
        assert messages(ours, PROPRIETARY_A) == [(ENGINE, TOOL, pattern(100))]
        assert kernel_aborts(ours) in ([], [AbortReason.RETRANSMIT_LIMIT])


@pytest.mark.parametrize(
    ("size", "field", "places"),
    [
        pytest.param(100, TP_DATA, [5], id="one-packet"),
        pytest.param(1785, TP_DATA, [255], id="last-packet"),
        pytest.param(5000, ETP_DATA, [300, 301], id="extended"),
        pytest.param(5000, ETP_CONTROL, [2], id="extended-offset"),
    ],
)
def test_the_kernel_breaks_off_what_it_did_not_get_whole(size: int, field: int, places: list[int]) -> None:
    """The kernel never asks again but aborts; we say so, and its socket has no bytes of it."""
    with station(losing(True, [field], places)) as ours, Node(ENGINE) as kernel:
        ours.claim()
        number = ours.send(PROPRIETARY_A, ENGINE, pattern(size))
        ours.live(settled(ours))
        assert [(event.number, event.reason) for event in of_kind(ours, NotDelivered)] == [
            (number, kernel_aborts(ours)[0])
        ]
        assert nothing_came(kernel)


def test_a_lost_request_to_send_is_repeated() -> None:
    """The first request to send does not reach the kernel; the next one does (T3, 1250 ms)."""
    with station(losing(True, [TP_CONTROL], [1])) as ours, Node(ENGINE) as kernel:
        ours.claim()
        ours.send(PROPRIETARY_A, ENGINE, pattern(100))
        ours.live(settled(ours))
        assert len(of_kind(ours, Delivered)) == 1
        assert kernel.receive(PROPRIETARY_A) == pattern(100)


def test_what_never_comes_is_told() -> None:
    """When none of the kernel's packets reach us, the connection fails and no bytes of it are given out."""
    with station(losing(False, [TP_DATA], range(1, 1000))) as ours, Node(ENGINE) as kernel:
        ours.claim()
        kernel.send(PROPRIETARY_A, pattern(1785), to=TOOL)
        ours.live(received(ours))
        assert [event.reason for event in of_kind(ours, ReceiveFailed)] == [AbortReason.TIMEOUT]
        assert messages(ours, PROPRIETARY_A) == []


def test_our_abort_ends_the_kernels_session() -> None:
    """A packet that was not allowed, as if from the kernel's node, makes us abort (reason 6); the kernel stops."""
    with RawNode() as intruder:
        intrude = losing(False, [TP_DATA], [16])

        def loses(can_id: int, data: bytes, sent: bool) -> bool:
            if intrude(can_id, data, sent):
                intruder.send(0x18EBF920, "C8 11 11 11 11 11 11 11")
            return False

        with station(loses) as ours, Node(ENGINE) as kernel:
            ours.claim()
            kernel.send(PROPRIETARY_A, pattern(1785), to=TOOL)
            ours.live(received(ours))
            ours.rest(0.1)
            assert [event.reason for event in of_kind(ours, ReceiveFailed)] == [AbortReason.UNEXPECTED_PACKET]
            packets = [wire.data[0] for wire in ours.heard if wire.can_id >> 16 & 0xFF == TP_DATA]
            assert max(number for number in packets if number != 0xC8) < 255
            kernel.send(PROPRIETARY_A, pattern(100), to=TOOL)
            ours.live(lambda: bool(messages(ours, PROPRIETARY_A)))
            assert messages(ours, PROPRIETARY_A) == [(ENGINE, TOOL, pattern(100))]


def test_the_smaller_name_moves_us() -> None:
    """A kernel node with a smaller NAME defends 249; we move to 250, and the kernel finds us there by our NAME."""
    with Node(TOOL, name=int(name(3))) as kernel, Node(ENGINE) as other, station(number=9) as ours:
        ours.participant.claim(ours.now())
        ours.rest(0.05)
        kernel.send(ADDRESS_CLAIMED, name(3).to_bytes())
        ours.live(lambda: ours.participant.state is ClaimState.CLAIMED)
        assert ours.participant.address == SPARE
        assert [event.address for event in of_kind(ours, AddressLost)] == [TOOL]
        assert [event.address for event in of_kind(ours, AddressClaimed)] == [SPARE]
        other.socket.sendto(pattern(100), (BUS, int(name(9)), PROPRIETARY_A, EVERYBODY))
        ours.live(received(ours))
        assert messages(ours, PROPRIETARY_A) == [(ENGINE, SPARE, pattern(100))]


def test_the_larger_name_loses_to_us() -> None:
    """A kernel node with a larger NAME on our address cannot send from it any more once we have claimed."""
    with station(number=3) as ours, Node(TOOL, name=int(name(9))) as kernel:
        kernel.send(PROPRIETARY_A, b"12345678", to=ENGINE)
        ours.claim()
        assert ours.participant.address == TOOL
        with pytest.raises(OSError, match=os.strerror(errno.EADDRNOTAVAIL)):
            kernel.send(PROPRIETARY_A, b"12345678", to=ENGINE)


def test_a_claim_against_us_is_answered() -> None:
    """A later claim with a larger NAME makes us claim again; the kernel goes on knowing our address by our NAME."""
    with station(number=3) as ours, Node(ENGINE) as other, RawNode() as raw:
        ours.claim()
        before = len(ours.sent)
        raw.send(0x18EEFFF9, name(9).to_bytes().hex())
        ours.rest(0.4)
        assert ours.sent[before:] == [(0x18EEFFF9, name(3).to_bytes())]
        assert ours.participant.state is ClaimState.CLAIMED
        other.socket.sendto(b"12345678", (BUS, int(name(3)), PROPRIETARY_A, EVERYBODY))
        ours.live(received(ours))
        assert messages(ours, PROPRIETARY_A) == [(ENGINE, TOOL, b"12345678")]


def test_a_fixed_name_that_loses_falls_silent() -> None:
    """Without the right to move we say 'cannot claim' from address 254 once, and again only when asked."""
    participant = Participant(name(9, movable=False), channel=BUS)
    with Node(TOOL, name=int(name(3, movable=False))) as kernel, Node(ENGINE) as other, Station(participant) as ours:
        participant.claim(ours.now())
        ours.rest(0.05)
        kernel.send(ADDRESS_CLAIMED, name(3, movable=False).to_bytes())
        ours.rest(0.5)
        cannot_claim = (0x18EEFFFE, name(9, movable=False).to_bytes())
        assert [tuple(wire) for wire in ours.sent] == [(0x18EEFFF9, cannot_claim[1]), cannot_claim]
        assert len(of_kind(ours, CannotClaim)) == 1
        number = ours.send(REQUEST, EVERYBODY, b"\xca\xfe\x00")
        other.send(REQUEST, b"\x00\xee\x00")
        ours.rest(0.3)
        assert [tuple(wire) for wire in ours.sent[2:]] == [cannot_claim]
        assert [event.number for event in of_kind(ours, NotDelivered)] == [number]


def test_an_impostor_is_told() -> None:
    """A frame from our address that we did not send is reported and answered with our claim."""
    with station() as ours, RawNode() as raw:
        ours.claim()
        before = len(ours.sent)
        raw.send(0x18FECAF9, "00 FF 00 00 00 00 FF FF")
        ours.rest(0.1)
        assert [event.address for event in of_kind(ours, AddressConflict)] == [TOOL]
        assert [wire.can_id for wire in ours.sent[before:]] == [0x18EEFFF9]


def test_the_kernel_asks_us() -> None:
    """The kernel gets our claim for its global request, and a refusal for a group that we do not have."""
    with station() as ours, Node(ENGINE) as kernel:
        ours.claim()
        kernel.send(REQUEST, b"\x00\xee\x00")
        ours.rest(0.1)
        assert kernel.receive(ADDRESS_CLAIMED) == name(7).to_bytes()
        kernel.send(REQUEST, b"\xcb\xfe\x00", to=TOOL)
        ours.rest(0.1)
        # SAE J1939-21, section 5.4.4: refused, no group function, asked by 0x20, PGN 65227.
        assert kernel.receive(ACKNOWLEDGEMENT_PGN) == bytes.fromhex("01 FF FF FF 20 CB FE 00")


def test_we_ask_the_kernel() -> None:
    """Our request is a 3-byte message to the kernel's socket; the answer of 86 bytes comes as a connection."""
    with station() as ours, Node(ENGINE) as kernel:
        ours.claim()
        ours.send(REQUEST, ENGINE, b"\xcb\xfe\x00")
        ours.live(settled(ours))
        assert kernel.receive(REQUEST) == b"\xcb\xfe\x00"
        kernel.send(DM2, pattern(86), to=TOOL)
        ours.live(lambda: bool(messages(ours, DM2)))
        assert messages(ours, DM2) == [(ENGINE, TOOL, pattern(86))]


def test_many_nodes_at_once() -> None:
    """Eight nodes of the kernel send 1785 bytes each to us while we send to all of them; all arrives."""
    nodes = [Node(address) for address in range(0x30, 0x38)]
    try:
        with station() as ours:
            ours.claim()
            for node, address in zip(nodes, range(0x30, 0x38), strict=True):
                node.send(PROPRIETARY_A, pattern(1785), to=TOOL)
                ours.send(PROPRIETARY_A, address, pattern(address * 9))
            ours.live(lambda: len(messages(ours, PROPRIETARY_A)) == 8 and len(of_kind(ours, Delivered)) == 8)
            assert {source for source, _, _ in messages(ours, PROPRIETARY_A)} == set(range(0x30, 0x38))
            assert all(payload == pattern(1785) for _, _, payload in messages(ours, PROPRIETARY_A))
            for node, address in zip(nodes, range(0x30, 0x38), strict=True):
                assert node.receive(PROPRIETARY_A) == pattern(address * 9)
    finally:
        for node in nodes:
            node.socket.close()
