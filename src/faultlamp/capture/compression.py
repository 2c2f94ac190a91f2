"""Bytes of a recording, decompressed on the way and counted: .gz (RFC 1952), .xz and .zst (RFC 8878).

Whatever is wrong with the bytes comes out as `Damage`, after all bytes before the damage were delivered. No read takes
more memory than a few tens of MiB, whatever the compressed data claim.
"""

from __future__ import annotations

import gzip
import io
import lzma
import zlib
from collections.abc import Callable
from typing import TYPE_CHECKING, BinaryIO

from faultlamp.text import printable

if TYPE_CHECKING:
    import zstandard

COMPRESSIONS = (".gz", ".xz", ".zst")

_RAW_CHUNK = 1 << 16
# Four compressed bytes may stand for 128 KiB (RFC 8878, section 3.1.1.2: a block of one repeated byte), so .zst data
# are fed in small pieces: at most 32 MiB come out of one.
_ZSTD_PIECE = 1 << 10


class Damage(Exception):
    """The bytes end too early or are not what the suffix promises. The text says which, fit for an error line."""


class ByteStream(io.RawIOBase):
    """The decompressed bytes of an open file, forwards only; `limit`: of that many bytes from where it stands.

    `on_read` hears the size of each read from the file.
    """

    def __init__(
        self,
        file: BinaryIO,
        compression: str,
        on_read: Callable[[int], None],
        *,
        limit: int | None = None,
        keep_open: bool = False,
    ) -> None:
        super().__init__()
        self._file = file
        self._keep_open = keep_open
        counted = _Counted(file, on_read, limit)
        self._some: Callable[[int], bytes] = counted.read
        if compression == ".gz":
            self._some = gzip.GzipFile(fileobj=counted, mode="rb").read1  # type: ignore[call-overload]
        elif compression == ".xz":
            self._some = lzma.LZMAFile(counted).read1  # type: ignore[arg-type]  # noqa: SIM115 (closed with the file)
        elif compression == ".zst":
            self._some = _ZstdReader(counted).read1

    def some(self, size: int) -> bytes:
        """At least one and at most `size` bytes; none at the end. Raises Damage."""
        try:
            return self._some(size)
        except EOFError:
            raise Damage("cut off") from None
        except (gzip.BadGzipFile, zlib.error, lzma.LZMAError) as error:
            raise Damage(f"damaged ({printable(str(error), longest=80)})") from error
        except OSError as error:
            raise Damage(f"no longer readable ({error.strerror})") from error

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        data = self.some(len(buffer))
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        if not self._keep_open:
            self._file.close()
        super().close()


class _Counted:
    """Reads no further than the limit, and tells how much it read."""

    def __init__(self, file: BinaryIO, on_read: Callable[[int], None], limit: int | None) -> None:
        self._file = file
        self._on_read = on_read
        self._left = limit

    def read(self, size: int = _RAW_CHUNK) -> bytes:
        data = self._file.read(size if self._left is None else min(size, self._left))
        if self._left is not None:
            self._left -= len(data)
        self._on_read(len(data))
        return data


class _ZstdReader:
    """Frames of RFC 8878 one behind the other, with bounded memory and an error when the last one is cut off."""

    def __init__(self, file: _Counted) -> None:
        import zstandard

        self._file = file
        self._error = zstandard.ZstdError
        self._decompressor = zstandard.ZstdDecompressor()
        self._frame: zstandard.ZstdDecompressionObj | None = None
        self._compressed = b""
        self._plain = b""

    def read1(self, size: int) -> bytes:
        while not self._plain:
            if not self._compressed:
                self._compressed = self._file.read()
                if not self._compressed:
                    if self._frame is not None:
                        raise EOFError
                    return b""
            piece, self._compressed = self._compressed[:_ZSTD_PIECE], self._compressed[_ZSTD_PIECE:]
            if self._frame is None:
                self._frame = self._decompressor.decompressobj()
            try:
                self._plain = self._frame.decompress(piece)
            except self._error as error:
                raise Damage(f"damaged ({printable(str(error), longest=80)})") from error
            if self._frame.eof:
                self._compressed = self._frame.unused_data + self._compressed
                self._frame = None
        some, self._plain = self._plain[:size], self._plain[size:]
        return some
