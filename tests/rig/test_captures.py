"""The shipped recordings: made anew to the byte, invented by their own account, and telling the story they should."""

import gzip
import io
import re
from collections.abc import Callable, Iterable
from pathlib import Path

import can
import pytest

from faultlamp.cli.rig import write_candump
from faultlamp.frames import Frame
from faultlamp.resources import shipped
from faultlamp.rig.generator import generate
from faultlamp.rig.loading import load_scenario
from faultlamp.rig.shipped import find_scenario

CAPTURES = shipped("captures")
START_S = 1764000000
FILES = {"quick-look": "quick-look.log", "pump-set": "pump-set.log.gz"}
S = 1_000_000_000

Ears = Callable[[Iterable[Frame]], list]


def text_of(name: str) -> bytes:
    """The recording's lines."""
    raw = (CAPTURES / FILES[name]).read_bytes()
    return gzip.decompress(raw) if FILES[name].endswith(".gz") else raw


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], list[Frame]]:
    """A function that reads a recording with python-can; times count from the scenario's start."""

    def read(name: str) -> list[Frame]:
        path = tmp_path_factory.mktemp("captures") / f"{name}.log"
        path.write_bytes(text_of(name))
        with can.LogReader(path) as reader:
            return [
                Frame(round((m.timestamp - START_S) * 1e6) * 1000, "can0", m.arbitration_id, bytes(m.data))
                for m in reader
            ]

    return read


@pytest.mark.parametrize("name", FILES)
def test_made_anew_they_are_the_same(name: str) -> None:
    """The rig writes the very bytes that are shipped (of the compressed one: the text inside)."""
    made = io.BytesIO()
    count = write_candump(generate(load_scenario(find_scenario(name)), START_S * S), made)
    assert made.getvalue() == text_of(name)
    assert count > 4000


def test_readme_has_the_commands_and_the_counts() -> None:
    """captures/README.md gives the command for each file, its number of frames, and says 'invented'."""
    readme = (CAPTURES / "README.md").read_text(encoding="utf-8")
    for name, file in FILES.items():
        assert f"faultlamp rig {name} --start {START_S} -o captures/{file} --force" in readme
        row = re.search(rf"\| `{re.escape(file)}` \| [^|]+ \| ([\d,]+) \|", readme)
        assert row is not None
        assert int(row[1].replace(",", "")) == text_of(name).count(b"\n")
    assert "**invented**" in readme


def test_they_are_small() -> None:
    """Together the recordings made by the rig are less than 3 MB of text."""
    assert sum(len(text_of(name)) for name in FILES) < 3_000_000


@pytest.mark.parametrize("name", FILES)
def test_they_say_that_they_are_invented(
    name: str, recorded: Callable[[str], list[Frame]], ears: Ears
) -> None:
    """VIN (PGN 65260) and component identification (65259) in the recording start with INVENTED, each key cycle."""
    heard = ears(recorded(name))
    for pgn, at_least in ((65260, 5), (65259, 15)):
        texts = [message.data for message in heard if message.pgn == pgn]
        assert len(texts) >= at_least
        assert all(text.startswith(b"INVENTED") for text in texts)


# Seconds at which a code of the engine first shows, both show, the key goes off, three starts are done.
STORY = [("quick-look", 12.0, 14.0, 20.0, 53.5), ("pump-set", 251.0, 253.0, 298.0, 394.5)]


@pytest.mark.parametrize(("name", "first_s", "second_s", "off_s", "done_s"), STORY)
def test_story_of_the_engine(
    name: str, first_s: float, second_s: float, off_s: float, done_s: float,
    recorded: Callable[[str], list[Frame]], ears: Ears,
) -> None:
    """DM1 by hand (SAE J1939-73, 5.7.1): amber with 110/3, red with 100/3 as well, key off, gone after three starts."""
    reports = [(m.times_ns[-1] / S, m.data.hex(" ").upper()) for m in ears(recorded(name))
               if m.pgn == 65226 and m.source == 0]
    one, both = "04 FF 6E 00 03 01 FF FF", "14 FF 6E 00 03 01 64 00 03 01"
    assert {data for at, data in reports if 2.1 < at < first_s} == {"00 FF 00 00 00 00 FF FF"}
    assert {data for at, data in reports if first_s < at < second_s} == {one}
    assert {data for at, data in reports if second_s + 0.3 < at < off_s} == {both}
    # lamps stand at the front, and are all on while they are checked
    assert {data[6:] for at, data in reports if off_s + 0.2 < at < done_s} == {both[6:]}
    assert {data for at, data in reports if done_s < at} == {"00 FF 00 00 00 00 FF FF"}


@pytest.mark.parametrize(
    ("name", "answers"),
    [
        ("quick-look", {(0, "00 FF 6E 00 03 01 64 00 03 01"), (61, "33 FF 00 00 00 00 FF FF"),
                        (23, "F3 FF 00 00 00 00 FF FF")}),
        # 168/18 with a count of 2 from before is A8 00 12 02; 110/19 of the aftertreatment 6E 00 13 01
        ("pump-set", {(0, "00 FF 6E 00 03 01 64 00 03 01 A8 00 12 02"), (61, "33 FF 6E 00 13 01 FF FF"),
                      (23, "F3 FF 00 00 00 00 FF FF")}),
    ],
)  # fmt: skip
def test_stored_codes_are_asked_for_and_told(
    name: str, answers: set[tuple[int, str]], recorded: Callable[[str], list[Frame]], ears: Ears
) -> None:
    """The request from address 249 is in the recording, and so is everybody's DM2."""
    frames = recorded(name)
    assert any(frame.can_id == 0x18EAFFF9 and frame.data == bytes.fromhex("CBFE00") for frame in frames)
    heard = {(m.source, m.data.hex(" ").upper()) for m in ears(frames) if m.pgn == 65227}
    assert heard == answers


def test_no_frame_while_the_key_is_off(recorded: Callable[[str], list[Frame]]) -> None:
    """In every key_off phase of both scenarios nothing is heard, but for a transfer under way of less than 0.5 s."""
    for name in FILES:
        frames = recorded(name)
        for phase in load_scenario(find_scenario(name)).phases:
            if phase.kind == "key_off":
                late = [f for f in frames if phase.start_ns + S // 2 < f.time_ns < phase.end_ns]
                assert late == []


def test_the_folder_is_the_one_that_is_shipped() -> None:
    """Nothing lies in the folder that the README does not name."""
    readme = (CAPTURES / "README.md").read_text(encoding="utf-8")
    for path in Path(CAPTURES).iterdir():
        assert path.name == "README.md" or f"`{path.name}`" in readme
