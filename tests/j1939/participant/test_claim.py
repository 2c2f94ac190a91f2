"""An address of our own: claim, wait, win, lose, move, give up (SAE J1939-81, sections 4.2 and 4.4, from memory)."""

import pytest

from faultlamp.j1939.address import Name
from faultlamp.j1939.participant import ClaimState, Participant
from faultlamp.j1939.participant.claim import SPARE_ADDRESSES
from faultlamp.j1939.participant.events import (
    AddressClaimed,
    AddressConflict,
    AddressLost,
    CannotClaim,
    Event,
    Message,
    NotDelivered,
    ReceiveFailed,
)
from j1939.participant.simulated_bus import MS, SECOND, SimulatedBus, frame, of_kind
from support.names import name

CLAIM = 0x18EEFF00
REQUEST_FOR_CLAIM = bytes.fromhex("00EE00")
STRONG, OURS, WEAK = name(1), name(5), name(9)


def claimed(participant: Participant, now_ns: int = 0) -> Participant:
    """The participant after a claim that nobody minded."""
    participant.claim(now_ns)
    participant.outgoing(now_ns)
    assert of_kind(participant.advance(now_ns + 250 * MS), AddressClaimed)
    return participant


def challenge(participant: Participant, time_ns: int, rival: Name, address: int) -> list[Event]:
    """A rival claims an address."""
    return participant.feed(frame(time_ns, CLAIM | address, rival.to_bytes()))


def test_claim_is_the_published_frame() -> None:
    """NAME and identifier are those of python-can-j1939, test/test_ca.py (from address 128)."""
    their_name = Name.from_bytes(bytes.fromhex("87D6525382C9FE52"))
    participant = Participant(their_name, 128)
    participant.claim(0)
    assert participant.outgoing(0) == [(0x18EEFF80, bytes.fromhex("87D6525382C9FE52"))]


@pytest.mark.parametrize("address", [0, 127, 128, 247, 248, 249, 253])
def test_an_address_is_ours_after_250_ms(address: int) -> None:
    """From the frame of the claim to use pass 250 ms, in every range of addresses."""
    participant = Participant(OURS, address)
    assert (participant.state, participant.address) == (ClaimState.SILENT, None)
    participant.claim(0)
    assert len(participant.outgoing(40 * MS)) == 1
    assert (participant.state, participant.address) == (ClaimState.CLAIMING, None)
    assert participant.next_ns() == 290 * MS
    assert participant.advance(290 * MS - 1) == []
    assert participant.advance(290 * MS) == [AddressClaimed(290 * MS, address)]
    assert (participant.state, participant.address) == (ClaimState.CLAIMED, address)


def test_nothing_is_sent_before_the_address_is_ours() -> None:
    """A message handed over early waits; the claim is the only frame before."""
    participant = Participant(OURS)
    participant.send(0, 59904, 0, b"\xcb\xfe\x00")
    assert participant.outgoing(0) == []
    participant.claim(MS)
    assert [can_id for can_id, _ in participant.outgoing(MS)] == [0x18EEFFF9]
    participant.send(2 * MS, 0xEF00, 0, bytes(20))
    assert participant.outgoing(250 * MS) == []
    participant.advance(251 * MS)
    assert sorted(can_id for can_id, _ in participant.outgoing(251 * MS)) == [0x18EA00F9, 0x1CEC00F9]


def test_a_smaller_name_takes_the_address_while_we_wait() -> None:
    """We say that it is lost and claim 250 at once, waiting anew."""
    participant = Participant(OURS)
    participant.claim(0)
    participant.outgoing(0)
    events = challenge(participant, 100 * MS, STRONG, 249)
    assert AddressLost(100 * MS, 249) in events
    assert participant.outgoing(100 * MS) == [(0x18EEFFFA, OURS.to_bytes())]
    assert participant.advance(350 * MS - 1) == []
    assert participant.advance(350 * MS) == [AddressClaimed(350 * MS, 250)]


def test_a_smaller_name_takes_the_address_later() -> None:
    """What was under way fails, what has not begun goes out from the next address."""
    participant = claimed(Participant(OURS))
    under_way = participant.send(SECOND, 0xEF00, 0, bytes(20))
    waiting = participant.send(SECOND, 0xEF00, 0, bytes(30))
    assert len(participant.outgoing(SECOND)) == 1
    events = challenge(participant, SECOND, STRONG, 249)
    assert [(event.number, event.reason) for event in of_kind(events, NotDelivered)] == [(under_way, None)]
    assert participant.outgoing(SECOND) == [(0x18EEFFFA, OURS.to_bytes())]
    assert participant.address is None
    participant.advance(SECOND + 250 * MS)
    assert participant.outgoing(SECOND + 250 * MS) == [(0x1CEC00FA, bytes.fromhex("101E0005FF00EF00"))]
    assert waiting == under_way + 1


@pytest.mark.parametrize("wait_ms", [0, 100, 10_000])
def test_a_larger_name_is_answered_with_our_claim(wait_ms: int) -> None:
    """We keep the address and say so, during the wait and after it."""
    participant = Participant(OURS)
    participant.claim(0)
    participant.outgoing(0)
    participant.advance(wait_ms * MS)
    assert of_kind(challenge(participant, wait_ms * MS, WEAK, 249), AddressLost) == []
    later = wait_ms * MS + 50 * MS
    assert participant.outgoing(later) == [(0x18EEFFF9, OURS.to_bytes())]
    participant.advance(later + 250 * MS)
    assert participant.address == 249


def test_claims_for_other_addresses_do_not_concern_us() -> None:
    """A smaller NAME elsewhere is only heard."""
    participant = claimed(Participant(OURS))
    assert challenge(participant, SECOND, STRONG, 250) == [Message(SECOND, 60928, 250, 255, STRONG.to_bytes())]
    assert participant.outgoing(SECOND) == []
    assert participant.address == 249


def test_addresses_in_use_are_passed_over() -> None:
    """Spare addresses that somebody sends from are not claimed."""
    participant = Participant(OURS, spare=(250, 128, 129))
    participant.feed(frame(0, 0x18FECAFA, bytes(8)))
    participant.feed(frame(0, 0x18FECA80, bytes(8)))
    participant.claim(0)
    participant.outgoing(0)
    challenge(participant, MS, STRONG, 249)
    assert [can_id for can_id, _ in participant.outgoing(MS)] == [CLAIM | 129]


def test_when_every_spare_address_is_lost_we_give_up() -> None:
    """The whole list is tried once, then 'cannot claim' comes from address 254 and nothing after it."""
    participant = Participant(OURS, cannot_claim_delay_ns=90 * MS)
    number = participant.send(0, 59904, 255, b"\xca\xfe\x00")
    participant.claim(0)
    tried, events = [], []
    for _ in range(len(SPARE_ADDRESSES) + 1):
        ((can_id, _),) = participant.outgoing(0)
        tried.append(can_id & 0xFF)
        events += challenge(participant, 0, STRONG, can_id & 0xFF)
    assert tried == [249, *SPARE_ADDRESSES]
    assert len(of_kind(events, AddressLost)) == len(tried)
    assert of_kind(events, CannotClaim) == [CannotClaim(0)]
    assert [event.number for event in of_kind(events, NotDelivered)] == [number]
    assert participant.state is ClaimState.CANNOT_CLAIM
    assert participant.outgoing(90 * MS - 1) == []
    assert participant.outgoing(90 * MS) == [(0x18EEFFFE, OURS.to_bytes())]
    assert participant.next_ns() is None
    late = participant.send(SECOND, 59904, 255, b"\xca\xfe\x00")
    assert [event.number for event in of_kind(participant.advance(SECOND), NotDelivered)] == [late]
    assert participant.outgoing(SECOND) == []


def test_a_name_that_may_not_move_gives_up_at_once() -> None:
    """Without the arbitrary-address bit the first loss is the last."""
    participant = claimed(Participant(name(5, movable=False)))
    events = challenge(participant, SECOND, name(1, movable=False), 249)
    assert of_kind(events, AddressLost) == [AddressLost(SECOND, 249)]
    assert of_kind(events, CannotClaim) == [CannotClaim(SECOND)]


def test_the_arbitrary_address_bit_weighs_most() -> None:
    """NAMEs of Laixer/J1939 name.rs (bit set) and python-can-j1939 test_ca.py (not set): the latter is smaller."""
    laixer = Name.from_bytes(bytes.fromhex("09034B2411050C85"))
    python = Name.from_bytes(bytes.fromhex("87D6525382C9FE52"))
    participant = claimed(Participant(laixer, 128))
    assert of_kind(challenge(participant, SECOND, python, 128), AddressLost)
    other = claimed(Participant(python, 128))
    assert of_kind(challenge(other, SECOND, laixer, 128), AddressLost) == []


def test_we_can_try_again_after_giving_up() -> None:
    """`claim` starts from the preferred address again."""
    participant = claimed(Participant(OURS, spare=()))
    challenge(participant, SECOND, STRONG, 249)
    participant.outgoing(2 * SECOND)
    participant.claim(3 * SECOND)
    assert participant.outgoing(3 * SECOND) == [(0x18EEFFF9, OURS.to_bytes())]


@pytest.mark.parametrize("destination", [0xFF, 0xF9], ids=["everybody", "us"])
def test_a_request_for_the_address_claimed_is_answered(destination: int) -> None:
    """Asked globally or specifically, claiming or claimed, the claim goes to everybody."""
    participant = Participant(OURS)
    participant.feed(frame(0, 0x18EA0000 | destination << 8, REQUEST_FOR_CLAIM))
    assert participant.outgoing(0) == []
    participant.claim(0)
    participant.outgoing(0)
    for time_ns in (100 * MS, SECOND):
        participant.advance(time_ns)
        participant.feed(frame(time_ns, 0x18EA0000 | destination << 8, REQUEST_FOR_CLAIM))
        assert participant.outgoing(time_ns) == [(0x18EEFFF9, OURS.to_bytes())]


def test_after_giving_up_a_request_gets_cannot_claim() -> None:
    """It comes after the delay, and one answer serves all who asked meanwhile."""
    participant = claimed(Participant(OURS, spare=(), cannot_claim_delay_ns=30 * MS))
    challenge(participant, SECOND, STRONG, 249)
    participant.outgoing(2 * SECOND)
    for asker in range(20):
        participant.feed(frame(3 * SECOND, 0x18EAFF00 | asker, REQUEST_FOR_CLAIM))
    assert participant.outgoing(3 * SECOND) == []
    assert participant.outgoing(3 * SECOND + 30 * MS) == [(0x18EEFFFE, OURS.to_bytes())]


def test_an_impostor_is_reported_once_a_second() -> None:
    """A frame from our address that is not ours is a conflict; a flood of them makes one claim a second."""
    participant = claimed(Participant(OURS))
    events, sent = [], []
    for place in range(3000):
        time_ns = SECOND + place * MS
        events += participant.feed(frame(time_ns, 0x18FECAF9, bytes(8)))
        sent += participant.outgoing(time_ns)
    assert events == [AddressConflict(second * SECOND, 249) for second in (1, 2, 3)]
    assert sent == [(0x18EEFFF9, OURS.to_bytes())] * 3


def test_a_storm_of_claims_cannot_make_us_storm() -> None:
    """Against 3000 claims in 3 s we claim at most every 50 ms, and the last word is ours."""
    participant = claimed(Participant(OURS))
    sent = []
    for place in range(3000):
        time_ns = SECOND + place * MS
        challenge(participant, time_ns, WEAK, 249)
        sent += participant.outgoing(time_ns)
    assert 0 < len(sent) <= 61
    assert participant.outgoing(5 * SECOND) == [(0x18EEFFF9, OURS.to_bytes())]
    assert participant.address == 249


def test_nothing_owed_under_the_old_address_leaves_from_the_new() -> None:
    """A clear-to-send and a refusal that were still to go out are forgotten with the address."""
    participant = claimed(Participant(OURS))
    participant.feed(frame(SECOND, 0x18ECF900, bytes.fromhex("1064000FFF00EF00")))
    participant.feed(frame(SECOND, 0x18EAF900, bytes.fromhex("CBFE00")))
    events = challenge(participant, SECOND, STRONG, 249)
    assert [(event.source, event.reason) for event in of_kind(events, ReceiveFailed)] == [(0, None)]
    assert [can_id for can_id, _ in participant.outgoing(SECOND)] == [CLAIM | 250]
    participant.advance(2 * SECOND)
    assert participant.address == 250
    assert participant.outgoing(2 * SECOND) == []


def test_a_second_copy_of_us_is_reported_and_not_fought() -> None:
    """Nobody can win against the same NAME: we say that it is there and do not claim against it."""
    participant = claimed(Participant(OURS))
    events = challenge(participant, 10 * SECOND, OURS, 249)
    assert of_kind(events, AddressConflict) == [AddressConflict(10 * SECOND, 249)]
    assert participant.outgoing(10 * SECOND) == []


def test_our_own_frames_that_come_back_are_nobodys() -> None:
    """With senders that hear themselves there is no conflict, whatever is sent."""
    participant = Participant(OURS)
    bus = SimulatedBus(participant, echoes=True)
    participant.claim(0)
    for _ in range(3):
        participant.send(0, 59904, 255, b"\xca\xfe\x00")
    participant.send(0, 0xEF00, 255, bytes(40))
    bus.run()
    assert len(bus.passed) == 1 + 3 + 1 + 6
    assert of_kind(bus.events[0], AddressConflict) == []
    assert of_kind(bus.events[0], Message) == []


def test_a_claimed_participant_shares_its_address_with_its_owner() -> None:
    """`claimed=True` sends no claim and takes other frames from its address for its owner's, but yields to a NAME."""
    participant = Participant(OURS, 0, claimed=True, spare=())
    assert (participant.address, participant.outgoing(0)) == (0, [])
    assert participant.feed(frame(0, 0x18FECA00, bytes(8))) == []
    assert of_kind(challenge(participant, 0, OURS, 0), AddressConflict) == []
    assert of_kind(challenge(participant, 0, STRONG, 0), CannotClaim) == [CannotClaim(0)]


def test_two_tools_agree() -> None:
    """Two tools that prefer 249 end at 249 and 250, the smaller NAME at 249, whoever began."""
    for first, second in ((name(1), name(2)), (name(2), name(1))):
        one, other = Participant(first), Participant(second)
        bus = SimulatedBus(one, other)
        one.claim(0)
        other.claim(0)
        bus.run()
        assert {int(first): one.address, int(second): other.address} == {int(name(1)): 249, int(name(2)): 250}


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"preferred": 254}, "address 254"),
        ({"spare": (255,)}, "address 255"),
        ({"cannot_claim_delay_ns": 153 * MS + 1}, "delay 153000001"),
    ],
)
def test_impossible_options_are_refused(options: dict[str, int], message: str) -> None:
    """Addresses end at 253, the delay at 153 ms."""
    with pytest.raises(ValueError, match=f"^{message}"):
        Participant(OURS, **options)  # type: ignore[arg-type]
