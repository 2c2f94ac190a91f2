"""Make captures/kernel-j1939.log: twenty seconds of a bus on which every frame comes from the kernel's J1939 stack.

    python tests/kernel/boot.py python tests/kernel/guest/make_capture.py captures/kernel-j1939.log

The content is invented: a trailer-mounted irrigation pump set, its engine (address 0), its aftertreatment controller
(61) and a service tool (249). Times below are seconds after the first EEC1; test_kernel_capture.py has the same facts.

     0   key on, no fault at the engine; the aftertreatment controller has two codes, amber
     3   the engine starts, 700 rpm, later 1500 rpm
     6   a sensor connector is pulled: 110/3 and 105/3, amber
    10   the aftertreatment controller adds a code of its maker's without a count
    12   low oil pressure: 100/1, red and amber
    14   the connector is back, 100/1 stays
    17   all clear
    18   110/3 comes back, second time
    19   the tool asks both controllers for their previously active codes
    20   end
"""

import sys
import time
from pathlib import Path
from typing import Any

from kernel_bus import DM1, DM2, EEC1, REQUEST, Code, Node, diagnostic_message, recorded

ENGINE, AFTERTREATMENT, TOOL = 0, 61, 249

# Invented NAMEs: only the arbitrary-address bit and an identity number.
NAME = 0x8000_0000_0000_0000

OFF, AMBER, RED_AND_AMBER = b"\x00\xff", b"\x04\xff", b"\x14\xff"

COOLANT, INTAKE, OIL = Code(110, 3, 1), Code(105, 3, 1), Code(100, 1, 1)

# (from second, lamps, codes)
ENGINE_DM1 = [
    (0, OFF, []),
    (6, AMBER, [INTAKE, COOLANT]),
    (12, RED_AND_AMBER, [OIL, INTAKE, COOLANT]),
    (14, RED_AND_AMBER, [OIL]),
    (17, OFF, []),
    (18, AMBER, [Code(110, 3, 2)]),
]
AFTERTREATMENT_DM1 = [
    (0, AMBER, [Code(1761, 18, 4), Code(4364, 18, 2)]),
    (10, AMBER, [Code(1761, 18, 4), Code(4364, 18, 2), Code(520201, 31, 127)]),
]
ENGINE_DM2 = [OIL, INTAKE]
AFTERTREATMENT_DM2 = [Code(1761, 1, 3), Code(3364, 2, 6), Code(4334, 18, 1)]

# (from second, engine speed in rpm)
SPEEDS = [(0, 0), (3, 700), (8, 1500)]

TICKS_PER_S = 10
ASK_AT, END_AT = 19, 20


def at(second: int, plan: list[Any]) -> Any:
    """The plan's entry in force at that second."""
    return [entry for entry in plan if entry[0] <= second][-1]


def drive(engine: Node, aftertreatment: Node, tool: Node) -> None:
    """Hand the kernel every message at its time."""
    start = time.monotonic()
    for tick in range(END_AT * TICKS_PER_S):
        time.sleep(max(0.0, start + tick / TICKS_PER_S - time.monotonic()))
        second, part = divmod(tick, TICKS_PER_S)
        _, speed_rpm = at(second, SPEEDS)
        engine.send(EEC1, b"\xff\xff\xff" + (speed_rpm * 8).to_bytes(2, "little") + b"\xff\xff\xff", priority=3)
        if part == 0:
            engine.send(DM1, diagnostic_message(*at(second, ENGINE_DM1)[1:]))
        if part == TICKS_PER_S // 2:
            aftertreatment.send(DM1, diagnostic_message(*at(second, AFTERTREATMENT_DM1)[1:]))
        if (second, part) == (ASK_AT, 2):
            ask(tool, engine, ENGINE, ENGINE_DM2)
            ask(tool, aftertreatment, AFTERTREATMENT, AFTERTREATMENT_DM2)


def ask(tool: Node, asked: Node, address: int, codes: list[Code]) -> None:
    """The tool requests DM2 of one controller, which answers it alone."""
    tool.send(REQUEST, DM2.to_bytes(3, "little"), to=address)
    asked.receive(REQUEST)
    asked.send(DM2, diagnostic_message(AMBER, codes), to=TOOL)
    tool.receive(DM2)


def main() -> None:
    """Record the drive into the file that the command line names."""
    with (
        recorded(Path(sys.argv[1])),
        Node(ENGINE, NAME + 1) as engine,
        Node(AFTERTREATMENT, NAME + 2) as aftertreatment,
        Node(TOOL, NAME + 3) as tool,
    ):
        drive(engine, aftertreatment, tool)


if __name__ == "__main__":
    main()
