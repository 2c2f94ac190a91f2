"""What somebody writes in an afternoon: python-can's reader, cantools, and transport reassembly in a plain loop.

    python tests/bench/baseline.py faults FILE
    python tests/bench/baseline.py values FILE OUT.csv

`faults` decodes engine speed alone with cantools and keeps the set of active codes; `values` decodes every group of the
shipped DBC and writes a row a value. Both do less than faultlamp does: no time-outs, lamps, key cycles or states.
"""

from __future__ import annotations

import csv
import sys

import can
import cantools

from faultlamp.resources import shipped


def codes(payload: bytes) -> set[tuple[int, int]]:
    """Trouble codes of a DM1."""
    found = set()
    for at in range(2, len(payload) - 3, 4):
        low, middle, high = payload[at], payload[at + 1], payload[at + 2]
        spn = low | middle << 8 | high >> 5 << 16
        if spn:
            found.add((spn, high & 31))
    return found


def faults(path: str) -> None:
    """Changes of the active codes, and the highest engine speed."""
    database = cantools.database.load_file(shipped("dbc") / "faultlamp-j1939.dbc")
    eec1 = next(message for message in database.messages if message.frame_id >> 8 & 0xFFFF == 0xF004)
    open_sessions: dict[int, tuple[int, int, bytearray]] = {}
    active: dict[int, set[tuple[int, int]]] = {}
    changes = frames = 0
    highest = 0.0

    def report(source: int, payload: bytes) -> None:
        nonlocal changes
        now = codes(payload)
        if now != active.get(source, set()):
            changes += 1
            active[source] = now

    for message in can.CanutilsLogReader(path):
        frames += 1
        if not message.is_extended_id:
            continue
        source, group = message.arbitration_id & 0xFF, message.arbitration_id >> 8 & 0x3FFFF
        if group >> 8 == 0xEC and message.data[0] == 32:
            pgn, size = int.from_bytes(message.data[5:8], "little"), int.from_bytes(message.data[1:3], "little")
            open_sessions[source] = pgn, size, bytearray()
        elif group >> 8 == 0xEB and source in open_sessions:
            pgn, size, collected = open_sessions[source]
            collected += message.data[1:]
            if len(collected) >= size:
                del open_sessions[source]
                if pgn == 0xFECA:
                    report(source, bytes(collected[:size]))
        elif group == 0xFECA:
            report(source, bytes(message.data))
        elif group == 0xF004 and source == 0:
            speed = eec1.decode(bytes(message.data), decode_choices=False)["EngineSpeed"]
            highest = max(highest, float(speed))
    print(frames, changes, highest, sorted(active.get(0, ())))


def values(path: str, out: str) -> None:
    """A row a value."""
    database = cantools.database.load_file(shipped("dbc") / "faultlamp-j1939.dbc")
    messages = {message.frame_id >> 8 & 0x3FFFF: message for message in database.messages}
    with open(out, "w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        for frame in can.CanutilsLogReader(path):
            message = messages.get(frame.arbitration_id >> 8 & 0x3FFFF) if frame.is_extended_id else None
            if message is None:
                continue
            decoded = message.decode(bytes(frame.data), decode_choices=False, allow_truncated=True)
            for name, value in decoded.items():
                writer.writerow((frame.timestamp, frame.channel, frame.arbitration_id & 0xFF, name, value))


if __name__ == "__main__":
    if sys.argv[1] == "faults":
        faults(sys.argv[2])
    else:
        values(sys.argv[2], sys.argv[3])
