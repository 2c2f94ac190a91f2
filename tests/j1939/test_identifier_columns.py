"""Identifiers looked at all at once are what they are one at a time."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.frames import ERROR, EXTENDED, FD, REMOTE, FrameBlock
from faultlamp.j1939.identifier import is_addressed, is_j1939, split_identifier
from faultlamp.j1939.identifier_columns import NO_GROUP, TRANSPORT, GroupTable, group_bits, j1939_frames, places_of
from faultlamp.j1939.transport import TRANSPORT_PGNS

# SAE J1939-21, section 5.2: a request (PDU1), EEC1 (PDU2), a DM1 on data page 1, the last group.
WANTED = (0xEA00, 0xF004, 0x1FECA, 0x3FFFF)
group = st.sampled_from((*WANTED, *TRANSPORT_PGNS, 0xEF00)) | st.integers(0, 0x3FFFF)
identifiers = st.builds(
    lambda priority, pgn, low, source: priority << 26 | (pgn | low if is_addressed(pgn) else pgn) << 8 | source,
    st.integers(0, 7), group, st.integers(0, 255), st.integers(0, 255),
)
flags = st.sampled_from((EXTENDED, EXTENDED | REMOTE, EXTENDED | FD, EXTENDED | ERROR, 0))


@given(st.lists(st.tuples(identifiers, flags), min_size=1, max_size=50))
def test_groups_are_those_of_each_frame(frames: list[tuple[int, int]]) -> None:
    """The place of a wanted group, parts of a message, or neither: as `split_identifier` and `is_j1939` say."""
    can_ids, kinds = zip(*frames, strict=True)
    size = len(frames)
    block = FrameBlock(
        np.zeros(size, np.int64), np.zeros(size, np.int32), np.array(can_ids, np.uint32), np.array(kinds, np.uint8),
        np.full(size, 8, np.uint8), np.zeros(size, np.uint64), ("can0",),
    )
    whole = [kind == EXTENDED and is_j1939(can_id) for can_id, kind in frames]
    assert j1939_frames(block).tolist() == whole
    assert group_bits(block).tolist() == [can_id >> 8 & 0x3FFFF for can_id in can_ids]
    expected = []
    for can_id, is_whole in zip(can_ids, whole, strict=True):
        pgn = split_identifier(can_id).pgn
        place = TRANSPORT if pgn in TRANSPORT_PGNS else WANTED.index(pgn) if pgn in WANTED else NO_GROUP
        expected.append(place if is_whole else NO_GROUP)
    assert GroupTable(WANTED).find(block).tolist() == expected


def test_an_addressed_group_has_a_place_for_every_destination() -> None:
    """PF below 240: PS is the destination; from 240 on it belongs to the group (SAE J1939-21, section 5.2)."""
    assert places_of(0xEF00) == slice(0xEF00, 0xF000)
    assert places_of(0xF000) == slice(0xF000, 0xF001)
    assert (is_addressed(0x1EF00), is_addressed(0x1F000)) == (True, False)
