"""Single candump lines, good and bad, against the documented forms, python-can's reader and can-utils itself."""

import io
import math
import re
import shutil
import subprocess
from collections.abc import Mapping
from typing import Any

import can
import pytest

from faultlamp.capture.candump_lines import LONGEST_LINE, CandumpLine, channel_name, parse_line
from faultlamp.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE

T = 1436509052_249713_000

# Sources: "lib.h" is lib.h of can-utils (github.com/linux-can/can-utils), which documents the log form above
# parse_canframe() and sprint_canframe(); "candump.c" is its screen output; "python-can" is what can.CanutilsLogReader
# makes of the line, checked below. Rows marked "tolerated" are our own leniency about blanks.
GOOD = {
    # lib.h: "<can_id>#{data}" for classic frames
    "11-bit": (b"(1436509052.249713) can0 044#2A366C2BBA", (T, "can0", 0x044, 0, bytes.fromhex("2A366C2BBA"))),
    "29-bit": (b"(1436509052.249713) can0 18FECA00#04FF6E000301FFFF",
               (T, "can0", 0x18FECA00, EXTENDED, bytes.fromhex("04FF6E000301FFFF"))),
    "no data": (b"(1436509052.249713) can0 18FECA00#", (T, "can0", 0x18FECA00, EXTENDED, b"")),
    "one byte": (b"(1436509052.249713) can0 123#11", (T, "can0", 0x123, 0, b"\x11")),
    "lower case": (b"(1436509052.249713) can0 18feca00#ab", (T, "can0", 0x18FECA00, EXTENDED, b"\xab")),
    "highest 11-bit": (b"(1436509052.249713) can0 7FF#", (T, "can0", 0x7FF, 0, b"")),
    "highest 29-bit": (b"(1436509052.249713) can0 1FFFFFFF#", (T, "can0", 0x1FFFFFFF, EXTENDED, b"")),
    "29-bit, small": (b"(1436509052.249713) can0 00000123#", (T, "can0", 0x123, EXTENDED, b"")),
    # lib.h: "<can_id>#R{len}", length digit optional
    "remote": (b"(1436509052.249713) can0 123#R", (T, "can0", 0x123, REMOTE, b"")),
    "remote with length": (b"(1436509052.249713) can0 18EAFF00#R3", (T, "can0", 0x18EAFF00, EXTENDED | REMOTE, b"")),
    "remote with raw length": (b"(1436509052.249713) can0 123#R8_E", (T, "can0", 0x123, REMOTE, b"")),
    # lib.h: "<can_id>#{data}_{dlc}" with a raw length code 9..F behind eight bytes
    "raw length code": (b"(1436509052.249713) can0 123#1122334455667788_F",
                        (T, "can0", 0x123, 0, bytes.fromhex("1122334455667788"))),
    # lib.h: "<can_id>##<flags>{data}"; flag bits CANFD_BRS 1 and CANFD_ESI 2 of linux/can.h
    "CAN FD": (b"(1436509052.249713) can0 123##0" + b"AB" * 12, (T, "can0", 0x123, FD, b"\xab" * 12)),
    "CAN FD, both flags": (b"(1436509052.249713) can0 18FECA00##3" + b"00" * 64,
                           (T, "can0", 0x18FECA00, EXTENDED | FD | BRS | ESI, bytes(64))),
    "CAN FD of nine bytes, a length that no code can say": (
        b"(1436509052.249713) can0 123##0" + b"00" * 9, (T, "can0", 0x123, FD, bytes(9))
    ),
    "CAN FD, ESI": (b"(1436509052.249713) can0 123##2", (T, "can0", 0x123, FD | ESI, b"")),
    # linux/can.h: CAN_ERR_FLAG 0x20000000; linux/can/error.h: CAN_ERR_CRTL 0x04, CAN_ERR_BUSERROR 0x80
    "error frame": (b"(1436509052.249713) can0 20000004#000C000000000000",
                    (T, "can0", 4, ERROR, bytes.fromhex("000C000000000000"))),
    "error frame, bus error": (b"(1436509052.249713) can0 20000088#0000000000000000",
                               (T, "can0", 0x88, ERROR, bytes(8))),
    # candump.c, option -x
    "received": (b"(1436509052.249713) can0 123#11 R", (T, "can0", 0x123, 0, b"\x11")),
    "transmitted": (b"(1436509052.249713) can0 123#11 T", (T, "can0", 0x123, 0, b"\x11")),
    "remote, received": (b"(1436509052.249713) can0 123#R R", (T, "can0", 0x123, REMOTE, b"")),
    "no data, transmitted": (b"(1436509052.249713) can0 123# T", (T, "can0", 0x123, 0, b"")),
    # time stamps: python-can writes seconds without leading zeros; hardware stamps have nanoseconds
    "seconds from zero": (b"(0.000000) can0 123#", (0, "can0", 0x123, 0, b"")),
    "tenths": (b"(12.5) can0 123#", (12_500_000_000, "can0", 0x123, 0, b"")),
    "nanoseconds": (b"(1436509052.249713123) can0 123#", (T + 123, "can0", 0x123, 0, b"")),
    "padded seconds": (b"(0000000001.000001) can0 123#", (1_000_001_000, "can0", 0x123, 0, b"")),
    "last second": (b"(8999999999.999999999) can0 123#", (8_999_999_999_999_999_999, "can0", 0x123, 0, b"")),
    # channels: any network interface name (15 bytes in linux/if.h), and what others write there
    "virtual channel": (b"(1436509052.249713) vcan12 123#", (T, "vcan12", 0x123, 0, b"")),
    "odd channel": (b"(1436509052.249713) engine-bus#1.left 123#", (T, "engine-bus#1.left", 0x123, 0, b"")),
    "number for a channel": (b"(1436509052.249713) 1 123#", (T, "1", 0x123, 0, b"")),
    "accented channel": ("(1436509052.249713) moteur_é 123#".encode(), (T, "moteur_é", 0x123, 0, b"")),
    "long channel": (b"(1436509052.249713) " + b"c" * 64 + b" 123#", (T, "c" * 64, 0x123, 0, b"")),
    # tolerated
    "blanks everywhere": (b" \t (1436509052.249713)  can0\t\t123#11  \t", (T, "can0", 0x123, 0, b"\x11")),
    "carriage return": (b"(1436509052.249713) can0 123#11\r", (T, "can0", 0x123, 0, b"\x11")),
    "direction and carriage return": (b"(1436509052.249713) can0 123#11 R\r", (T, "can0", 0x123, 0, b"\x11")),
}

# candump.c and fprint_long_canframe() of can-utils' lib.c; "-ta", "-tA", "-x", "-a", "-8", "-e" are candump's options.
GOOD_SCREEN = {
    "untimed": (b"  can0  18FECA00   [8]  04 FF 6E 00 03 01 FF FF",
                (None, "can0", 0x18FECA00, EXTENDED, bytes.fromhex("04FF6E000301FFFF"))),
    "11-bit": (b"  can0  123   [2]  01 02", (None, "can0", 0x123, 0, b"\x01\x02")),
    "11-bit, indented": (b"  can0       123   [0]", (None, "can0", 0x123, 0, b"")),
    "-ta": (b" (1436509052.249713)  can0  123   [1]  11", (T, "can0", 0x123, 0, b"\x11")),
    # 2015-07-10 06:17:32 UTC is 1436509052 (date -u -d @1436509052)
    "-tA": (b" (2015-07-10 06:17:32.249713)  can0  123   [1]  11", (T, "can0", 0x123, 0, b"\x11")),
    "-tz": (b" (000.000010)  can0  123   [1]  11", (10_000, "can0", 0x123, 0, b"\x11")),
    "-x, received": (b"  can0  RX - -  123   [1]  11", (None, "can0", 0x123, 0, b"\x11")),
    "-x, sent, CAN FD": (b"  can0  TX B E  123  [12]" + b" AB" * 12,
                         (None, "can0", 0x123, FD | BRS | ESI, b"\xab" * 12)),
    "CAN FD": (b"  can0  123  [08]  01 02 03 04 05 06 07 08", (None, "can0", 0x123, FD, bytes(range(1, 9)))),
    "-a": (b"  can0  123   [4]  41 27 00 20              'A'. '", (None, "can0", 0x123, 0, b"A'\x00 ")),
    "-a, no data": (b"  can0  123   [0]                            ''", (None, "can0", 0x123, 0, b"")),
    "-8": (b"  can0  123   {F}  01 02 03 04 05 06 07 08", (None, "can0", 0x123, 0, bytes(range(1, 9)))),
    "remote": (b"  can0  123   [3]  remote request", (None, "can0", 0x123, REMOTE, b"")),
    "error": (b"  can0  20000004   [8]  00 0C 00 00 00 00 00 00   ERRORFRAME",
              (None, "can0", 4, ERROR, bytes.fromhex("000C000000000000"))),
    "carriage return": (b"  can0  123   [1]  11\r", (None, "can0", 0x123, 0, b"\x11")),
}

BAD = {
    # the identifier
    "1 digit": b"(1436509052.249713) can0 1#11",
    "2 digits": b"(1436509052.249713) can0 12#11",
    "4 digits": b"(1436509052.249713) can0 0123#11",
    "7 digits": b"(1436509052.249713) can0 8FECA00#11",
    "9 digits": b"(1436509052.249713) can0 018FECA00#11",
    "12th bit": b"(1436509052.249713) can0 800#11",
    "30th bit, remote flag of linux/can.h": b"(1436509052.249713) can0 40000123#11",
    "30th bit, extended flag of linux/can.h": b"(1436509052.249713) can0 98FECA00#11",
    "identifier with a letter": b"(1436509052.249713) can0 12G#11",
    "identifier with a sign": b"(1436509052.249713) can0 +12#11",
    "identifier with a prefix": b"(1436509052.249713) can0 0x123#11",
    "identifier missing": b"(1436509052.249713) can0 #11",
    # the data
    "odd digits": b"(1436509052.249713) can0 123#112",
    "nine bytes": b"(1436509052.249713) can0 123#112233445566778899",
    "letter in the data": b"(1436509052.249713) can0 123#1X",
    "blank in the data": b"(1436509052.249713) can0 123#11 22",
    "underscore in the data": b"(1436509052.249713) can0 123#11_22",
    "sign in the data": b"(1436509052.249713) can0 123#+1-1",
    "raw length behind seven bytes": b"(1436509052.249713) can0 123#11223344556677_9",
    "raw length of eight": b"(1436509052.249713) can0 123#1122334455667788_8",
    "remote length of nine": b"(1436509052.249713) can0 123#R9",
    "remote with data": b"(1436509052.249713) can0 123#R1122",
    "CAN FD without flags": b"(1436509052.249713) can0 123##",
    "CAN FD, odd digits": b"(1436509052.249713) can0 123##0112",
    "CAN FD of 65 bytes": b"(1436509052.249713) can0 123##0" + b"00" * 65,
    "CAN XL": b"(1436509052.249713) can0 123#80:00:00000000#1122",
    # what follows
    "wrong direction": b"(1436509052.249713) can0 123#11 X",
    "direction without a blank": b"(1436509052.249713) can0 123#11R",
    "two directions": b"(1436509052.249713) can0 123#11 R R",
    "remark": b"(1436509052.249713) can0 123#11 // idle",
    "two frames": b"(1436509052.249713) can0 123#11 (1436509052.249713) can0 123#11",
    # the time stamp
    "no time stamp": b"can0 123#11",
    "no brackets": b"1436509052.249713 can0 123#11",
    "no fraction": b"(1436509052) can0 123#11",
    "empty fraction": b"(1436509052.) can0 123#11",
    "11 digits": b"(11436509052.249713) can0 123#11",
    "10 digits of fraction": b"(1436509052.2497131234) can0 123#11",
    "negative": b"(-1.000000) can0 123#11",
    "exponent": b"(1e9.0) can0 123#11",
    "beyond 64 bits": b"(9999999999.000000) can0 123#11",
    "first second too many": b"(9000000000.000000) can0 123#11",
    "no blank behind": b"(1436509052.249713)can0 123#11",
    "arabic digits": "(\u0661.\u0660) can0 123#11".encode(),
    # the channel
    "no channel": b"(1436509052.249713) 123#11",
    "two channels": b"(1436509052.249713) can0 can1 123#11",
    "channel of 65": b"(1436509052.249713) " + b"c" * 65 + b" 123#11",
    "channel with an escape": b"(1436509052.249713) can\x1b[31m0 123#11",
    "channel with a NUL": b"(1436509052.249713) can\x000 123#11",
    "channel not in UTF-8": b"(1436509052.249713) can\xff 123#11",
    "channel with a no-break space": "(1436509052.249713) can\u00a00 123#11".encode(),
    "channel that turns the writing": "(1436509052.249713) can\u202e0 123#11".encode(),
    # the line
    "NUL behind": b"(1436509052.249713) can0 123#11\x00",
    "text": b"interface can0 up",
    "cut off": b"(1436509052.249713) can0 12",
    "hash alone": b"#",
    "form feed": b"(1436509052.249713)\x0ccan0 123#11",
    "too long": b"(1436509052.249713) can0 123#11" + b" " * LONGEST_LINE,
}

BAD_SCREEN = {
    "byte missing": b"  can0  123   [2]  01",
    "byte too many": b"  can0  123   [1]  01 02",
    "nine": b"  can0  123   [9]  01 02 03 04 05 06 07 08 09",
    "no length": b"  can0  123   01 02",
    "CAN FD of 65": b"  can0  123  [65]" + b" 00" * 65,
    "single digits": b"  can0  123   [1]  1",
    "bytes together": b"  can0  123   [2]  0102",
    "bytes reversed (-S)": b"  can0  123   [2]  02`01",
    "binary (-i)": b"  can0  123   [1]  00000001",
    "remote with data": b"  can0  123   [1]  01 remote request",
    "remote CAN FD": b"  can0  123  [08]  remote request",
    "ERRORFRAME without its flag": b"  can0  123   [1]  01   ERRORFRAME",
    "text column too short": b"  can0  123   [2]  41 42   'A'",
    "text column left open": b"  can0  123   [2]  41 42   'AB",
    "raw length code 8": b"  can0  123   {8}  01 02 03 04 05 06 07 08",
    "raw length of seven bytes": b"  can0  123   {9}  01 02 03 04 05 06 07",
    "stamp in place of the channel": b" (1436509052.249713)  123   [1]  11",
    "no such date": b" (2015-02-30 06:17:32.249713)  can0  123   [1]  11",
    "before the epoch": b" (1969-12-31 23:59:59.000000)  can0  123   [1]  11",
    "beyond 64 bits": b" (2300-01-01 00:00:00.000000)  can0  123   [1]  11",
    "12th bit": b"  can0  800   [1]  11",
    "remark": b"  can0  123   [1]  11 22 idle",
    "one blank column": b"  can0  RX -  123   [1]  11",
}


def rows(table: Mapping[str, object]) -> list[Any]:
    return [pytest.param(row, id=name) for name, row in table.items()]


@pytest.mark.parametrize("row", rows(GOOD) + rows(GOOD_SCREEN))
def test_good_lines(row: tuple[bytes, tuple[object, ...]]) -> None:
    """Each documented form says the frame that its documentation says."""
    line, expected = row
    found = parse_line(line)
    assert found is not None
    assert found[:5] == expected


@pytest.mark.parametrize("line", rows(BAD) + rows(BAD_SCREEN))
def test_bad_lines(line: bytes) -> None:
    """A line that breaks one rule is no frame, and no exception."""
    assert parse_line(line) is None


def test_as_many_bad_rows_as_good_ones() -> None:
    """The table of refusals is not the poorer one."""
    assert len(BAD) >= len(GOOD)
    assert len(BAD_SCREEN) >= len(GOOD_SCREEN)


def test_only_the_word_errorframe_announces_an_explanation() -> None:
    """`candump -e` explains below lines that say ERRORFRAME, never below log lines."""
    on_screen = parse_line(GOOD_SCREEN["error"][0])
    in_log = parse_line(GOOD["error frame"][0])
    assert on_screen is not None
    assert on_screen.detail_follows
    assert in_log is not None
    assert not in_log.detail_follows


# What python-can's reader takes otherwise: it knows no raw length codes, and an error frame only as a bus error.
NOT_FOR_PYTHON_CAN = {"remote with raw length", "raw length code", "error frame", "error frame, bus error"}


@pytest.mark.parametrize("row", rows({name: row for name, row in GOOD.items() if name not in NOT_FOR_PYTHON_CAN}))
def test_same_as_python_can(row: tuple[bytes, tuple[object, ...]]) -> None:
    """python-can's own reader gets the same frame out of the same line."""
    line, _ = row
    (message,) = can.CanutilsLogReader(io.StringIO(line.decode() + "\n"))
    found = parse_line(line)
    assert found is not None
    assert found.time_ns is not None
    assert math.isclose(message.timestamp, found.time_ns / 1e9, abs_tol=1e-6)
    assert (str(message.channel), message.arbitration_id) == (found.channel, found.can_id)
    assert found.flags == (
        (EXTENDED if message.is_extended_id else 0) | (REMOTE if message.is_remote_frame else 0)
        | (FD if message.is_fd else 0) | (BRS if message.bitrate_switch else 0)
        | (ESI if message.error_state_indicator else 0)
    )
    assert bytes(message.data) == found.data


@pytest.mark.skipif(shutil.which("log2long") is None, reason="can-utils is not installed")
def test_can_utils_own_screen_form_says_the_same_frame() -> None:
    """log2long of can-utils turns log lines into the screen form; both forms read as the same frame."""
    # can-utils 2020 and later differ about raw length codes, so those stay out.
    logs = [row[0] for name, row in GOOD.items() if re.match(rb"\(\d{10}\.\d{6}\) v?can\d+ \S+$", row[0])
            and "raw" not in name]
    assert len(logs) >= 12
    screens = subprocess.run(
        ["log2long"], input=b"\n".join(logs) + b"\n", capture_output=True, check=True, timeout=10
    ).stdout.splitlines()
    assert len(screens) == len(logs)
    for log, screen in zip(logs, screens, strict=True):
        first, second = parse_line(log), parse_line(screen)
        assert first is not None, log
        assert second is not None, screen
        # The screen form shows the flags of CAN FD only with -x.
        assert first._replace(flags=first.flags & ~(BRS | ESI)) == second._replace(detail_follows=False), screen


def test_channel_names_are_text() -> None:
    """A channel name is never empty, never longer than 64 bytes."""
    assert channel_name(b"can0") == "can0"
    assert channel_name(b"") is None
    assert channel_name(b"c" * 65) is None


def test_huge_runs_of_blanks_take_no_time() -> None:
    """Hostile blanks do not make the patterns try every combination."""
    blanks = b" " * (LONGEST_LINE // 2)
    assert parse_line(b"(1.0)" + blanks + b"can0 123#11" + blanks[:100] + b"x") is None
    assert parse_line(b"can0" + blanks + b"123 [1] 11" + blanks[:100] + b"x") is None
    assert isinstance(parse_line(b"(1.0)" + blanks + b"can0 123#11"), CandumpLine)
