"""The house keeps its shape: data flows one way, and the core touches nothing outside."""

import ast
import sys
from pathlib import Path

import pytest

import faultlamp

SOURCE = Path(faultlamp.__file__).parent
MODULES = sorted(path for path in SOURCE.rglob("*.py") if "_shipped" not in path.parts)

# What each folder may import of the others; cli may import all.
ALLOWED = {
    "frames": set(),
    "j1939": {"frames"},
    "history": {"frames", "j1939"},
    "knowledge": {"j1939"},
    "findings": {"frames", "j1939", "history", "knowledge"},
    "compare": {"frames", "j1939", "history"},
    "report": {"frames", "j1939", "history", "knowledge", "findings"},
    "values": {"frames", "j1939", "history", "knowledge"},
    "capture": {"frames"},
    "bus": {"frames", "rig", "capture"},
    "rig": {"frames", "j1939", "knowledge", "capture", "bus"},
    "survey": {"frames", "j1939", "history", "knowledge", "capture"},
    "prove": {"frames", "j1939", "history", "knowledge", "values"},
    "asking": {"frames", "j1939", "knowledge"},
    "doctor": {"frames", "j1939", "history", "bus"},
    "tui": {"frames", "j1939", "history", "knowledge", "findings", "asking", "bus", "capture", "doctor", "report"},
}
CORE = ("frames", "j1939", "history", "compare", "findings", "asking", "report")
OUTSIDE = {
    "asyncio", "can", "cantools", "http", "io", "logging", "multiprocessing", "os", "pathlib", "random", "requests",
    "rich", "select", "selectors", "shutil", "signal", "socket", "subprocess", "sys", "tempfile", "textual",
    "threading", "time", "urllib",
}


def imports(path: Path) -> set[str]:
    """Full names of all modules that a file imports, also inside functions."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module)
    return names


def folder(path: Path) -> str:
    """The part of the house that a file belongs to; '' for the modules at the top."""
    inside = path.relative_to(SOURCE).parts
    return inside[0] if len(inside) > 1 else ""


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(SOURCE)))
def test_nothing_imports_what_lies_to_its_right(path: Path) -> None:
    """Each folder imports only the folders that it may."""
    here = folder(path)
    if here in ("cli", ""):
        return
    used = {name.split(".")[1] for name in imports(path) if name.startswith("faultlamp.")}
    used = {name for name in used if (SOURCE / name).is_dir()} - {here}
    assert used <= ALLOWED[here]


@pytest.mark.parametrize(
    "path", [path for path in MODULES if folder(path) in CORE], ids=lambda path: str(path.relative_to(SOURCE))
)
def test_the_core_does_no_input_or_output(path: Path) -> None:
    """No sockets, files, threads, clocks or screens, and no `open` or `print`."""
    assert {name.split(".")[0] for name in imports(path)} & OUTSIDE == set()
    calls = {node.func.id for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
             if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    assert calls & {"open", "print", "input"} == set()


def test_the_lists_above_name_real_things() -> None:
    """The rules would not notice a renamed folder or a misspelt module otherwise."""
    assert {path.name for path in SOURCE.iterdir() if path.is_dir() and (path / "__init__.py").exists()} == (
        set(ALLOWED) | {"cli"}
    )
    known = set(sys.stdlib_module_names) | {"can", "cantools", "requests", "rich", "textual"}
    assert known >= OUTSIDE
