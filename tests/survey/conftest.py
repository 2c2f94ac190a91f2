"""An invented fleet: small recordings of which it is known what a survey must find."""

import gzip
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import zstandard

from faultlamp.capture import format_candump_line
from faultlamp.cli.main import main
from faultlamp.frames import Frame
from faultlamp.j1939.identifier import build_identifier
from faultlamp.j1939.segmentation import broadcast

DM1, EEC1, ET1, VIN, SOFTWARE = 65226, 61444, 65262, 65260, 65242
START_NS = 1_700_000_000_000_000_000

# Trouble codes as DM1 carries them (SAE J1939-73, section 5.7.1): SPN low byte first, its top three bits above the FMI.
OIL_PRESSURE_LOW = bytes((100, 0, 1, 1))
COOLANT_HOT = bytes((110, 0, 0, 1))
BATTERY_SHORTED = bytes((168, 0, 4, 1))
SUPPLY_HIGH = bytes((3509 & 0xFF, 3509 >> 8, 3, 1))
NO_FAULT = bytes(4)
# Lamp byte and flash byte of DM1: the red stop lamp is bits 4 and 3, amber bits 6... see docs/faults-json.md.
ALL_OFF, RED, AMBER = b"\x00\xff", b"\x10\xff", b"\x04\xff"

# One DM1 every `STEP_S` seconds: below the five seconds of silence.
STEP_S = 4


class Machine:
    """The frames of one machine, in order of time."""

    def __init__(self, number: int, software: str) -> None:
        self.frames: list[Frame] = []
        self._now_ns = START_NS + number * 86_400 * 1_000_000_000
        self.send(VIN, f"INVENTEDPUMP{number:05d}*".encode())
        self.send(SOFTWARE, b"\x01" + f"INVENTED ENGINE {software}*".encode())

    def send(self, pgn: int, payload: bytes) -> None:
        """One message of the engine, at the present moment."""
        for can_id, data in broadcast(pgn, 0, payload):
            self.frames.append(Frame(self._now_ns, "can0", can_id, data))
            self._now_ns += 60_000_000 if len(payload) > 8 else 1_000

    def run(self, seconds: int, lamps: bytes = ALL_OFF, *codes: bytes) -> "Machine":
        """The engine runs at 700 rpm and reports the same thing for a while."""
        end_ns = self._now_ns + seconds * 1_000_000_000
        while self._now_ns < end_ns:
            self.send(DM1, lamps + b"".join(codes or (NO_FAULT,)) + (b"\xff\xff" if len(codes) < 2 else b""))
            for _ in range(STEP_S):
                self.frames.append(
                    Frame(self._now_ns, "can0", build_identifier(3, EEC1, 0), bytes.fromhex("F07D7DE015FFF0FF"))
                )
                self._now_ns += 1_000_000_000
        return self

    @property
    def text(self) -> bytes:
        """A candump log."""
        return "".join(format_candump_line(frame) + "\n" for frame in self.frames).encode()


def fleet() -> Iterator[tuple[str, bytes]]:
    """Names and contents of 24 recordings.

    Software 1.0 has machines 0 to 11, 2.0 the others. Machines 0 to 9: battery shorted for 20 s, of these 0 to 2
    stop red 3,000 s after their oil pressure fell, and 0 had its battery trouble more than an hour before that.
    Machine 15: coolant once at 110 degC (SPN 110: 1 degC a bit from -40, SAE J1939-71). Machine 20: sensor supply high,
    five times. The others are healthy.
    """
    for number in range(24):
        machine = Machine(number, "1.0" if number < 12 else "2.0").run(20)
        if number < 10:
            machine.run(20, AMBER, BATTERY_SHORTED)
        if number == 0:
            machine.run(1200)
        if number < 3:
            machine.run(3000, AMBER, OIL_PRESSURE_LOW).run(40, RED, OIL_PRESSURE_LOW, COOLANT_HOT)
        if number == 15:
            machine.send(ET1, b"\x96" + b"\xff" * 7)
        for _ in range(5 if number == 20 else 0):
            machine.run(12, AMBER, SUPPLY_HIGH).run(12)
        name, text = f"yard-{number % 2}/machine-{number:02d}.log", machine.run(20).text
        if number % 5 == 1:
            yield f"{name}.gz", gzip.compress(text, mtime=0)
        elif number % 5 == 2:
            yield f"{name}.zst", zstandard.compress(text)
        else:
            yield name, text


DAMAGED = {
    "bad/cut.log.gz": gzip.compress(b"(1700000000.000000) can0 0CF00400#F07D7DE015FFF0FF\n" * 5000)[:60],
    "bad/noise.blf": bytes(range(256)) * 4,
    "bad/noise.log.zst": b"no such frame",
}


@pytest.fixture(scope="session")
def make_fleet() -> Callable[[Path], Path]:
    """Writes the fleet, with damaged recordings and a file that is none, below a directory."""
    files = {**dict(fleet()), **DAMAGED, "yard-0/notes.txt": b"nothing to read here\n"}

    def make(folder: Path) -> Path:
        for name, content in files.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(content)
        return folder

    return make


@pytest.fixture(scope="session")
def recordings(make_fleet: Callable[[Path], Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The fleet, which nobody changes."""
    return make_fleet(tmp_path_factory.mktemp("fleet"))


@pytest.fixture(scope="session")
def survey(recordings: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A survey of the fleet in two processes. Surveyed again it must stay what it is."""
    folder = tmp_path_factory.mktemp("surveys") / "survey"
    assert main(["survey", str(recordings), "-o", str(folder), "--jobs", "2"]) == 0
    return folder
