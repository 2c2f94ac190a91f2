"""docs/doctor.md shows the document that the command writes, field by field."""

import json
import re
from pathlib import Path
from typing import Any

import pytest

from faultlamp.bus.options import BusSettings
from faultlamp.doctor import diagnosis
from faultlamp.doctor.adapters import Adapters, Channel
from faultlamp.doctor.diagnosis import Evidence
from faultlamp.doctor.document import bus_document, inventory_document, trials_document
from faultlamp.doctor.drivers import Driver
from faultlamp.doctor.links import Link
from faultlamp.doctor.listening import Examination
from faultlamp.doctor.packages import Package
from faultlamp.doctor.tally import Counts, Sender
from faultlamp.frames.load import Bits
from faultlamp.j1939.address import Name
from faultlamp.knowledge.addresses import address_name
from support.documents import shape

PAGE = (Path(__file__).parents[2] / "docs" / "doctor.md").read_text(encoding="utf-8")


def full_document() -> dict[str, Any]:
    """One entry of everything."""
    link = Link("can0", True, "can", 250_000, "ERROR-ACTIVE", True)
    name = Name.from_bytes(bytes.fromhex("87D6525382C9FE52"))
    alive = Examination(
        settings=BusSettings("socketcan", "can0"), opened=True, bit_rate=250_000, listen_only=True, link=link,
        evidence=Evidence(seconds=5.0, counts=Counts(extended=600, bits=Bits(78_600, 96_000)),
                          senders=(Sender("can0", 0, 600, 1, (name,)),)),
    )
    silent = Examination(
        settings=BusSettings("socketcan", "can0"), opened=True,
        evidence=Evidence(seconds=5.0, counts=Counts(), senders=()),
    )
    document = inventory_document(
        faultlamp_version="0.1.0", python="", system="", packages=[Package("numpy", "2", None, None)],
        adapters=Adapters((Driver("slcan", True),), (Channel("socketcan", "can0", link),), ()),
        configuration_files=["x"], configuration_variables=["CAN_BITRATE"],
    )
    document["bit_rate_trials"] = trials_document([silent])
    document["bus"] = bus_document(alive, address_name)
    document["bus"]["checks"] = bus_document(silent, address_name)["checks"]
    return document


def test_the_example_has_the_fields_of_the_document() -> None:
    """None missing, none too many, in the same order."""
    (example,) = re.findall(r"```json\n(.*?)```", PAGE, re.DOTALL)
    assert json.dumps(shape(json.loads(example))) == json.dumps(shape(full_document()))


@pytest.mark.parametrize("kind", [diagnosis.State, diagnosis.BitRateLooks])
def test_every_state_is_described(kind: Any) -> None:
    """In code letters."""
    for member in kind:
        assert f"`{member}`" in PAGE


def test_every_finding_is_listed() -> None:
    """The codes that there are, in their order, and no others."""
    part = PAGE[PAGE.index("- `findings`:") + len("- `findings`:") : PAGE.index("The texts may change")]
    assert re.findall(r"`([a-z0-9_]+)`", part) == [str(code) for code in diagnosis.Code]
