"""Who is who in SAE J1939: who usually sits at an address, and what the function in a NAME says. The NAME decides."""

from faultlamp.knowledge.tables import number_table


def address_name(source_address: int) -> str | None:
    """Usual device at a source address, None where the standard prefers none or this table does not know it.

    >>> address_name(0)
    'engine 1'
    """
    return number_table("addresses.csv").get(source_address)


def function_name(function: int) -> str | None:
    """What the function in a node's NAME says, None where it depends on the industry or this table does not know it.

    >>> function_name(9)
    'brake system controller'
    """
    return number_table("functions.csv").get(function)
