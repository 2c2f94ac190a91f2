"""One piece of traffic of the kernel's, recorded in several ways, tells one history."""

import contextlib
from pathlib import Path
from typing import Any

import can
import pytest
from kernel_bus import (
    BUS,
    DM1,
    DM2,
    Code,
    Node,
    broadcast,
    diagnostic_message,
    faults_document,
    logged_frames,
    recorded,
    wait_until_steady,
)

pytestmark = pytest.mark.kernel

AMBER = b"\x04\xff"
ENGINE = [Code(110, 3, 2), Code(105, 4, 1), Code(520200, 31, 127)]
AFTERTREATMENT = [Code(3364, 1, 9), Code(4364, 18, 1)]

# candump's format, written by python-can, and one of its formats that keeps relative times.
WRITTEN_BY_PYTHON_CAN = (".log", ".asc")


def without_times(document: dict[str, Any]) -> dict[str, Any]:
    """The facts that no recorder's clock and no channel numbering can change."""
    return {
        "frames": document["capture"]["frames"],
        "bad_lines": document["capture"]["bad_lines"],
        "faults": [
            {key: fault[key] for key in ("source_address", "spn", "fmi", "occurrence_count", "state", "reported_in")}
            | {"ends": [span["end_reason"] for span in fault["active_spans"]]}
            for fault in document["faults"]
        ],
        "lamps": [
            (lamp["source_address"], lamp["lamp"], [span["state"] for span in lamp["spans"]])
            for lamp in document["lamps"]
        ],
        "transport": document["transport"],
    }


def leaves(value: Any, path: str = "") -> dict[str, Any]:
    """Every value of the document by its path, but for the file's name."""
    if isinstance(value, dict):
        items = [(f"{path}.{key}", inner) for key, inner in value.items() if key != "files"]
    elif isinstance(value, list):
        items = [(f"{path}[{place}]", inner) for place, inner in enumerate(value)]
    else:
        return {path: value}
    return {inner_path: leaf for name, inner in items for inner_path, leaf in leaves(inner, name).items()}


def to_the_microsecond(document: dict[str, Any]) -> dict[str, Any]:
    """The leaves, times as candump cuts and python-can rounds the kernel's nanoseconds."""
    return {
        path: pytest.approx(leaf, rel=0, abs=1.5e-6) if isinstance(leaf, float) else leaf
        for path, leaf in leaves(document).items()
    }


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The same traffic, as candump and python-can recorded it, by kind."""
    folder = tmp_path_factory.mktemp("recordings")
    files = {suffix: folder / f"python-can{suffix}" for suffix in WRITTEN_BY_PYTHON_CAN}
    with contextlib.ExitStack() as stack:
        for kind in ("candump -L", "candump -ta", "candump -tz", "candump"):
            program, *options = kind.split()
            name = folder / f"{program}{''.join(options)}.log"
            files[kind] = stack.enter_context(recorded(name, tuple(options)))
        bus = stack.enter_context(can.Bus(interface="socketcan", channel=BUS))
        writers = [can.Logger(str(files[suffix])) for suffix in WRITTEN_BY_PYTHON_CAN]
        heard: list[can.Message] = []
        notifier = can.Notifier(bus, [*writers, heard.append])
        # It stops its writers too.
        stack.callback(notifier.stop)
        send_traffic()
        wait_until_steady(lambda: len(heard))
    return files


@pytest.fixture(scope="module")
def reference(recordings: dict[str, Path]) -> dict[str, Any]:
    """The document of candump's own log."""
    return faults_document(recordings["candump -L"])


def send_traffic() -> None:
    """DM1s by BAM that change, from two sources, and a DM2 by RTS/CTS."""
    broadcast(0x00, DM1, diagnostic_message(AMBER, ENGINE))
    with Node(0x00) as engine, Node(0x3D) as aftertreatment:
        engine.send(DM1, diagnostic_message(AMBER, ENGINE[:2]))
        aftertreatment.send(DM1, diagnostic_message(AMBER, AFTERTREATMENT))
    with Node(0x00) as engine, Node(0xF9) as tool:
        engine.send(DM2, diagnostic_message(AMBER, ENGINE), to=0xF9)
        tool.receive(DM2)


def test_traffic_is_as_sent(recordings: dict[str, Path], reference: dict[str, Any]) -> None:
    """The recording that the others are measured by holds what was sent."""
    facts = without_times(reference)
    assert facts["frames"] == len(logged_frames(recordings["candump -L"])) == 14
    assert [(fault["spn"], fault["state"], fault["reported_in"]) for fault in facts["faults"]] == [
        (105, "active", ["DM1", "DM2"]),
        (110, "active", ["DM1", "DM2"]),
        (520200, "previously_active", ["DM1", "DM2"]),
        (3364, "active", ["DM1"]),
        (4364, "active", ["DM1"]),
    ]
    assert facts["transport"]["completed"] == 4


@pytest.mark.parametrize("kind", ["candump -ta", ".log"])
def test_same_document(recordings: dict[str, Path], reference: dict[str, Any], kind: str) -> None:
    """Recorders that write the kernel's time stamps in full give the same document to the microsecond."""
    assert leaves(faults_document(recordings[kind])) == to_the_microsecond(reference)


@pytest.mark.parametrize("kind", ["candump", "candump -tz", ".asc"])
def test_same_facts(recordings: dict[str, Path], reference: dict[str, Any], kind: str) -> None:
    """Recorders with other or no time stamps give the same faults, lamps and sessions."""
    assert without_times(faults_document(recordings[kind])) == without_times(reference)
