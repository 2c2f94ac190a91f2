"""Hardware listen-only mode is asked for in the words of the installed python-can, interface by interface."""

import inspect
import re
from pathlib import Path
from typing import Any

import can
import pytest
from can.interfaces import VALID_INTERFACES

from faultlamp.bus.listener import Listener
from faultlamp.bus.offers import bus_class, hush_drivers, listen_only_argument
from faultlamp.bus.options import BusSettings

# Source: the constructors' docstrings of python-can 4.6.
ASKED_WITH = {
    "cantact": {"monitor": True},
    "kvaser": {"driver_mode": False},
    "nixnet": {"listen_only": True},
    "pcan": {"state": "PASSIVE"},
    "seeedstudio": {"operation_mode": "silent"},
    "slcan": {"listen_only": True},
    "systec": {"state": "PASSIVE"},
    "vector": {"listen_only": True},
}
# Words under which a driver may offer it. Where they occur otherwise:
SILENT_WORDS = re.compile(r"listen[_ ]?only|\bsilent|PASSIVE")
OTHERWISE = {
    "etas": "reports the controller's error state; its bus mode is not offered",
    "ixxat": "reports that another program set it; its constructor has no option",
    "robotell": "a comment that the adapter's command for it is not known",
}


def loadable() -> dict[str, type[Any]]:
    """The interfaces whose Python module loads on this machine."""
    hush_drivers()
    classes = {}
    for interface in sorted(VALID_INTERFACES):
        try:
            classes[interface] = bus_class(interface)
        except Exception:
            continue
    return classes


LOADED = loadable()


@pytest.mark.parametrize("interface", LOADED)
def test_each_driver_is_asked_in_its_own_words(interface: str) -> None:
    """The argument is one that its constructor knows; drivers that are asked for nothing have nothing to ask for."""
    cls = LOADED[interface]
    asked = listen_only_argument(interface, cls)
    assert asked == ASKED_WITH.get(interface, {})
    source = inspect.getsource(inspect.getmodule(cls) or cls)
    for name in asked:
        assert name in inspect.signature(cls).parameters or f'kwargs.get("{name}"' in source
    if not asked and SILENT_WORDS.search(source):
        assert interface in OTHERWISE


def test_the_drivers_that_matter_were_looked_at() -> None:
    """The table above is not about modules that do not load here."""
    assert {"pcan", "slcan", "socketcan", "kvaser", "vector", "seeedstudio", "systec"} <= set(LOADED)


@pytest.mark.parametrize("interface", sorted(set(ASKED_WITH) & set(LOADED)))
def test_the_driver_gets_the_argument(monkeypatch: pytest.MonkeyPatch, interface: str) -> None:
    """What reaches python-can when a listener opens it, and what the listener says of it."""
    given: dict[str, Any] = {}

    class Quiet:
        def shutdown(self) -> None:
            pass

    def opened(**config: Any) -> Quiet:
        given.update(config)
        return Quiet()

    monkeypatch.setattr(can, "Bus", opened)
    listener = Listener(BusSettings(interface, "0", 250_000))
    assert listener.hardware_listen_only
    for name, value in ASKED_WITH[interface].items():
        assert given[name] == (can.BusState.PASSIVE if value == "PASSIVE" else value)


def test_the_documentation_has_the_same_table() -> None:
    """docs/buses.md names each interface that is asked, and with what."""
    text = (Path(__file__).parents[2] / "docs" / "buses.md").read_text()
    rows = [line for line in text.splitlines() if line.startswith("| `")]
    for interface, asked in ASKED_WITH.items():
        (name,) = asked
        assert any(f"`{interface}`" in row and name in row for row in rows), interface
