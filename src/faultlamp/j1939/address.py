"""The 64-bit NAME of a node, as the address-claimed message (PGN 60928) carries it: SAE J1939-81, section 4.1
(section from memory).

    byte   1       2       3        4       5              6         7               8
    bits   identity number  | maker code    | instances    | function | vehicle       | see below
           bits 0..20       | 21..31        | ECU 32..34   | 40..47   | system 49..55 |
                                              function 35..39          reserved 48

    byte 8: vehicle system instance 56..59, industry group 60..62, arbitrary address capable 63

Byte 1 holds the lowest bits. When two nodes claim one address, the smaller NAME, as a number, keeps it
(from memory, section 4.5).
"""

from __future__ import annotations

from dataclasses import dataclass

NAME_BYTES = 8

# Field, lowest bit, number of bits.
_FIELDS = (
    ("identity_number", 0, 21),
    ("manufacturer_code", 21, 11),
    ("ecu_instance", 32, 3),
    ("function_instance", 35, 5),
    ("function", 40, 8),
    ("reserved", 48, 1),
    ("vehicle_system", 49, 7),
    ("vehicle_system_instance", 56, 4),
    ("industry_group", 60, 3),
    ("arbitrary_address_capable", 63, 1),
)

INDUSTRY_GROUPS = ("global", "on-highway", "agriculture and forestry", "construction", "marine", "industrial")
"""SAE J1939-81, industry group (from memory); 6 and 7 are reserved."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Name:
    """The fields of a NAME. Raises ValueError when one does not fit its bits.

    identity_number: 0 to 2097151, the maker's serial number of the unit.
    manufacturer_code: 0 to 2047.
    ecu_instance: 0 to 7, which of several units that share a function.
    function_instance: 0 to 31. function: 0 to 255; 0 is the engine.
    vehicle_system: 0 to 127. vehicle_system_instance: 0 to 15.
    industry_group: 0 global, 1 on-highway, 2 agriculture and forestry, 3 construction, 4 marine, 5 industrial; to 7.
    arbitrary_address_capable: the node can move to another address when it loses its own.
    reserved: the bit that should be 0; kept, so that what came off the bus is reproduced exactly.
    """

    identity_number: int
    manufacturer_code: int
    ecu_instance: int
    function_instance: int
    function: int
    vehicle_system: int
    vehicle_system_instance: int
    industry_group: int
    arbitrary_address_capable: bool
    reserved: bool = False

    def __post_init__(self) -> None:
        for field, _, bits in _FIELDS:
            value = getattr(self, field)
            if not 0 <= value < 1 << bits:
                raise ValueError(f"{field} {value} is outside 0..{(1 << bits) - 1}")

    @property
    def industry(self) -> str:
        """The industry group in words."""
        return INDUSTRY_GROUPS[self.industry_group] if self.industry_group < len(INDUSTRY_GROUPS) else "reserved"

    def __int__(self) -> int:
        """The NAME as the number that decides an address conflict."""
        return sum(int(getattr(self, field)) << lowest for field, lowest, _ in _FIELDS)

    def to_bytes(self) -> bytes:
        """The 8 data bytes of an address-claimed message."""
        return int(self).to_bytes(NAME_BYTES, "little")

    @classmethod
    def from_bytes(cls, payload: bytes) -> Name:
        """Take the data of an address-claimed message apart. Raises ValueError unless it is 8 bytes long."""
        if len(payload) != NAME_BYTES:
            raise ValueError(f"a NAME has 8 bytes, not {len(payload)}")
        number = int.from_bytes(payload, "little")
        fields = {field: number >> lowest & (1 << bits) - 1 for field, lowest, bits in _FIELDS}
        capable, reserved = bool(fields.pop("arbitrary_address_capable")), bool(fields.pop("reserved"))
        return cls(**fields, arbitrary_address_capable=capable, reserved=reserved)
