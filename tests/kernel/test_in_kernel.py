"""Everything in tests/kernel/guest holds beside the Linux kernel's own J1939 stack."""

import os
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
PROJECT = HERE.parent.parent
NO_KERNEL = 69
LIMIT_S = 360


@pytest.mark.timeout(LIMIT_S + 30)
def test_beside_the_kernels_stack(tmp_path: Path) -> None:
    """The tests marked `kernel` all ran, and passed, on a real SocketCAN interface."""
    results = tmp_path / "results.xml"
    tests = [sys.executable, "-m", "pytest", "-m", "kernel", "-p", "no:cacheprovider", f"--junitxml={results}"]
    done = subprocess.run(
        [sys.executable, HERE / "boot.py", "--limit", str(LIMIT_S), *tests, HERE / "guest"],
        cwd=PROJECT,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode == NO_KERNEL:
        reason = done.stderr.strip()
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    report = f"{done.stdout}\n{done.stderr}"
    assert done.returncode == 0, report
    suite = ElementTree.parse(results).find("testsuite")
    assert suite is not None, report
    counts = {name: int(suite.get(name, "-1")) for name in ("tests", "failures", "errors", "skipped")}
    assert counts["tests"] > 0, report
    assert counts == {"tests": counts["tests"], "failures": 0, "errors": 0, "skipped": 0}, report
