"""What is remembered between sessions: the document, the file, the machine it is for, and when it comes back."""

import json
import os
import stat
import threading
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.errors import DataFileError
from faultlamp.frames import Frame, FrameBlock
from faultlamp.j1939.address import Name
from faultlamp.knowledge.units import System
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.preferences import store as store_module
from faultlamp.tui.preferences.document import ANY_MACHINE, MOST_MACHINES, Remembered, from_text, to_text
from faultlamp.tui.preferences.keeper import Keeper, keeping
from faultlamp.tui.preferences.machine import EngineName, machine_key
from faultlamp.tui.preferences.store import ASIDE, FILE_NAME, Store, usual_folder
from faultlamp.tui.readings.choice import MOST_PICKS, TRENDS_MIN, Choice, Choices, Mark
from faultlamp.tui.readings.value import Pick
from support.wire import frame
from tui.scene import LAYOUTS, StillFeed, second

OIL = Pick(100)
PSI = Choices((Choice(OIL, "psi", Mark(20, "psi"), Mark(80.5, "psi")), Choice(Pick(190, "can0", 0))), System.US)
BAR = Choices((Choice(OIL, "bar"),), System.METRIC, (("pressures", "bar"), ("temperatures", "degF")), 15)
VIN = "VIN INVENTEDPUMPSET01"
ENGINE = Name(
    identity_number=4711, manufacturer_code=0, ecu_instance=0, function_instance=0, function=0, vehicle_system=0,
    vehicle_system_instance=0, industry_group=5, arbitrary_address_capable=False,
)
CLAIM = f"NAME {int(ENGINE):016X}"


def claim(seconds: float, name: Name = ENGINE, source: str = "00") -> Frame:
    """Address claimed (PGN 60928) to everybody: SAE J1939-81, section 4.1 (from memory)."""
    return frame(seconds, f"18EEFF{source}", name.to_bytes().hex())


def vin(seconds: float, text: str, source: str = "00") -> list[Frame]:
    """Vehicle identification (PGN 65260) by broadcast transport: SAE J1939-21, section 5.10."""
    payload = f"{text}*".encode("latin-1")
    packets = -(-len(payload) // 7)
    size = len(payload).to_bytes(2, "little").hex()
    sent = [frame(seconds, f"1CECFF{source}", f"20{size}{packets:02X}FFECFE00")]
    for number in range(packets):
        part = payload[7 * number : 7 * number + 7].ljust(7, b"\xff").hex()
        sent.append(frame(seconds + 0.05 * (number + 1), f"1CEBFF{source}", f"{number + 1:02X}{part}"))
    return sent


def board(*frames: Frame) -> tuple[Board, StillFeed]:
    """A board that has taken the frames, and its feed."""
    feed = StillFeed([*second(0), *frames], 3)
    made = Board(feed, LAYOUTS, {})
    made.tick()
    return made, feed


def bring(made: Board, feed: StillFeed, *frames: Frame) -> None:
    """More frames."""
    feed.pending = [FrameBlock.from_frames(list(frames))]
    made.tick()


# The document.
TEXTS = st.text(max_size=60)
MARKS = st.none() | st.builds(Mark, st.floats(-1e15, 1e15), st.sampled_from(["kPa", "psi", "", "°C"]))
CHOICE = st.builds(
    Choice,
    st.builds(Pick, st.integers(0, 524287), st.none() | TEXTS, st.none() | st.integers(0, 255)),
    st.sampled_from(["", "psi", "degF"]), MARKS, MARKS,
)
CHOICES = st.builds(
    Choices,
    st.lists(CHOICE, min_size=1, max_size=MOST_PICKS, unique_by=lambda choice: choice.pick).map(tuple),
    st.sampled_from(System), st.sampled_from([(), (("pressures", "bar"),)]), st.sampled_from(TRENDS_MIN),
)


@given(TEXTS, st.dictionaries(st.text(min_size=1, max_size=60), CHOICES, max_size=5))
def test_whatever_is_remembered_comes_back(theme: str, machines: dict[str, Choices]) -> None:
    """Any text off a bus, quotes, controls and line ends among it, goes into the document and comes back the same."""
    remembered = Remembered(theme, machines)
    text = to_text(remembered)
    assert text.isascii()
    assert from_text(text) == remembered
    assert list(from_text(text).machines) == list(machines)


@given(st.text() | st.recursive(st.none() | st.booleans() | st.integers() | st.floats() | st.text(), lambda inner: (
    st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(
        ["schema", "theme", "machines", "machine", "readings", "spn", "low", "number", "units"]), inner, max_size=4)
)).map(json.dumps))
def test_any_other_document_is_refused_in_one_line(text: str) -> None:
    """It is understood, or refused with the known error; nothing else ever escapes."""
    said = ""
    try:
        from_text(text)
    except DataFileError as error:
        said = str(error)
    assert "\n" not in said
    assert len(said) < 300


def document(**changes: Any) -> str:
    """A document with one machine of one reading; what is given takes the place of the machine's entries."""
    machine = {"machine": "m", "readings": [{"spn": 100}], **changes}
    return json.dumps({"schema": 1, "machines": [machine]})


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param("", "not a JSON document", id="empty"),
        pytest.param("{", "not a JSON document", id="cut off"),
        pytest.param("[" * 100_000, "not a JSON document", id="deep"),
        pytest.param("[]", "the document: [] stands there", id="a list"),
        pytest.param("{}", "schema: None stands there; allowed: 1", id="no schema"),
        pytest.param('{"schema": 2}', "another version of faultlamp", id="of the future"),
        pytest.param('{"schema": 1, "theme": 5}', "theme: 5", id="theme no text"),
        pytest.param('{"schema": 1, "machines": {}}', "machines: {}", id="machines no list"),
        pytest.param(document(machine=""), "machine 1, machine: ''", id="no name"),
        pytest.param(document(machine="x" * 61), "machine 1, machine", id="long name"),
        pytest.param(document(readings=[]), "machine 1, readings: []", id="no readings"),
        pytest.param(document(readings=[{"spn": at} for at in range(13)]), "a list of 1 to 12", id="thirteen"),
        pytest.param(document(readings=[{"spn": 5}, {"spn": 5}]), "one of them twice", id="twice"),
        pytest.param(document(readings=[{"spn": True}]), "reading 1, spn: True", id="spn no number"),
        pytest.param(document(readings=[{"spn": 524288}]), "0 to 524287", id="spn too large"),
        pytest.param(document(readings=[{"spn": 1, "source_address": 256}]), "0 to 255", id="address"),
        pytest.param(document(readings=[{"spn": 1, "channel": 7}]), "channel: 7", id="channel"),
        pytest.param(document(readings=[{"spn": 1, "unit": None}]), "unit: None", id="unit"),
        pytest.param(document(readings=[{"spn": 1, "low": 5}]), "low: 5", id="mark no table"),
        pytest.param(document(readings=[{"spn": 1, "low": {"number": "5"}}]), "low: '5'", id="mark no number"),
        pytest.param(document(readings=[{"spn": 1, "low": {"number": 1e300}}]), "low: 1e+300", id="mark too large"),
        pytest.param(
            '{"schema": 1, "machines": [{"machine": "m", "readings": [{"spn": 1, "low": {"number": NaN}}]}]}',
            "NaN is no JSON number", id="mark not a number",
        ),
        pytest.param(document(system="imperial"), "system: 'imperial'", id="system"),
        pytest.param(document(units={"pressures": "degC"}), "pressures: degC", id="unit of another quantity"),
        pytest.param(document(units={"colours": "red"}), "colours: red", id="no quantity"),
        pytest.param(document(trend_min=2), "trend_min: 2", id="trend"),
        pytest.param(document(trend_min=True), "trend_min: True", id="trend no number"),
    ],
)
def test_what_is_wrong_is_said(text: str, words: str) -> None:
    """Where in the document, what stands there, what is allowed."""
    with pytest.raises(DataFileError) as caught:
        from_text(text)
    assert words in str(caught.value)


def test_the_oldest_machines_are_dropped() -> None:
    """Bounded; what holds for any machine is never dropped; a machine changed again is the newest."""
    known = Remembered().with_machine(ANY_MACHINE, PSI)
    for number in range(MOST_MACHINES + 20):
        known = known.with_machine(f"VIN {number}", BAR)
        if number == 50:
            known = known.with_machine("VIN 0", PSI)
    assert len(known.machines) == MOST_MACHINES
    assert ANY_MACHINE in known.machines
    assert f"VIN {MOST_MACHINES + 19}" in known.machines
    assert "VIN 1" not in known.machines
    assert known.machines["VIN 0"] == PSI
    assert from_text(to_text(known)) == known


# The file.
def saved(folder: Path, machine: str = VIN, choices: Choices = PSI) -> None:
    """Remember one machine and end."""
    store = Store(folder)
    store.update(machine, lambda known: known.with_machine(machine, choices))
    store.close()
    assert store.take_problems() == []


def test_the_file_is_private_and_whole(tmp_path: Path) -> None:
    """Folder and file are the owner's alone; nothing temporary is left; what was saved is read again."""
    folder = tmp_path / "not there yet" / "faultlamp"
    saved(folder)
    assert [path.name for path in folder.iterdir()] == [FILE_NAME]
    assert stat.S_IMODE((folder / FILE_NAME).stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert Store(folder).remembered.machines == {VIN: PSI}


def test_two_dashboards_do_not_undo_each_other(tmp_path: Path) -> None:
    """Each keeps its own machine, also when both were open at once."""
    one, other = Store(tmp_path), Store(tmp_path)
    one.update("a", lambda known: known.with_machine("a", PSI))
    one.close()
    other.update("b", lambda known: known.with_machine("b", BAR))
    other.close()
    assert Store(tmp_path).remembered.machines == {"a": PSI, "b": BAR}


def test_a_writer_that_dies_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The new one takes the name only when it is whole on the disk."""
    saved(tmp_path)
    before = (tmp_path / FILE_NAME).read_text()

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(store_module.os, "fsync", full)
    store = Store(tmp_path)
    store.update("b", lambda known: known.with_machine("b", BAR))
    store.close()
    assert store.take_problems() == [
        f"{tmp_path / FILE_NAME}: cannot be written: No space left on device; choices hold until you leave."
    ]
    assert (tmp_path / FILE_NAME).read_text() == before
    assert [path.name for path in tmp_path.iterdir()] == [FILE_NAME]


@pytest.mark.parametrize(
    "content", [b"", b"{", b"\xff\xfe", b"[]", b'{"schema": 99}', b"\0" * 5_000_000],
    ids=["empty", "cut", "no text", "list", "future", "large"],
)
def test_a_file_that_is_not_understood_is_put_aside(tmp_path: Path, content: bytes) -> None:
    """One line, no crash; it stays as long as nothing is changed, and then under another name."""
    path = tmp_path / FILE_NAME
    path.write_bytes(content)
    store = Store(tmp_path)
    problems = store.take_problems()
    assert len(problems) == 1
    assert problems[0].startswith(f"{path}: ")
    assert "put aside when one changes" in problems[0]
    assert store.take_problems() == []
    assert path.read_bytes() == content
    store.update(VIN, lambda known: known.with_machine(VIN, PSI))
    store.close()
    assert store.take_problems() == []
    assert Path(f"{path}{ASIDE}").read_bytes() == content
    assert Store(tmp_path).remembered.machines == {VIN: PSI}


@pytest.mark.parametrize("kind", ["a file is in the way", "a folder has the name", "a pipe has the name"])
def test_places_that_cannot_be_used(tmp_path: Path, kind: str) -> None:
    """Read or written or not: one line each, never an exception, never a wait."""
    folder = tmp_path / "faultlamp"
    if kind.startswith("a file"):
        folder.write_text("")
    else:
        folder.mkdir()
        path = folder / FILE_NAME
        if kind.startswith("a folder"):
            (path / "inside").mkdir(parents=True)
        else:
            os.mkfifo(path)
    store = Store(folder)
    assert len(store.take_problems()) == 1
    for _ in range(3):
        store.update(VIN, lambda known: known.with_machine(VIN, PSI))
    store.close()
    assert len(store.take_problems()) <= 1
    assert store.remembered.machines == {VIN: PSI}


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    """Settings kept elsewhere are written there."""
    folder, elsewhere = tmp_path / "folder", tmp_path / "elsewhere"
    folder.mkdir()
    elsewhere.mkdir()
    (folder / FILE_NAME).symlink_to(elsewhere / "mine.json")
    saved(folder)
    assert (folder / FILE_NAME).is_symlink()
    assert from_text((elsewhere / "mine.json").read_text()).machines == {VIN: PSI}


def test_a_slow_disk_holds_nothing_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While one writing is under way hundreds of changes are taken at once, and only the latest is written after it."""
    go, writes, replace = threading.Event(), [], os.replace

    def slow(source: str, target: Path) -> None:
        go.wait(10)
        writes.append(target)
        replace(source, target)

    monkeypatch.setattr(store_module.os, "replace", slow)
    store = Store(tmp_path)
    for number in range(300):
        choices = Choices((Choice(Pick(number)),))
        store.update(VIN, lambda known, choices=choices: known.with_machine(VIN, choices))  # type: ignore[misc]
    assert not writes
    go.set()
    store.close()
    assert 1 <= len(writes) <= 2
    assert Store(tmp_path).remembered.machines[VIN].picks == [Pick(299)]


def test_the_usual_folder_is_the_platforms(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """XDG Base Directory Specification on Linux."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert usual_folder() == tmp_path / "faultlamp"


# The machine.
@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("INVENTEDPUMPSET01", VIN), ("inventedpumpset01", VIN), ("  INVENTEDPUMPSET01\0", VIN),
        ("AB-123456", "VIN AB-123456"), ("00000000000000000", None), ("XXXXXXXXXXXXXXXXX", None), ("AB12", None),
        ("A" * 20 + "B" * 20, None), ('A"},{"machine":"B', None), ("A\x1b[31mRED45", None), ("../../../ETC1", None),
        ("ÄÖÜ4567890", None), ("A B C D E F", None),
    ],
)
def test_a_vin_counts_when_it_can_be_one(text: str, key: str | None) -> None:
    """Hostile texts and place-holders name no machine; then the NAME does."""
    made, _ = board(*vin(1, text))
    assert machine_key(made.job.history.identities, 0, None) == key
    assert machine_key(made.job.history.identities, 0, ENGINE) == (key or CLAIM)


def test_the_engines_vin_before_others() -> None:
    """A cab controller may send another one; without the engine's its own has to do."""
    made, feed = board(*vin(1, "CABCONTROLLER0001", source="31"))
    assert machine_key(made.job.history.identities, 0, ENGINE) == "VIN CABCONTROLLER0001"
    bring(made, feed, *vin(2, "INVENTEDPUMPSET01"))
    assert machine_key(made.job.history.identities, 0, ENGINE) == VIN


def test_the_engines_name_is_heard() -> None:
    """The latest claim for its address, to everybody or to one; not another's, and not a short frame."""
    heard = EngineName(0)
    heard.feed_block(FrameBlock.from_frames([claim(1, source="01"), frame(1.1, "18EEFF00", "0102")]))
    assert heard.name is None
    other = Name.from_bytes(bytes(range(8)))
    heard.feed_block(FrameBlock.from_frames([claim(1), claim(2, other), frame(3, "18EAFF00", "00EE00")]))
    assert heard.name == other
    heard.feed_block(FrameBlock.from_frames([frame(4, "18EE2100", ENGINE.to_bytes().hex())]))
    assert heard.name == ENGINE


@pytest.mark.parametrize("number", [0, (1 << 21) - 1])
def test_a_name_without_an_identity_number_names_no_machine(number: int) -> None:
    """Every engine of that kind would have it."""
    name = Name.from_bytes((int(ENGINE) >> 21 << 21 | number).to_bytes(8, "little"))
    assert name.identity_number == number
    assert machine_key({}, 0, name) is None


# When choices come back.
def remembering(tmp_path: Path, **machines: Choices) -> Keeper:
    """A keeper with a file that has these machines: `vin`, `name`, `any`, `other`."""
    keys = {"vin": VIN, "name": CLAIM, "any": ANY_MACHINE, "other": "VIN ANOTHERPUMPSET99"}
    (tmp_path / FILE_NAME).write_text(to_text(Remembered("", {keys[name]: kept for name, kept in machines.items()})))
    return Keeper(Store(tmp_path))


def test_a_machine_that_is_recognised_late_brings_its_choices(tmp_path: Path) -> None:
    """Until then those of any machine hold; the user is told once."""
    made, feed = board()
    keeper = remembering(tmp_path, any=BAR, vin=PSI)
    keeper.begin(made)
    assert keeper.follow(made) == []
    assert made.choices == BAR
    bring(made, feed, *vin(2, "INVENTEDPUMPSET01"))
    assert keeper.follow(made) == [f"Readings as last chosen for {VIN}."]
    assert made.choices == PSI
    assert keeper.follow(made) == []


def test_name_first_and_vin_later(tmp_path: Path) -> None:
    """By its NAME as soon as that is known; by its VIN, which is surer, when that comes."""
    made, feed = board(claim(1))
    keeper = remembering(tmp_path, name=BAR, vin=PSI)
    keeper.begin(made)
    keeper.follow(made)
    assert made.choices == BAR
    bring(made, feed, *vin(2, "INVENTEDPUMPSET01"))
    keeper.follow(made)
    assert (made.choices, keeper.machine) == (PSI, VIN)


def test_what_the_user_changed_meanwhile_holds(tmp_path: Path) -> None:
    """It is not overwritten by what was remembered, but becomes what is remembered."""
    made, feed = board()
    keeper = remembering(tmp_path, vin=PSI)
    keeper.begin(made)
    made.choose(BAR)
    keeper.follow(made)
    bring(made, feed, *vin(2, "INVENTEDPUMPSET01"))
    assert keeper.follow(made) == []
    assert made.choices == BAR
    assert keeper._store is not None
    keeper._store.close()
    assert Store(tmp_path).remembered.machines == {ANY_MACHINE: BAR, VIN: BAR}


def test_a_change_is_kept_for_its_machine(tmp_path: Path) -> None:
    """Under the VIN, and nothing else is touched."""
    made, _ = board(*vin(2, "INVENTEDPUMPSET01"))
    keeper = remembering(tmp_path, any=BAR, other=BAR)
    keeper.begin(made)
    keeper.follow(made)
    made.choose(PSI)
    keeper.follow(made)
    assert keeper._store is not None
    keeper._store.close()
    machines = Store(tmp_path).remembered.machines
    assert machines == {ANY_MACHINE: BAR, "VIN ANOTHERPUMPSET99": BAR, VIN: PSI}


def test_another_machine_on_the_same_screen(tmp_path: Path) -> None:
    """The adapter goes into the next machine: its own choices come, whatever was changed on the first."""
    made, feed = board(*vin(2, "INVENTEDPUMPSET01"))
    keeper = remembering(tmp_path, other=BAR)
    keeper.begin(made)
    keeper.follow(made)
    made.choose(PSI)
    keeper.follow(made)
    bring(made, feed, *vin(8, "ANOTHERPUMPSET99"))
    keeper.follow(made)
    assert made.choices == BAR


def test_a_bus_that_claims_many_machines_writes_nothing(tmp_path: Path) -> None:
    """Only the user's changes are written."""
    made, feed = board()
    keeper = Keeper(Store(tmp_path))
    keeper.begin(made)
    for number in range(20):
        bring(made, feed, *vin(2 + number, f"HOSTILEMACHINE{number:03}"))
        assert keeper.follow(made) == []
    assert keeper._store is not None
    keeper._store.close()
    assert list(tmp_path.iterdir()) == []


def test_without_a_file_a_session_remembers_by_itself() -> None:
    """No store: no errors, no choices from elsewhere."""
    made, _ = board(*vin(2, "INVENTEDPUMPSET01"))
    with keeping(None) as keeper:
        keeper.begin(made)
        made.choose(PSI)
        assert keeper.follow(made) == []
        keeper.keep_theme("light")
        assert (keeper.problems(), keeper.theme, made.choices) == ([], "light", PSI)


async def test_a_damaged_file_is_one_line_on_the_dashboard(tmp_path: Path) -> None:
    """It is shown as text, and the dashboard runs."""
    folder = tmp_path / "[bold]x"
    folder.mkdir()
    (folder / FILE_NAME).write_text("{")
    with keeping(folder) as keeper:
        app = DashboardApp(Board(StillFeed(second(0), 1), LAYOUTS, {}), keeper=keeper)
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.pause()
            app.tick()
            assert [note.message.partition(": ")[0] for note in app._notifications] == [str(folder / FILE_NAME)]
            assert all(note.markup is False for note in app._notifications)
            app.tick()
            assert len(app._notifications) == 1
