"""`faultlamp ask` and `faultlamp clear` with controllers whose J1939 stack is the Linux kernel's."""

import contextlib
import io
import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from kernel_bus import BUS, DM1, DM2, REQUEST, Code, Node, diagnostic_message, logged_frames, recorded

from faultlamp.cli.main import main

pytestmark = pytest.mark.kernel

ENGINE, TOOL = 0x00, 0xF9
DM11, ACKNOWLEDGEMENT = 0xFED3, 0xE800
LAMPS = b"\x04\xff"


@contextlib.contextmanager
def controller(address: int, answer: Callable[[Node, int], None]) -> Iterator[None]:
    """A kernel's node that hands each request for a group to `answer` until the block ends."""
    over = threading.Event()

    def serve(node: Node) -> None:
        node.socket.settimeout(0.1)
        while not over.is_set():
            with contextlib.suppress(TimeoutError):
                payload, (_, _, pgn, _) = node.socket.recvfrom(1 << 20)
                if pgn == REQUEST:
                    answer(node, int.from_bytes(payload[:3], "little"))

    with Node(address) as node:
        thread = threading.Thread(target=serve, args=(node,))
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()


def codes(count: int) -> list[Code]:
    """That many codes with distinct SPNs."""
    return [Code(100 + number, number % 22, number % 126) for number in range(count)]


def faultlamp(*words: str) -> tuple[int, dict[str, Any], str]:
    """The command in this process (a new one starts slowly in a guest): exit code, document, last line for people."""
    out, told = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(told):
        code = main([*words, "-i", "socketcan", "-c", BUS])
    return code, json.loads(out.getvalue() or "{}"), told.getvalue().splitlines()[-1]


@pytest.mark.parametrize(
    "count", [1, 2, 445, 600], ids=["single-frame", "connection", "largest-connection", "extended"]
)
def test_stored_codes_of_a_kernels_node(tmp_path: Path, count: int) -> None:
    """The kernel makes the frames of up to 2402 bytes; every code arrives, and candump saw what we say we sent."""
    listed = codes(count)

    def answer(node: Node, pgn: int) -> None:
        if pgn == DM2:
            node.send(DM2, diagnostic_message(LAMPS, listed), to=TOOL)

    log = tmp_path / "bus.log"
    with recorded(log), controller(ENGINE, answer):
        code, document, _ = faultlamp("ask", "stored", "--to", "0")
    assert code == 0
    (found,) = document["controllers"][0]["answers"]
    assert (found["outcome"], found["tries"]) == ("answered", 1)
    assert [(one["spn"], one["fmi"], one["occurrence_count"]) for one in found["message"]["codes"]] == [
        (one.spn, one.fmi, one.occurrence) for one in listed
    ]
    ours = [(f"{frame.can_id:08X}", frame.data.hex().upper()) for frame in logged_frames(log)
            if frame.can_id & 0xFF == TOOL]
    assert ours == [(frame["id"], frame["data"]) for frame in document["transmitted"]]


def test_a_silent_node_of_the_kernel() -> None:
    """It hears the request and does not answer: exit code 1, and what to do."""
    with controller(ENGINE, lambda *_: None):
        code, document, line = faultlamp("ask", "stored", "--to", "0", "--timeout", "0.2")
    assert code == 1
    assert document["controllers"][0]["answers"][0]["tries"] == 3
    assert "nothing at all was heard" in line


def test_clearing_a_kernels_node(tmp_path: Path) -> None:
    """A node that acknowledges DM11 and then lists nothing: saved, cleared, read back."""
    listed = [Code(110, 3, 2)]
    asked = []

    def answer(node: Node, pgn: int) -> None:
        asked.append(pgn)
        if pgn == DM11:
            listed.clear()
            node.send(ACKNOWLEDGEMENT, b"\x00\xff\xff\xff" + bytes((TOOL,)) + pgn.to_bytes(3, "little"))
        elif pgn in (DM1, DM2):
            node.send(pgn, diagnostic_message(LAMPS, listed))
        else:
            node.send(ACKNOWLEDGEMENT, b"\x01\xff\xff\xff" + bytes((TOOL,)) + pgn.to_bytes(3, "little"))

    save = tmp_path / "before.json"
    words = ("--although-engine-may-run", "--although-machine-may-move", "--yes", "--save", str(save))
    with controller(ENGINE, answer):
        code, document, _ = faultlamp("clear", "all", "--to", "0", *words)
    assert code == 0
    assert asked.count(DM11) == 1
    assert [one["verdict"] for one in document["result"]] == ["cleared"]
    before = json.loads(save.read_text())["before"][0]
    assert [one["spn"] for one in before["DM1"]["codes"]] == [110]
