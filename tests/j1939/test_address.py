"""The NAME of a node, against published NAMEs.

PY, FZ, LX, AG are the tests of the public libraries python-can-j1939, J1939-Framework, Laixer J1939, AgIsoStack++.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.j1939.address import Name

FIELDS = (
    "identity_number", "manufacturer_code", "ecu_instance", "function_instance", "function", "vehicle_system",
    "vehicle_system_instance", "industry_group", "arbitrary_address_capable",
)

EXAMPLES = [
    pytest.param("87 D6 52 53 82 C9 FE 52", (1234567, 666, 2, 16, 201, 127, 2, 5, False), id="PY test_ca"),
    pytest.param("2A 65 00 9D 85 F1 B4 2F", (25898, 1256, 5, 16, 241, 90, 15, 2, False),
                 id="FZ address_claim_frame_test"),
    pytest.param("09 03 4B 24 11 05 0C 85", (721673, 290, 1, 2, 5, 6, 5, 0, True), id="LX test_to_bytes"),
    pytest.param("01 00 E0 E2 09 3A 12 00", (1, 1815, 1, 1, 58, 9, 0, 0, False), id="LX test_name_builder"),
    pytest.param((10881826125818888196).to_bytes(8, "little").hex(), (4, 8, 5, 6, 3, 2, 7, 1, True),
                 id="AG can_name_tests"),
]


@pytest.mark.parametrize(("data", "values"), EXAMPLES)
def test_published_names(data: str, values: tuple[int, ...]) -> None:
    """Each published NAME comes apart into its published fields, and goes back together."""
    payload = bytes.fromhex(data)
    name = Name.from_bytes(payload)
    assert tuple(getattr(name, field) for field in FIELDS) == values
    assert not name.reserved
    assert name == Name(**dict(zip(FIELDS, values, strict=True)))  # type: ignore[arg-type]  # a bool among ints
    assert name.to_bytes() == payload


def test_the_number_decides_a_conflict() -> None:
    """The NAME as a number is little-endian (SAE J1939-81, from memory; the number: AG can_name_tests)."""
    name = Name.from_bytes((10881826125818888196).to_bytes(8, "little"))
    assert int(name) == 10881826125818888196
    capable_loses = Name.from_bytes(bytes(7) + b"\x80")
    assert int(Name.from_bytes(b"\xff" * 7 + b"\x7f")) < int(capable_loses)


@given(st.binary(min_size=8, max_size=8))
def test_any_eight_bytes_survive(payload: bytes) -> None:
    """Whatever comes off the bus is taken apart and reproduced bit for bit, the reserved bit too."""
    assert Name.from_bytes(payload).to_bytes() == payload


@pytest.mark.parametrize("length", [0, 7, 9])
def test_a_name_has_eight_bytes(length: int) -> None:
    """Any other length is no NAME."""
    with pytest.raises(ValueError, match=f"a NAME has 8 bytes, not {length}"):
        Name.from_bytes(bytes(length))


# Widths: Linux kernel, include/uapi/linux/can/j1939.h, and SAE J1939-81 (from memory).
LIMITS = {
    "identity_number": 2097151, "manufacturer_code": 2047, "ecu_instance": 7, "function_instance": 31,
    "function": 255, "vehicle_system": 127, "vehicle_system_instance": 15, "industry_group": 7,
}


@pytest.mark.parametrize(("field", "limit"), LIMITS.items())
def test_each_field_fits_its_bits(field: str, limit: int) -> None:
    """The largest number of each field is taken, one more and one below zero are refused by name and range."""
    zeros = dict.fromkeys(LIMITS, 0) | {"arbitrary_address_capable": False}
    name = Name(**zeros | {field: limit})  # type: ignore[arg-type]
    assert getattr(Name.from_bytes(name.to_bytes()), field) == limit
    for wrong in (limit + 1, -1):
        with pytest.raises(ValueError, match=f"{field} {wrong} is outside 0..{limit}"):
            Name(**zeros | {field: wrong})  # type: ignore[arg-type]
