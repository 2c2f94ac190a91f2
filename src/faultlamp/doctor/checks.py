"""What a technician checks on a silent bus, in this order.

Common practice, no source; the maker's manual decides. The cheapest and most frequent comes first, what needs the
power off later.
"""

from __future__ import annotations

from dataclasses import dataclass

SOURCE = "common practice, no source"

CAUTION = "Key off before a connector is pulled. Keep clear of hot and moving parts while the engine can turn."


@dataclass(frozen=True, slots=True)
class Check:
    """One check: what, and how to do it or what the result means."""

    what: str
    how: tuple[str, ...]


SILENT_BUS = (
    Check("Key on", ("Many controllers send nothing with the key off, and some sleep after a while.",)),
    Check(
        "Right connector, seated",
        (
            "Is it the engine's J1939 socket, or another network's? Locked, no pin pushed back, bent or green?",
            "9-pin diagnostic socket: CAN-H on C, CAN-L on D.",
        ),
    ),
    Check(
        "Resistance between CAN-H and CAN-L, power off, about 60 ohm",
        (
            "120 ohm: one of the two terminators is missing, or a wire is broken on the way to it.",
            "40 ohm: a third terminator is on the bus, often one inside an adapter.",
            "Near 0 ohm: the two wires touch each other.",
            "Open: both terminators are missing, or the wires do not reach the bus.",
        ),
    ),
    Check(
        "Bit rate",
        (
            "Often 250000 or 500000 bit/s. A wrong one shows as silence or as error frames.",
            "`faultlamp doctor --try-bitrates` tries them where the adapter can listen without acknowledging.",
        ),
    ),
    Check(
        "Fuse and supply of the diagnostic socket",
        ("Battery voltage at the socket (9-pin: A minus, B plus)? Controllers and adapter both powered?",),
    ),
    Check("The adapter's own lamp", ("Dark: no power or no driver. What its colours mean stands in its manual.",)),
    Check(
        "Somebody to acknowledge",
        (
            "A listen-only adapter alone with one controller: nobody acknowledges, the controller repeats its first "
            "frame and gives up. Put a second node on the bus, or leave listen-only away.",
        ),
    ),
)
