"""The bus of a command: an adapter's, or with `--rig` that of a simulated engine inside this process."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from faultlamp.bus.options import BusSettings, bus_settings

if TYPE_CHECKING:
    from faultlamp.bus.virtual_rig import VirtualRig


def check_bus_or_rig(args: argparse.Namespace) -> None:
    """End with exit code 2 when both are asked for."""
    if args.rig is not None and bus_settings(args) != BusSettings():
        args.usage_error("--rig brings its own bus: leave out -i, -c and -b")


@contextmanager
def bus_or_rig(args: argparse.Namespace) -> Iterator[tuple[BusSettings, VirtualRig | None]]:
    """The bus to open, and the simulated engine on it, whose key is still off. Raises BusError and ScenarioError."""
    if args.rig is None:
        yield bus_settings(args), None
        return
    from faultlamp.bus.virtual_rig import VirtualRig

    with VirtualRig(args.rig) as rig:
        yield rig.settings, rig
