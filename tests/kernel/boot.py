"""Run a command where `vcan0` and `vcan1` are real SocketCAN interfaces and the kernel speaks J1939.

    python tests/kernel/boot.py [--limit SECONDS] COMMAND [ARGUMENT...]

When this machine already has both and they take J1939 sockets, the command runs on them directly. Otherwise it runs
inside user-mode Linux (Debian package `user-mode-linux`): a kernel that is an ordinary process and uses this
machine's file tree as its own, so that the same interpreter, packages and checkout are there. It starts in a few
seconds and needs no privilege here. `guest_init.py` is its first process.

The exit status is the command's own; 69 when there is no such kernel to be had, with one line saying why; 70 when the
guest failed or the time was up, with the guest's kernel messages.
"""

import argparse
import contextlib
import json
import os
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

NO_KERNEL = 69
GUEST_FAILED = 70
MARK = "FAULTLAMP_KERNEL_TESTS"
BUSES = ("vcan0", "vcan1")
MEMORY_MIB = 512
PASSED_ON = ("PATH", "HOME", "LANG", "LC_ALL", "CI", "PYTHONPATH", "VIRTUAL_ENV", "HYPOTHESIS_PROFILE")


def host_has_buses() -> bool:
    """Whether this machine's own kernel has both interfaces up and takes J1939 sockets on them."""
    try:
        for bus in BUSES:
            with socket.socket(socket.AF_CAN, socket.SOCK_DGRAM, socket.CAN_J1939) as probe:
                probe.bind((bus, socket.J1939_NO_NAME, socket.J1939_NO_PGN, socket.J1939_NO_ADDR))
    except OSError:
        return False
    return True


def guest_environment() -> dict[str, str]:
    """What of this process's environment the command gets: nothing private, and the mark that the buses are there."""
    return {name: os.environ[name] for name in PASSED_ON if name in os.environ} | {MARK: "1"}


def memory_folder(otherwise: Path) -> str:
    """A folder for the guest's memory file: in memory when there is room and it may be mapped executable.

    Containers often have a small /dev/shm mounted noexec; there the file goes to the ordinary temporary folder.
    """
    shm = Path("/dev/shm")
    if not shm.is_dir() or not os.access(shm, os.W_OK):
        return str(otherwise)
    state = os.statvfs(shm)
    room = state.f_bavail * state.f_frsize > (MEMORY_MIB + 64) << 20
    return str(shm) if room and not state.f_flag & os.ST_NOEXEC else str(otherwise)


def run_here(command: list[str], limit_s: float) -> int:
    """Run the command on this machine's own buses; return its exit status."""
    try:
        environment = dict(os.environ, **{MARK: "1"})
        return subprocess.run(command, env=environment, timeout=limit_s, check=False).returncode
    except subprocess.TimeoutExpired:
        print(f"the command was stopped after {limit_s:g} s", file=sys.stderr)
        return GUEST_FAILED


def run_in_guest(uml: str, command: list[str], limit_s: float) -> int:
    """Boot the guest, run the command in the current folder, relay its output; return its exit status."""
    with tempfile.TemporaryDirectory(prefix="faultlamp-kernel-") as name:
        folder = Path(name)
        job, output, status = folder / "job.json", folder / "output", folder / "status"
        job.write_text(
            json.dumps(
                {
                    "command": command,
                    "folder": os.getcwd(),
                    "environment": guest_environment(),
                    "modules": str(Path(uml).resolve().parent.parent / "lib" / "uml" / "modules"),
                    "buses": BUSES,
                    "output": str(output),
                    "status": str(status),
                }
            )
        )
        # A script of its own, because the kernel's command line cannot carry arbitrary paths to init.
        start = folder / "init"
        init = [sys.executable, str(Path(__file__).resolve().with_name("guest_init.py")), str(job)]
        start.write_text(f"#!/bin/sh\nexec {shlex.join(init)}\n")
        start.chmod(0o700)
        kernel_log = folder / "kernel.log"
        with kernel_log.open("wb") as log:
            guest = subprocess.Popen(
                [
                    uml,
                    f"mem={MEMORY_MIB}M",
                    "root=/dev/root",
                    "rootfstype=hostfs",
                    "rootflags=/",
                    "rw",
                    f'init="{start}"',
                    f"uml_dir={folder}/",
                    "con=null",
                    "con0=null,fd:1",
                    "panic=1",
                ],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                env=dict(os.environ, TMPDIR=memory_folder(folder), TMP="", TEMP=""),
                start_new_session=True,
            )
            try:
                guest.wait(limit_s)
                trouble = "the guest ended without a result"
            except subprocess.TimeoutExpired:
                trouble = f"the guest was stopped after {limit_s:g} s"
            finally:
                # The kernel is a group of processes; none of it may stay behind.
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(guest.pid, signal.SIGKILL)
                guest.wait()
        if output.exists():
            sys.stdout.write(output.read_text(errors="replace"))
            sys.stdout.flush()
        messages = kernel_log.read_text(errors="replace")
        if status.exists():
            result, trouble = int(status.read_text()), "the command failed"
            messages = messages.partition("as init process")[2]
        else:
            result = GUEST_FAILED
        if result != 0:
            print(f"{trouble}; the kernel's messages:\n{messages.strip()}", file=sys.stderr)
        return result


def main() -> int:
    """Read the command line, choose the kernel, run the command there."""
    options = argparse.ArgumentParser(description="Run a command beside the Linux kernel's J1939 stack.")
    options.add_argument("--limit", type=float, default=100.0, metavar="SECONDS", help="stop after this long")
    options.add_argument("command", nargs=argparse.REMAINDER)
    chosen = options.parse_args()
    if not chosen.command:
        options.error("no command")
    if shutil.which("candump") is None:
        print("no candump here: install Debian's package can-utils", file=sys.stderr)
        return NO_KERNEL
    if not hasattr(socket, "CAN_J1939"):
        print("no J1939 sockets here: this Python was built without them", file=sys.stderr)
        return NO_KERNEL
    if host_has_buses():
        return run_here(chosen.command, chosen.limit)
    uml = shutil.which("linux.uml")
    if uml is None:
        print(
            f"no kernel with J1939 here: no {' and '.join(BUSES)}, nor Debian's package user-mode-linux",
            file=sys.stderr,
        )
        return NO_KERNEL
    return run_in_guest(uml, chosen.command, chosen.limit)


if __name__ == "__main__":
    sys.exit(main())
