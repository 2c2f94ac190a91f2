"""What is heard on the side while controllers are asked: who is there, who they say they are, their active codes.

Rule: an address-claimed message carries the NAME (SAE J1939-81, section 4.1); two NAMEs at one address are two
controllers. DM1 comes once a second by itself (SAE J1939-73, section 5.7.1, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping

from faultlamp.j1939.address import Name
from faultlamp.j1939.diagnostics import CURRENT_METHOD, DiagnosticReport
from faultlamp.j1939.participant.events import Message
from faultlamp.j1939.reports.codes import decode_codes
from faultlamp.j1939.reports.groups import DM1_PGN, NAME_PGN, decode_name


class Hearing:
    """names: the last NAME of each address. contested: addresses that more than one NAME claimed.

    active: each sender's last DM1. heard: every source address that sent anything. spn_conversion: for a source
    address, how to read the SPN of codes whose CM bit is 1 (1 to 4, see `diagnostics.decode_dtc`).
    """

    def __init__(self, spn_conversion: Mapping[int, int]) -> None:
        self.names: dict[int, Name] = {}
        self.contested: set[int] = set()
        self.active: dict[int, DiagnosticReport] = {}
        self.heard: set[int] = set()
        self._conversion = spn_conversion

    def method(self, address: int) -> int:
        """How to read the SPN of that controller's codes whose CM bit is 1."""
        return self._conversion.get(address, CURRENT_METHOD)

    def note(self, message: Message) -> None:
        """Keep what a message says about its sender."""
        if message.pgn == NAME_PGN:
            name = decode_name(message.payload)
            if name is not None:
                if self.names.get(message.source, name) != name:
                    self.contested.add(message.source)
                self.names[message.source] = name
        elif message.pgn == DM1_PGN:
            report = decode_codes(1, message.payload, self.method(message.source))
            if report is not None:
                self.active[message.source] = report
