"""What is loaded until the dashboard's first paint, and what right after it: no times, only which modules.

How long a start takes is measured by tests/bench/bench_startup.py. No source: the lists are this project's own choice.
"""

import os
import pty
import struct
import subprocess
import sys
import termios
from fcntl import ioctl
from pathlib import Path

import pytest

# Module, with all below it: why the first paint does without.
NOT_BEFORE_THE_PAINT = {
    "faultlamp.asking": "asks only after a yes on its page",
    "faultlamp.findings": "looks for a common cause once there is a fault, checks readings on the page of c",
    "faultlamp.j1939.reports": "decodes what is only looked at once frames came",
    "faultlamp.knowledge.advice": "causes and test steps: the page of Enter",
    "faultlamp.knowledge.crosswalk": "a user's table, only where one is given",
    "faultlamp.knowledge.plausibility": "rules of the pages of c and x",
    "faultlamp.knowledge.shared_causes": "rules for findings",
    "faultlamp.survey": "another command's",
    "faultlamp.tui.detail.screen": "the page of Enter",
    "faultlamp.tui.export.page": "the page of k",
    "faultlamp.tui.findings": "the page of c, and words about a common cause",
    "faultlamp.tui.intake.page": "the page of i",
    "faultlamp.tui.keys": "the page of ?",
    "faultlamp.tui.marks.page": "the page of M",
    "faultlamp.tui.nodes.page": "the page of b",
    "faultlamp.tui.readings.chooser": "the page of r",
    "faultlamp.tui.readings.setup": "the page behind that of r",
    "faultlamp.tui.unknown.page": "the page of u",
    "faultlamp.tui.wiggle.page": "the page of x",
    "asammdf": "only reads .mf4 recordings",
    "http": "nothing here talks to a server",
    "multiprocessing": "nothing here is large enough for it",
    "pandas": "comes with the library of .mf4 recordings",
    "pyarrow": "only the survey writes Parquet",
    "rich.markdown": "no page is Markdown",
    "tomllib": "reads the tables of pages, and scenarios",
}
# The rig encodes by cantools and reads a scenario; nothing else of the dashboard does.
NOT_WITHOUT_A_RIG = {
    "cantools": "a DBC parser, and the shipped layouts are there in a compiled form",
    "faultlamp.rig": "the simulated engine",
}
# A candump recording is read without python-can.
NOT_IN_A_REPLAY = {"can": "opens adapters", "sqlite3": "comes with python-can", "faultlamp.j1939.participant": "speaks"}
OF_THE_RIG = {"faultlamp.j1939.reports", "tomllib"}

STARTS = {
    "replay": (("replay", "demo:quick-look"), {**NOT_BEFORE_THE_PAINT, **NOT_WITHOUT_A_RIG, **NOT_IN_A_REPLAY}),
    "watch": (("watch", "-i", "virtual", "-c", "first-paint"), {**NOT_BEFORE_THE_PAINT, **NOT_WITHOUT_A_RIG}),
    "watch --rig": (
        ("watch", "--rig", "quick-look"),
        {name: why for name, why in NOT_BEFORE_THE_PAINT.items() if name not in OF_THE_RIG},
    ),
}

# Runs a command and leaves at its first paint, with the names of all modules in the file named first.
LEAVE_AT_THE_PAINT = """
import sys
from faultlamp.cli.main import main
from faultlamp.tui.app import DashboardApp
def painted(app):
    with open(sys.argv[1], "w") as file:
        file.write("\\n".join(sys.modules))
    app.exit()
DashboardApp.painted = painted
sys.exit(main(sys.argv[2:]))
"""

# A replay's own are loaded with its start; a report is written seldom, and nobody minds a moment for it.
LOAD_LATER = """
import importlib, pkgutil, sys
import faultlamp.tui, faultlamp.tui.watching
from faultlamp.tui import later
later.load(asking=True, stop=lambda: False)
before = set(sys.modules)
for module in pkgutil.walk_packages(faultlamp.tui.__path__, "faultlamp.tui."):
    if not module.name.startswith(("faultlamp.tui.replay", "faultlamp.tui.export.report")):
        importlib.import_module(module.name)
print(*sorted(name for name in set(sys.modules) - before if name.startswith("faultlamp.")))
"""


@pytest.mark.parametrize("start", STARTS)
def test_the_first_paint_loads_nothing_that_can_wait(start: str, tmp_path: Path) -> None:
    """None of the listed modules is there when the readings are on the screen for the first time."""
    words, heavy = STARTS[start]
    modules = tmp_path / "modules"
    near, far = pty.openpty()
    try:
        ioctl(far, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        environment = {**os.environ, "TERM": "xterm-256color", "HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path)}
        process = subprocess.Popen(
            [sys.executable, "-c", LEAVE_AT_THE_PAINT, str(modules), *words], stdin=far, stdout=far, stderr=far,
            env=environment, start_new_session=True,
        )
        os.close(far)
        shown = b""
        try:
            while piece := os.read(near, 1 << 16):
                shown += piece
        except OSError:
            pass  # how Linux says that the far side was closed
        assert process.wait(20) == 0, shown
    finally:
        os.close(near)
    assert b"READINGS" in shown
    loaded = modules.read_text().splitlines()
    assert "faultlamp.tui.dashboard" in loaded
    early = {name: why for name, why in heavy.items() for one in loaded if one == name or one.startswith(f"{name}.")}
    assert early == {}


def test_all_pages_are_loaded_right_after_the_paint() -> None:
    """No page is left to load on its key, so none is forgotten when one is added."""
    run = subprocess.run([sys.executable, "-c", LOAD_LATER], capture_output=True, text=True, timeout=60, check=True)
    assert run.stdout.split() == []


def test_the_lists_name_real_modules() -> None:
    """A module that was renamed would not be looked for any more."""
    names = {name for _, heavy in STARTS.values() for name in heavy if name.startswith("faultlamp.")}
    source = Path(__file__).parents[2] / "src"
    places = {name: source / name.replace(".", "/") for name in names}
    real = {name for name, place in places.items() if place.is_dir() or place.with_suffix(".py").is_file()}
    assert names - real == set()
