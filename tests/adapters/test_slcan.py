"""Listening through a serial adapter: python-can's slcan driver and pyserial on a real pseudo-terminal."""

import os
import random
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from faultlamp.bus import serial_line
from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from faultlamp.bus.serial_line import LONGEST_LINE
from faultlamp.capture.writing import format_candump_line
from faultlamp.cli.main import main
from faultlamp.errors import BusError
from faultlamp.frames import EXTENDED, REMOTE, Frame
from support.command import start
from support.hearing import hear, hear_to_the_end
from support.recordings import Whole
from support.serial_adapter import SerialAdapter, line_of

if os.name == "nt":
    pytest.skip("needs pseudo-terminals", allow_module_level=True)

Open = Callable[..., Listener]
# SAE J1939-73, section 5.7.1: amber lamp, SPN 110 FMI 3, one occurrence.
DM1 = Frame(0, "", 0x18FECA00, bytes.fromhex("04FF6E000301FFFF"))
FIRST = Frame(0, "", 0x0CF00400, bytes.fromhex("F07D7D803EFFF0FF"))
LAST = Frame(0, "", 0x18FEEE00, bytes.fromhex("7DFFFFFFFFFFFFFF"))


def heard(listener: Listener, count: int) -> list[tuple[int, bytes, int]]:
    """Identifier, data and flags of the next `count` frames, and of those that follow them at once."""
    return parts(*hear(listener, count))


def parts(*frames: Frame) -> list[tuple[int, bytes, int]]:
    """The same of frames that were sent."""
    return [(frame.can_id, frame.data, frame.flags) for frame in frames]


def driver_of(listener: Listener) -> Any:
    """The driver behind a listener, which hides it from everybody else."""
    cells = listener._reader._receive.__closure__ or ()
    return next(cell.cell_contents for cell in cells if hasattr(cell.cell_contents, "recv"))


def test_every_kind_of_frame_arrives_exactly(adapter: SerialAdapter, open_serial: Open) -> None:
    """11 and 29 bits, every length, remote ones, the highest identifiers; time and channel are filled in."""
    sent = [Frame(0, "", 0x18FECA00 + length, bytes(range(length))) for length in range(9)]
    sent += [Frame(0, "", 0x700 + length, bytes(range(0xF8, 0xF8 + length)), 0) for length in range(9)]
    sent += [Frame(0, "", 0x1FFFFFFF, b"\xff" * 8), Frame(0, "", 0, b""), Frame(0, "", 0x7FF, b"\x00", 0)]
    sent += [Frame(0, "", 0x18EAFF00, b"", EXTENDED | REMOTE), Frame(0, "", 0x7DF, b"", REMOTE)]
    listener = open_serial()
    before_ns = time.time_ns()
    for frame in sent:
        adapter.deliver(frame)
    assert heard(listener, len(sent)) == parts(*sent)
    adapter.deliver(DM1)
    (frame,) = [*listener.read(2.0)]
    assert frame.channel == adapter.port
    assert before_ns - 1000 <= frame.time_ns <= time.time_ns() + 1000
    assert listener.garbled == 0


def test_time_stamps_of_the_adapter_are_not_data(adapter: SerialAdapter, open_serial: Open) -> None:
    """An adapter that was left with its time stamps on (`Z1`) writes four digits more behind each frame."""
    adapter.stamps = True
    listener = open_serial()
    for frame in (DM1, FIRST, Frame(0, "", 0x123, b"\x01", 0)):
        adapter.deliver(frame)
    assert heard(listener, 3) == parts(DM1, FIRST, Frame(0, "", 0x123, b"\x01", 0))


@pytest.mark.parametrize(("bit_rate", "command"), [(250_000, "S5"), (500_000, "S6"), (1_000_000, "S8")])
def test_bit_rate_and_listen_only_are_asked_for(
    adapter: SerialAdapter, open_serial: Open, bit_rate: int, command: str
) -> None:
    """The port's own commands: closed, the rate, opened with `L`, never with `O`; and closed at the end."""
    listener = open_serial(bit_rate)
    assert listener.hardware_listen_only
    assert (adapter.mode, adapter.bit_rate) == ("L", bit_rate)
    listener.close()
    adapter.wait_for(lambda one: not one.mode)
    assert adapter.commands[:2] == ["C", command]
    assert adapter.commands[-1] == "C"
    assert set(adapter.commands) == {"C", command, "", "L"}


def test_a_bit_rate_that_no_adapter_has_is_one_line(adapter: SerialAdapter) -> None:
    """It says which there are."""
    with pytest.raises(BusError, match=r"Invalid bitrate, choose one of .*250000") as raised:
        Listener(BusSettings("slcan", adapter.port, 123_456))
    assert "\n" not in str(raised.value)


GARBAGE = [
    pytest.param(b"\xff\xfe\x80\r", id="not-text"),
    pytest.param(b"T18FECA008\xc3", id="a-byte-inside-a-line-that-is-lost"),
    pytest.param(b"\x00\x00\r", id="zeros"),
    pytest.param(b"\r\r\r", id="empty-lines"),
    pytest.param(b"\a\a\a", id="bells"),
    pytest.param(b"T18FECA0080011223344\r", id="cut-at-a-byte"),
    pytest.param(b"T18FECA008001122334\r", id="cut-inside-a-byte"),
    pytest.param(b"T18FECA00\r", id="cut-before-the-length"),
    pytest.param(b"T18FE\r", id="cut-inside-the-identifier"),
    pytest.param(b"T\r", id="cut-behind-the-letter"),
    pytest.param(b"T18FECA00811\a", id="cut-by-a-bell"),
    pytest.param(b"T18FECA00811T0CF004008F07D7D803EFFF0FF\r", id="two-lines-run-together"),
    pytest.param(b"T18FECA009001122334455667788\r", id="length-nine"),
    pytest.param(b"T18FECA00Z\r", id="length-no-digit"),
    pytest.param(b"T3FFFFFFF0\r", id="identifier-of-30-bits"),
    pytest.param(b"t8000\r", id="identifier-of-12-bits"),
    pytest.param(b"T-00000010\r", id="negative-identifier"),
    pytest.param(b"D00112233445566\r", id="tail-that-begins-like-an-fd-frame"),
    pytest.param(b"B0011223344\r", id="tail-that-begins-like-another"),
    pytest.param(b"CA008001122334455667788\r", id="tail"),
    pytest.param(b"z\rZ\rV1013\rNA001\rF00\r", id="answers"),
    pytest.param(b"T" * (3 * LONGEST_LINE) + b"\r", id="line-without-an-end"),
]


@pytest.mark.parametrize("garbage", GARBAGE)
def test_garbage_costs_no_frame_and_makes_none(adapter: SerialAdapter, open_serial: Open, garbage: bytes) -> None:
    """Between two frames: both arrive, and nothing that nobody sent. Only a line that runs into the frame takes it."""
    listener = open_serial()
    adapter.say(line_of(FIRST) + garbage)
    assert heard(listener, 1) == parts(FIRST)
    if not garbage.endswith((b"\r", b"\a")):
        adapter.say(line_of(DM1))  # one line with the garbage, so it is lost with it
    adapter.say(line_of(LAST) + line_of(DM1))
    assert heard(listener, 2) == parts(LAST, DM1)


def test_noise_among_frames(adapter: SerialAdapter, open_serial: Open) -> None:
    """A thousand frames, each behind up to 40 random bytes and a CR: all arrive, in order, and nothing else."""
    rng = random.Random(20)
    sent = [Frame(0, "", rng.randrange(1 << 29), rng.randbytes(rng.randrange(9))) for _ in range(1000)]
    listener = open_serial()
    got: list[tuple[int, bytes, int]] = []
    for first in range(0, len(sent), 100):
        some = sent[first : first + 100]
        adapter.say(b"".join(rng.randbytes(rng.randrange(40)) + b"\r" + line_of(frame) for frame in some))
        got += heard(listener, len(some))
    assert got == parts(*sent)
    assert listener.garbled > 100


def test_an_unfinished_line_stays_small(adapter: SerialAdapter, open_serial: Open) -> None:
    """An adapter that sends no line's end for ever fills no memory, and counts as broken in the end."""
    listener = open_serial()
    driver = driver_of(listener)
    lengths = []

    def flood() -> None:
        lengths.append(len(driver._rest))
        adapter.say(b"x" * 40_000)

    frames, said = hear_to_the_end(listener, flood)
    assert frames == []
    assert "a line without an end" in said
    assert max(lengths) <= LONGEST_LINE


def test_what_follows_an_endless_line_is_no_frame(adapter: SerialAdapter, open_serial: Open) -> None:
    """Its last piece looks like a frame, wherever the line was given up; the line behind it is one."""
    listener = open_serial()
    for length in (LONGEST_LINE - 20, LONGEST_LINE, 3 * LONGEST_LINE):
        adapter.say(b"x" * length)
        assert heard(listener, 0) == []
        adapter.say(line_of(DM1) + line_of(LAST))
        assert heard(listener, 1) == parts(LAST)


@pytest.mark.parametrize("cut", [1, 9, 10, 11, 12, 26])
def test_a_bad_byte_costs_its_line_and_no_other(adapter: SerialAdapter, open_serial: Open, cut: int) -> None:
    """However the bytes of a damaged line are batched: it is lost, nothing else is, and nothing is made up."""
    listener = open_serial()
    line = line_of(DM1)
    damaged = line[:10] + b"\xc3" + line[11:]
    adapter.say(line_of(FIRST) + damaged[:cut])
    assert heard(listener, 1) == parts(FIRST)
    adapter.say(damaged[cut:])
    adapter.say(line_of(LAST) + line)
    assert heard(listener, 2) == parts(LAST, DM1)
    assert listener.garbled == 1


def test_an_adapter_that_is_unplugged_is_one_line(adapter: SerialAdapter, open_serial: Open) -> None:
    """What came before is handed over; then one line says what to look at. Closing afterwards is harmless."""
    listener = open_serial()
    adapter.say(line_of(FIRST) + line_of(DM1) + line_of(LAST)[:12])
    assert heard(listener, 2) == parts(FIRST, DM1)
    adapter.unplug()
    frames, said = hear_to_the_end(listener)
    assert frames == []
    assert re.fullmatch(r"cannot read from \S+ \(slcan\) at 250000 bit/s: .*still plugged in.*", said)
    listener.close()


def test_a_port_that_is_gone_from_the_start_is_one_line(adapter: SerialAdapter) -> None:
    """No such port."""
    adapter.unplug()
    with pytest.raises(BusError, match=r"cannot open .* \(slcan\)") as raised:
        Listener(BusSettings("slcan", adapter.port, 250_000))
    assert "\n" not in str(raised.value)


def test_an_adapter_without_listen_only_is_opened_and_that_is_told(tmp_path: Path) -> None:
    """`L` is refused, twice, so that no late answer was meant; then `O`. It acknowledges, and still sends no frame."""
    with SerialAdapter(refuses="L") as old, Listener(BusSettings("slcan", old.port, 250_000)) as listener:
        assert not listener.hardware_listen_only
        old.wait_for(lambda one: one.mode == "O")
        assert [command for command in old.commands if command in ("L", "O")] == ["L", "L", "O"]
        old.deliver(DM1)
        assert heard(listener, 1) == parts(DM1)
        assert old.transmitted == []


def test_whoever_insists_on_listen_only_gets_it_or_nothing() -> None:
    """At a wrong bit rate an adapter that acknowledges would disturb the bus."""
    with SerialAdapter(refuses="L") as old:
        with pytest.raises(BusError, match="the adapter has no listen-only mode; set the bit rate with -b") as raised:
            Listener(BusSettings("slcan", old.port, 250_000), insist=True)
        assert "\n" not in str(raised.value)
        assert (old.mode, "O" in old.commands) == ("", False)
    with SerialAdapter() as new, Listener(BusSettings("slcan", new.port, 250_000), insist=True) as listener:
        assert listener.hardware_listen_only
        assert "O" not in new.commands


def test_an_adapter_that_opens_in_no_way_is_one_line() -> None:
    """It says no to everything."""
    with SerialAdapter(refuses="LO") as stubborn:
        with pytest.raises(BusError, match=r"does not open its channel; give a bit rate") as raised:
            Listener(BusSettings("slcan", stubborn.port, 250_000))
        assert "\n" not in str(raised.value)
        assert stubborn.transmitted == []


def test_an_adapter_that_answers_nothing_is_listened_to() -> None:
    """Some never answer: what was asked for counts, and the frames arrive."""
    with SerialAdapter(mute=True) as mute, Listener(BusSettings("slcan", mute.port, 250_000)) as listener:
        assert listener.hardware_listen_only
        mute.wait_for(lambda one: one.mode == "L")
        mute.deliver(DM1)
        assert heard(listener, 1) == parts(DM1)
        assert "O" not in mute.commands


SLOW = dict.fromkeys(("C", "S", "", "L", "O"), 0.4)


@pytest.mark.parametrize("late", [{"L": 0.6}, SLOW], ids=["only-to-L", "to-everything"])
def test_a_late_refusal_is_waited_for(monkeypatch: pytest.MonkeyPatch, late: dict[str, float]) -> None:
    """As an adapter at the end of a slow radio link: it is opened with `O`, and said to acknowledge."""
    monkeypatch.setattr(serial_line, "ANSWER_S", 0.9)
    monkeypatch.setattr(serial_line, "_QUIET_S", (0.7, 1.0))
    with SerialAdapter(refuses="L", late=late) as old, Listener(BusSettings("slcan", old.port, 250_000)) as listener:
        assert not listener.hardware_listen_only
        old.wait_for(lambda one: one.mode == "O")
        old.deliver(DM1)
        assert heard(listener, 1) == parts(DM1)


@pytest.mark.parametrize("late", [{"L": 0.6}, SLOW], ids=["only-to-L", "to-everything"])
def test_a_late_yes_is_a_yes(monkeypatch: pytest.MonkeyPatch, late: dict[str, float]) -> None:
    """It is slow, but it listens only, and is never opened in another way."""
    monkeypatch.setattr(serial_line, "ANSWER_S", 0.9)
    with SerialAdapter(late=late) as slow, Listener(BusSettings("slcan", slow.port, 250_000)) as listener:
        assert listener.hardware_listen_only
        slow.wait_for(lambda one: one.mode == "L")
        slow.deliver(DM1)
        assert heard(listener, 1) == parts(DM1)
        assert "O" not in slow.commands


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever opens a serial adapter gives it 0.2 s for an answer; no port is known to be late."""
    monkeypatch.setattr(serial_line, "ANSWER_S", 0.2)
    monkeypatch.setattr(serial_line, "late_ports", set())


@pytest.mark.usefixtures("impatient")
def test_a_refusal_that_comes_when_it_was_believed_already_is_told() -> None:
    """Reading ends with one line; opened again it takes `O` at once. Whoever insists is refused."""
    with SerialAdapter(refuses="L", late={"L": 0.5}) as old:
        settings = BusSettings("slcan", old.port, 250_000)
        with Listener(settings) as listener:
            frames, said = hear_to_the_end(listener)
        assert frames == []
        assert re.fullmatch(
            r"cannot read from \S+ \(slcan\) at 250000 bit/s: the adapter answers too late to be sure that it has a "
            "listen-only mode; opened again it acknowledges what others send", said,
        )
        del old.commands[:]
        with Listener(settings) as listener:
            assert not listener.hardware_listen_only
            old.wait_for(lambda one: one.mode == "O")
            old.deliver(DM1)
            assert heard(listener, 1) == parts(DM1)
        assert "L" not in old.commands
        with pytest.raises(BusError, match="the adapter has no listen-only mode"):
            Listener(settings, insist=True)


@pytest.mark.usefixtures("impatient")
def test_a_yes_that_comes_when_it_was_believed_already_changes_nothing() -> None:
    """What answered everything else answers this: frames behind it are heard, on the same opening."""
    with SerialAdapter(late={"L": 0.4}) as slow, Listener(BusSettings("slcan", slow.port, 250_000)) as listener:
        slow.wait_for(lambda one: one.mode == "L")
        time.sleep(0.5)
        slow.deliver(DM1)
        assert heard(listener, 1) == parts(DM1)
        assert listener.hardware_listen_only
        slow.say(b"\a")  # noise from now on
        slow.deliver(LAST)
        assert heard(listener, 1) == parts(LAST)


@pytest.mark.usefixtures("impatient")
def test_watch_says_that_a_late_adapter_acknowledges(capsys: pytest.CaptureFixture[str]) -> None:
    """What its first line says is taken back as soon as it is known to be wrong."""
    with SerialAdapter(refuses="L", late={"L": 0.6}) as old:
        assert main(["watch", "-i", "slcan", "-c", old.port, "-b", "250000", "--for", "3"]) == 0
        assert old.transmitted == []
    out, err = capsys.readouterr()
    assert "sends nothing, not even the acknowledge bit (adapter in listen-only mode)" in err
    assert re.search(r"bus lost: .*too late to be sure that it has a listen-only mode; .*; trying again\n", out)
    assert re.search(
        r"bus back after [\d.]+ s; now it sends nothing but the acknowledge bit \(no listen-only mode could be had\)\n",
        out,
    )


def test_a_channel_that_was_left_open_is_closed_first(adapter: SerialAdapter) -> None:
    """Another program left it open, acknowledging: an open channel refuses `L`, also when no bit rate is given."""
    adapter.bit_rate, adapter.mode = 250_000, "O"
    for frame in (DM1, FIRST) * 100:
        adapter.deliver(frame)
    with Listener(BusSettings("slcan", adapter.port)) as listener:
        assert listener.hardware_listen_only
        assert adapter.mode == "L"
        adapter.deliver(LAST)
        assert parts(LAST)[0] in heard(listener, 1)


def test_an_adapter_that_takes_no_bytes_is_one_line() -> None:
    """Not a command goes out to it: opening ends after some seconds, and says why."""
    began_s = time.monotonic()
    says_why = pytest.raises(BusError, match=r"cannot open .*: the adapter takes no bytes; unplug it")
    with SerialAdapter(frozen=True) as frozen, says_why as raised:
        Listener(BusSettings("slcan", frozen.port, 250_000))
    assert "\n" not in str(raised.value)
    assert time.monotonic() - began_s < 8


def test_an_adapter_that_freezes_can_be_left(adapter: SerialAdapter, open_serial: Open) -> None:
    """Closing tells it so, which it does not take; closing ends all the same."""
    listener = open_serial()
    adapter.frozen = True
    adapter.fill()
    began_s = time.monotonic()
    listener.close()
    assert time.monotonic() - began_s < 8


def test_watch_prints_records_and_stays_silent(adapter: SerialAdapter, tmp_path: Path) -> None:
    """`faultlamp watch -i slcan -c PORT -b 250000`: events, an exact recording, listen-only, not one frame sent."""
    path = tmp_path / "serial.log"
    others = [Frame(0, "", 0x123, b"\x01\x02", 0), Frame(0, "", 0x18EAFF00, b"", EXTENDED | REMOTE)]
    sent = [FIRST, DM1, *others, LAST] * 40
    words = ("watch", "-i", "slcan", "-c", adapter.port, "-b", "250000", "--for", "1.2", "--record", str(path))
    with start(tmp_path, *words, sleep_after_open=0.1) as watch:
        adapter.wait_for(lambda one: one.mode)
        for frame in sent:
            adapter.deliver(frame)
        out, err = watch.communicate(timeout=30)
    assert watch.returncode == 0, err
    assert "sends nothing, not even the acknowledge bit (adapter in listen-only mode)" in err
    assert re.search(r"fault active: engine 1 \(0\) SPN 110 FMI 3 ", out)
    assert f"{len(sent)} frames in" in err
    lines = path.read_text().splitlines()
    named = [Frame(0, adapter.port, frame.can_id, frame.data, frame.flags) for frame in sent]
    assert [line.split(" ", 1)[1] for line in lines] == [format_candump_line(one).split(" ", 1)[1] for one in named]
    assert Whole(path).stats.bad_lines == 0
    assert adapter.transmitted == []
    assert set(adapter.commands) == {"C", "S5", "", "L"}


def test_watch_survives_garbage(adapter: SerialAdapter, tmp_path: Path) -> None:
    """Noise on the line is counted in the summary; the fault behind it is told."""
    rng = random.Random(4)
    words = ("watch", "-i", "slcan", "-c", adapter.port, "-b", "500000", "--for", "1.2")
    with start(tmp_path, *words, sleep_after_open=0.1) as watch:
        adapter.wait_for(lambda one: one.mode)
        for _ in range(50):
            adapter.say(rng.randbytes(30) + b"\r" + line_of(FIRST))
        adapter.deliver(DM1)
        out, err = watch.communicate(timeout=30)
    assert (watch.returncode, "Traceback" in err) == (0, False)
    assert "fault active: engine 1 (0) SPN 110 FMI 3" in out
    assert re.search(r"\b51 frames in .*; \d+ things from the adapter were no frames", err)
    assert adapter.transmitted == []


def test_watch_says_that_the_adapter_is_gone(adapter: SerialAdapter, tmp_path: Path) -> None:
    """Pulled out midway: it is told in plain words at once, with no traceback, and nothing that came is lost."""
    path = tmp_path / "serial.log"
    words = ("watch", "-i", "slcan", "-c", adapter.port, "-b", "250000", "--for", "2", "--record", str(path))
    with start(tmp_path, *words, sleep_after_open=0.1) as watch:
        adapter.wait_for(lambda one: one.mode)
        for _ in range(20):
            adapter.deliver(DM1)
        time.sleep(0.5)
        adapter.unplug()
        out, err = watch.communicate(timeout=30)
    assert "Traceback" not in out + err
    assert re.search(r"bus lost: cannot read from .*still plugged in and powered\?; trying again", out)
    assert "fault active: engine 1 (0) SPN 110 FMI 3" in out
    assert len(path.read_text().splitlines()) == 20
