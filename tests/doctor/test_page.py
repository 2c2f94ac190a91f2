"""The page for people, on documents made by hand: width, hostile text, many of everything."""

from typing import Any

import pytest

from faultlamp.bus.options import BusSettings
from faultlamp.doctor.adapters import Adapters, Channel
from faultlamp.doctor.diagnosis import Evidence
from faultlamp.doctor.document import bus_document, inventory_document, trials_document
from faultlamp.doctor.drivers import Driver
from faultlamp.doctor.links import Link
from faultlamp.doctor.listening import Examination
from faultlamp.doctor.packages import Package
from faultlamp.doctor.page import page
from faultlamp.doctor.tally import Counts, Sender
from faultlamp.frames.load import Bits
from faultlamp.j1939.address import Name
from faultlamp.knowledge.addresses import address_name

# SAE J1939-81, from python-can-j1939's test_ca.py.
NAME = Name.from_bytes(bytes.fromhex("87D6525382C9FE52"))
HOSTILE = "\x1b[2J\r\n" + "x" * 200


def inventory(**changed: Any) -> dict[str, Any]:
    """A machine with a bit of everything."""
    everything: dict[str, Any] = {
        "faultlamp_version": "0.1.0", "python": "CPython 3.11.2", "system": "Linux-6.1-x86_64",
        "packages": [Package("numpy", "2.4.6", None, None),
                     Package("asammdf", None, ".mf4 recordings", "pip install 'faultlamp[mf4]'")],
        "adapters": Adapters(
            (Driver("etas", False, "for Windows only"), Driver("ixxat", False, "for Windows only"),
             Driver("gs_usb", False, "the Python package usb is missing",
                    "install its Python package: pip install 'python-can[gs-usb]'"), Driver("virtual", True)),
            (Channel("socketcan", "can0", Link("can0", False, "can", None, "STOPPED", False)),
             Channel("socketcan", "vcan0", Link("vcan0", True, "vcan")), Channel("serial", HOSTILE[:60])),
            ("pcan: no answer within 8 s; a driver crashed or hangs",),
        ),
        "configuration_files": ["/etc/can.conf"], "configuration_variables": ["CAN_BITRATE"],
    }
    return inventory_document(**everything | changed)


def examination(**changed: Any) -> Examination:
    """A bus with much on it."""
    everything: dict[str, Any] = {
        "settings": BusSettings("socketcan", "can0"), "opened": True, "bit_rate": 250_000, "listen_only": True,
        "evidence": Evidence(
            seconds=5.0, counts=Counts(extended=7000, base=10, fd=2, errors=3, bits=Bits(917_000, 1_120_000)),
            senders=tuple(Sender("can0", address, 70, address % 3 or None, (NAME,)) for address in range(100)),
            garbled=1, lost=2,
        ),
    }
    return Examination(**everything | changed)


def test_the_inventory_in_full() -> None:
    """Exactly these lines: what is missing names its remedy on a line that can be copied."""
    document = inventory()
    document["channels"] = document["channels"][:2]
    assert page(document) == [
        "faultlamp 0.1.0, CPython 3.11.2, Linux-6.1-x86_64",
        "Packages: numpy 2.4.6",
        "Not installed: asammdf (.mf4 recordings): pip install 'faultlamp[mf4]'",
        "",
        "Interfaces of python-can",
        "  can be opened here: virtual",
        "  etas, ixxat: for Windows only",
        "  gs_usb: the Python package usb is missing",
        "    install its Python package: pip install 'python-can[gs-usb]'",
        "",
        "Channels seen",
        "  socketcan     can0  down, bit rate not told, STOPPED, acknowledges",
        "                sudo ip link set can0 up type can bitrate 250000",
        "  socketcan     vcan0  up, bit rate not told",
        "  pcan: no answer within 8 s; a driver crashed or hangs",
        "",
        "python-can's configuration: /etc/can.conf, variable CAN_BITRATE",
    ]


def test_a_busy_bus_stays_within_the_page() -> None:
    """A hundred senders with NAMEs on a bus of 250 kbit/s that is 81 per cent full: narrow, and cut with a word."""
    document = inventory()
    document["bus"] = bus_document(examination(), address_name)
    lines = page(document)
    flat = " ".join(" ".join(lines).split())
    assert max(map(len, lines)) < 80
    # 917000 bits in 5 s at 250 kbit/s: 73.36 per cent without stuffing, a tenth more is 80.7, 1120000 are 89.6.
    assert "CAN FD frames left out: 80.7 % at 250000 bit/s (73.4 to 89.6)" in flat
    assert "and 36 more" in flat
    assert "Adapter: in listen-only mode, it does not even acknowledge" in flat
    assert "cannot: etas, gs_usb, ixxat" in flat
    assert "3 error frames beside 7010 good frames" in flat


@pytest.mark.parametrize(
    ("listen_only", "words"),
    [
        pytest.param(True, "in listen-only mode", id="had"),
        pytest.param(False, "listen-only mode could not be had; doctor sends no frame", id="not-had"),
        pytest.param(None, "not known whether it is listen-only; doctor sends no frame", id="unknown"),
    ],
)
def test_whether_listen_only_could_be_had(listen_only: bool | None, words: str) -> None:
    """Three answers, three wordings."""
    document = inventory() | {"bus": bus_document(examination(listen_only=listen_only), address_name)}
    assert any(words in line for line in page(document))


def test_several_channels_are_told_apart() -> None:
    """One adapter may read two buses: the sender's line then names its own."""
    senders = (Sender("can0", 0, 5, 0, ()), Sender("can1", 0, 5, None, ()))
    evidence = Evidence(seconds=1.0, counts=Counts(extended=10, bits=Bits(1310, 1600)), senders=senders)
    lines = page(inventory() | {"bus": bus_document(examination(evidence=evidence), address_name)})
    assert [line.split()[1:4] for line in lines if line.startswith("        0  ")] == [
        ["engine", "1,", "can0"], ["engine", "1,", "can1"]
    ]
    assert any("No NAME heard" in line for line in lines)


def test_hostile_text_is_harmless_everywhere() -> None:
    """Names of channels, ports and senders and errors with escape sequences; no control character reaches the page."""
    failed = examination(
        settings=BusSettings(HOSTILE, HOSTILE, 250_000), opened=False, error="cannot open ·[2J",
        evidence=Evidence(seconds=0.0, counts=Counts(), senders=()),
    )
    heard = examination(evidence=Evidence(
        seconds=1.0, counts=Counts(extended=10), senders=(Sender(HOSTILE, 0, 5, 0, ()), Sender("can1", 0, 5, 0, ()))
    ))
    document = inventory(
        adapters=Adapters((Driver(HOSTILE, True), Driver(HOSTILE, False, "why")), (Channel(HOSTILE, HOSTILE),), ()),
        configuration_files=[HOSTILE],
    )
    document["bit_rate_trials"] = trials_document([failed])
    for one in (failed, heard):
        document["bus"] = bus_document(one, address_name)
        lines = page(document)
        assert max(map(len, lines)) < 80
        assert all(line.isprintable() for line in lines)


def test_many_channels_of_one_kind_are_cut() -> None:
    """Linux names dozens of serial ports that are not there: eight are shown, the rest is a number."""
    ports = tuple(Channel("serial", f"/dev/ttyS{number}") for number in range(32))
    lines = page(inventory(adapters=Adapters((), (*ports, Channel("pcan", "PCAN_USBBUS1")), ())))
    assert sum("/dev/ttyS" in line for line in lines) == 8
    assert "  serial        and 24 more" in lines
    assert "  pcan          PCAN_USBBUS1" in lines
