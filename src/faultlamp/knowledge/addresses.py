"""Preferred source addresses of SAE J1939: who usually sits at an address. A node's NAME decides, not this."""

from faultlamp.knowledge.tables import number_table


def address_name(source_address: int) -> str | None:
    """Usual device at a source address, None where the standard prefers none or this table does not know it.

    >>> address_name(0)
    'engine 1'
    """
    return number_table("addresses.csv").get(source_address)
