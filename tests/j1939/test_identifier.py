"""Identifiers against published ones.

Sources: the unit tests of the Rust crate Laixer/J1939 (LX) and of the C++ library famez/J1939-Framework (FZ), both
public; 'rule' is SAE J1939-21 section 5.2 worked by hand, with the PGN taken over DP as the Linux kernel does
(include/uapi/linux/can/j1939.h).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.j1939.identifier import Identifier, build_identifier, is_j1939, split_identifier

PUBLISHED = [
    pytest.param(0x0CF00400, 3, 61444, 255, 0, id="EEC1 from engine 1, rule"),
    pytest.param(0x18FECA00, 6, 65226, 255, 0, id="DM1 from engine 1, rule"),
    pytest.param(0x18EAFF00, 6, 59904, 255, 0, id="request to all, LX id_decode_1"),
    pytest.param(0x18EA687A, 6, 59904, 104, 122, id="request to one, LX id_decode_2"),
    pytest.param(0x0CFE6CEE, 3, 65132, 255, 238, id="tachograph, LX id_decode_3"),
    pytest.param(0x0CCA348B, 3, 51712, 0x34, 139, id="transfer, LX id_build_2"),
    pytest.param(0x18FEF7EA, 6, 65271, 255, 234, id="VEP1, LX id_build_4"),
    pytest.param(0x19EF00EA, 6, 126720, 0, 234, id="proprietary A2, LX id_build_5"),
    pytest.param(0x0DFE6CEE, 3, 130668, 255, 238, id="DP belongs to the PGN, rule"),
    pytest.param(0x1CECFF01, 7, 60416, 255, 1, id="BAM, LX transport"),
    pytest.param(0x14EE2535, 5, 60928, 37, 53, id="address claimed, FZ"),
    pytest.param(0x10EA2430, 4, 59904, 0x24, 0x30, id="request, FZ request_frame"),
]


@pytest.mark.parametrize(("can_id", "priority", "pgn", "destination", "source"), PUBLISHED)
def test_published_identifiers(can_id: int, priority: int, pgn: int, destination: int, source: int) -> None:
    """Published identifiers come apart into their published fields and go together again."""
    assert split_identifier(can_id) == Identifier(priority, pgn, destination, source)
    assert build_identifier(priority, pgn, source, destination) == can_id


@given(st.integers(0, (1 << 29) - 1))
def test_every_identifier_survives_a_round_trip(can_id: int) -> None:
    """Splitting loses nothing."""
    fields = split_identifier(can_id)
    assert build_identifier(fields.priority, fields.pgn, fields.source, fields.destination) == can_id


@pytest.mark.parametrize(
    ("fields", "word"),
    [
        ((8, 65226, 0, 255), "priority 8"),
        ((6, 1 << 18, 0, 255), "pgn 262144"),
        ((6, 65226, 256, 255), "source 256"),
        ((6, 59904, 0, 256), "destination 256"),
        ((6, 59905, 0, 255), "low byte"),
    ],
    ids=lambda value: str(value),
)
def test_fields_that_do_not_fit_are_named(fields: tuple[int, int, int, int], word: str) -> None:
    """A field out of range is refused by name and value."""
    with pytest.raises(ValueError, match=word):
        build_identifier(*fields)


def test_iso_15765_traffic_is_not_j1939() -> None:
    """EDP = DP = 1 marks ISO 15765-3 (SAE J1939-21, section 5.2.2, from memory)."""
    assert is_j1939(0x18FECA00)
    assert is_j1939(0x19FECA00)
    assert is_j1939(0x1AFECA00)
    assert not is_j1939(0x1BFECA00)
