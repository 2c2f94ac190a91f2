"""NAMEs of made-up units (SAE J1939-81, section 4.1, from memory)."""

from faultlamp.j1939.address import Name


def name(
    identity_number: int,
    *,
    function: int = 130,
    manufacturer_code: int = 0,
    industry_group: int = 0,
    movable: bool = True,
) -> Name:
    """An invented NAME; the smaller the identity number, the stronger."""
    return Name(
        identity_number=identity_number,
        manufacturer_code=manufacturer_code,
        ecu_instance=0,
        function_instance=0,
        function=function,
        vehicle_system=0,
        vehicle_system_instance=0,
        industry_group=industry_group,
        arbitrary_address_capable=movable,
    )
