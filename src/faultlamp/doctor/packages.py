"""Python, the packages that faultlamp uses, and python-can's configuration, as they are on this machine.

Versions come from the packages' own metadata; nothing is imported for them.
"""

from __future__ import annotations

import os
import platform
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version

ENVIRONMENT = ("CAN_INTERFACE", "CAN_CHANNEL", "CAN_BITRATE", "CAN_CONFIG")
"""Variables that python-can reads."""


@dataclass(frozen=True, slots=True)
class Package:
    """A package. `version` is None when it is not here; then `install` says how to get it.

    extra: what it is needed for, where faultlamp does without; None when it is always needed.
    """

    name: str
    version: str | None
    extra: str | None
    install: str | None


_ALWAYS = ("numpy", "python-can", "cantools", "textual", "zstandard")
# Package, purpose, what to install.
_EXTRAS = (
    ("pyserial", "serial adapters", "python-can[serial]"),
    ("asammdf", ".mf4 recordings", "faultlamp[mf4]"),
    ("pyarrow", "Parquet output", "faultlamp[parquet]"),
    ("fsspec", "recordings at URLs", "faultlamp[fleet]"),
    ("dask", "surveys on a cluster", "faultlamp[fleet]"),
)


def packages() -> list[Package]:
    """What faultlamp always needs, then what it can use."""
    rows = [(name, None, name) for name in _ALWAYS] + [(name, purpose, what) for name, purpose, what in _EXTRAS]
    found = []
    for name, purpose, what in rows:
        here = _version(name)
        found.append(Package(name, here, purpose, None if here is not None else f"pip install '{what}'"))
    return found


def python() -> str:
    """For instance `CPython 3.11.2`."""
    return f"{platform.python_implementation()} {platform.python_version()}"


def system() -> str:
    """Operating system, its version and the kind of machine."""
    return platform.platform()


def configuration_files() -> list[str]:
    """Files from which python-can takes its configuration here, in the order in which it reads them."""
    from can.util import CONFIG_FILES

    return [path for path in map(os.path.expanduser, CONFIG_FILES) if os.path.isfile(path)]


def configuration_variables() -> list[str]:
    """Names of python-can's environment variables that are set."""
    return [name for name in ENVIRONMENT if os.environ.get(name)]


def _version(name: str) -> str | None:
    try:
        return version(name)
    except PackageNotFoundError:
        return None
