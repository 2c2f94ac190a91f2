"""Whole columns of numbers written at once, as exact decimals."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from faultlamp.j1939.readings import RawColumn, SignalLayout

_ZERO = ord("0")
_LARGEST = (1 << 63) - 1
_SECOND_NS = 1_000_000_000
_THREE_DIGITS = np.array([b"%03d" % number for number in range(1000)])


def fixed_point(numbers: npt.NDArray[np.int64], decimals: int) -> list[bytes]:
    """Each number divided by ten to the power of `decimals`, with exactly that many decimals.

    numbers: int64 (n,), not the lowest one, which has no positive counterpart.

    >>> fixed_point(np.array([-5, 1250]), 2)
    [b'-0.05', b'12.50']
    """
    return _written(_digits(numbers, decimals))


def seconds_texts(time_ns: npt.NDArray[np.int64]) -> list[bytes]:
    """Nanoseconds as seconds: six decimals, nine where the last three are not all zero."""
    whole, rest = np.divmod(time_ns, _SECOND_NS)
    micros, nanos = np.divmod(rest, 1000)
    if len(time_ns) and not nanos.any() and whole.min() >= 0:
        return _whole_microseconds(whole, micros)
    digits = _digits(time_ns, 9)
    digits[time_ns % 1000 == 0, -4:-1] = 0
    return _written(digits)


def _whole_microseconds(whole: npt.NDArray[np.int64], micros: npt.NDArray[np.int64]) -> list[bytes]:
    """The usual case, put together from few distinct pieces: seconds, and the two halves of six decimals."""
    seconds, which = np.unique(whole, return_inverse=True)
    fronts = np.array([b"%d." % second for second in seconds.tolist()])
    width = fronts.dtype.itemsize
    rows = np.empty(len(whole), np.dtype([("front", f"S{width}"), ("upper", "S3"), ("lower", "S3")]))
    rows["front"] = fronts[which]
    rows["upper"] = _THREE_DIGITS[micros // 1000]
    rows["lower"] = _THREE_DIGITS[micros % 1000]
    if len(str(seconds[0])) < width - 1:  # shorter ones are filled up with NUL
        return [row.replace(b"\0", b"") for row in rows.view(f"S{width + 6}").tolist()]
    texts: list[bytes] = rows.view(f"S{width + 6}").tolist()
    return texts


def format_texts(signal: SignalLayout, raw: RawColumn) -> list[bytes]:
    """`SignalLayout.format_value` of every raw value."""
    if signal.is_float or (signal.mask + 1) * abs(signal.step) + abs(signal.base) > _LARGEST:
        return [signal.format_value(number).encode() for number in raw.tolist()]
    return fixed_point(raw.astype(np.int64) * signal.step + signal.base, signal.digits)


def _digits(numbers: npt.NDArray[np.int64], decimals: int) -> npt.NDArray[np.uint8]:
    """A row of characters each, ending in a line end; places that are not written are NUL."""
    rest = np.abs(numbers)
    whole = max(len(str(int(rest.max(initial=0)))) - decimals, 1)
    point = 1 if decimals else 0
    rows = np.zeros((len(numbers), 1 + whole + point + decimals + 1), np.uint8)
    rows[numbers < 0, 0] = ord("-")
    rows[:, -1] = ord("\n")
    for place in range(decimals):
        rest, digit = np.divmod(rest, 10)
        rows[:, -2 - place] = digit + _ZERO
    if point:
        rows[:, 1 + whole] = ord(".")
    for place in range(whole, 0, -1):
        # The last whole digit is always written, those before it only if they count.
        written = rest > 0 if place < whole else np.ones(len(rest), np.bool_)
        rest, digit = np.divmod(rest, 10)
        rows[:, place] = np.where(written, digit + _ZERO, 0)
    return rows


def _written(rows: npt.NDArray[np.uint8]) -> list[bytes]:
    return rows.tobytes().translate(None, b"\0").splitlines()
