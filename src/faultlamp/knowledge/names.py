"""Names of suspect parameters (SPN) and meanings of failure modes (FMI), in the terms of SAE J1939-71 and J1939-73.

SPN 2000 to 2253 stand for the nodes with source address 0 to 253, by rule and not by table. SPN 516096 to 524287
belong to the maker of the ECU (both ranges from memory): no public name can exist.
"""

from faultlamp.knowledge.tables import number_table

_SOURCE_ADDRESS_0 = 2000
_SOURCE_ADDRESS_253 = 2253
_FIRST_MAKER_SPECIFIC = 516096
_LAST_SPN = 524287


def spn_name(spn: int) -> str | None:
    """Name of the suspect parameter, None when this table does not know it.

    >>> spn_name(110)
    'Engine Coolant Temperature 1'
    """
    if _SOURCE_ADDRESS_0 <= spn <= _SOURCE_ADDRESS_253:
        return f"Source Address {spn - _SOURCE_ADDRESS_0}"
    return number_table("spn_names.csv").get(spn)


def is_maker_specific(spn: int) -> bool:
    """True in the range that each maker assigns as it likes."""
    return _FIRST_MAKER_SPECIFIC <= spn <= _LAST_SPN


def describe_spn(spn: int) -> str:
    """The name, or in words why there is none."""
    return spn_name(spn) or ("maker-specific SPN" if is_maker_specific(spn) else "unknown SPN")


def fmi_meaning(fmi: int) -> str:
    """Meaning of a failure mode identifier, 0 to 31. Raises ValueError outside that.

    >>> fmi_meaning(3)
    'voltage above normal, or shorted to high source'
    """
    try:
        return number_table("fmi.csv")[fmi]
    except KeyError:
        raise ValueError(f"FMI {fmi} is outside 0..31") from None
