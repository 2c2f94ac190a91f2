"""First process inside the user-mode Linux guest: mount, load the CAN modules, make the buses, run the job, power off.

Everything goes through system calls, so that the guest needs no mount, insmod or ip program. `boot.py` writes the job.
"""

import ctypes
import fcntl
import json
import os
import socket
import struct
import subprocess
import sys
import traceback
from pathlib import Path

# Each after what it needs.
MODULES = ("can", "can-raw", "can-bcm", "can-dev", "vcan", "can-j1939", "slcan")
# The kernel itself has mounted /dev by now.
MOUNTS = (("proc", "/proc"), ("sysfs", "/sys"), ("devpts", "/dev/pts"), ("tmpfs", "/dev/shm"))

# <sys/reboot.h>, <asm/unistd_64.h> (user-mode Linux exists for x86 alone), <linux/rtnetlink.h>, <linux/if_link.h>,
# <linux/if.h>, <linux/sockios.h>
RB_POWER_OFF = 0x4321FEDC
SYS_FINIT_MODULE = 313
RTM_NEWLINK = 16
NLM_F_REQUEST, NLM_F_ACK, NLM_F_EXCL, NLM_F_CREATE = 0x001, 0x004, 0x200, 0x400
NLMSG_ERROR = 2
IFLA_IFNAME, IFLA_LINKINFO, IFLA_INFO_KIND = 3, 18, 1
IFF_UP = 1
SIOCGIFFLAGS, SIOCSIFFLAGS = 0x8913, 0x8914

libc = ctypes.CDLL(None, use_errno=True)


def check(result: int, what: str) -> None:
    """Raise OSError with the C library's reason when a call failed."""
    if result != 0:
        number = ctypes.get_errno()
        raise OSError(number, f"{what}: {os.strerror(number)}")


def mount(kind: str, place: str) -> None:
    """Mount a file system of the kernel's own."""
    Path(place).mkdir(exist_ok=True)
    check(libc.mount(kind.encode(), place.encode(), kind.encode(), 0, None), f"mount {place}")


def load_module(folder: Path, name: str) -> None:
    """Load one kernel module by name, unless the kernel has it already."""
    if Path("/sys/module", name.replace("-", "_")).exists():
        return
    path = next(folder.rglob(f"{name}.ko"))
    with path.open("rb") as file:
        check(libc.syscall(SYS_FINIT_MODULE, file.fileno(), b"", 0), f"load {path}")


def attribute(kind: int, value: bytes) -> bytes:
    """One netlink attribute, padded to 4 bytes."""
    return struct.pack("=HH", 4 + len(value), kind) + value + bytes(-len(value) % 4)


def add_link(name: str, kind: str) -> None:
    """Create a network interface and bring it up: `ip link add dev NAME type KIND`, `ip link set NAME up`."""
    body = struct.pack("=BxHiII", socket.AF_UNSPEC, 0, 0, 0, 0)
    body += attribute(IFLA_IFNAME, name.encode() + b"\0")
    body += attribute(IFLA_LINKINFO, attribute(IFLA_INFO_KIND, kind.encode()))
    flags = NLM_F_REQUEST | NLM_F_ACK | NLM_F_EXCL | NLM_F_CREATE
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, socket.NETLINK_ROUTE) as route:
        route.send(struct.pack("=IHHII", 16 + len(body), RTM_NEWLINK, flags, 1, 0) + body)
        answer = route.recv(4096)
    kind_of_answer, error = struct.unpack_from("=4xH10xi", answer)
    if kind_of_answer != NLMSG_ERROR or error != 0:
        raise OSError(-error, f"create {name}: {os.strerror(-error)}")
    bring_up(name)


def bring_up(name: str) -> None:
    """Set the interface's UP flag."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
        request = struct.pack("16sH22x", name.encode(), 0)
        (flags,) = struct.unpack_from("16xH", fcntl.ioctl(any_socket, SIOCGIFFLAGS, request))
        fcntl.ioctl(any_socket, SIOCSIFFLAGS, struct.pack("16sH22x", name.encode(), flags | IFF_UP))


def main() -> None:
    """Prepare the guest and run the job; its status file is written last."""
    job = json.loads(Path(sys.argv[1]).read_text())
    for kind, place in MOUNTS:
        mount(kind, place)
    modules = Path(job["modules"], os.uname().release)
    for name in MODULES:
        load_module(modules, name)
    bring_up("lo")
    for bus in job["buses"]:
        add_link(bus, "vcan")
    with Path(job["output"]).open("wb") as output:
        done = subprocess.run(
            job["command"],
            cwd=job["folder"],
            env=job["environment"],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            check=False,
        )
    Path(job["status"]).write_text(str(done.returncode))


if __name__ == "__main__":
    try:
        main()
    except BaseException:
        traceback.print_exc()
    finally:
        libc.sync()
        libc.reboot(RB_POWER_OFF)
