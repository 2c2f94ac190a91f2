"""A daemon on the network that hands out a CAN bus: python-can's `socketcand` driver, made robust.

Rule: the public socketcand protocol (github.com/linux-can/socketcand, doc/protocol.md). Messages stand in `< >`; the
daemon greets with `< hi >` and answers `< open CHANNEL >` and `< rawmode >` with `< ok >`.

What differs from python-can 4.6:

    opening     each step ends after three seconds; python-can waits for a greeting for ever, and asks a closed port
                again and again for ten seconds
    answers     end at `>`; python-can takes the frames that follow at once for part of the answer
    sending     ends after a second, for good, since half a message may be on its way; python-can waits for ever for a
                daemon that reads no more. Little is queued, so that it is soon told
    garbage     is dropped; python-can keeps it, and hands out the frames before it once more at every read
    the end     of the connection is told; python-can waits for ever
"""

from __future__ import annotations

import socket
import time
from contextlib import suppress
from typing import Any

from can import CanInitializationError, CanOperationError
from can.interfaces.socketcand import SocketCanDaemonBus

STEP_S = 3.0
"""Seconds that the daemon has for each answer."""

SEND_S = 1.0
"""Seconds in which the daemon has to take a message."""

_LONGEST_ANSWER = 256
# Some hundred messages. What the system would queue by itself may be minutes old before anybody misses an answer.
_QUEUED_BYTES = 16_384


class DaemonDeaf(CanOperationError):
    """The daemon reads no more. advice: what a person can do about it."""

    advice = "does the daemon still run? start it again"


class DaemonLine(SocketCanDaemonBus):  # type: ignore[misc,unused-ignore]
    """python-can's bus for `socketcand`, with its arguments. Raises what that raises, and OSError."""

    def __init__(self, channel: str, host: str, port: int, **kwargs: Any) -> None:
        self._deaf = False
        try:
            # The driver's own attempt to connect knows no time limit worth the name.
            with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
                probe.settimeout(STEP_S)
                probe.connect((host, int(port)))
            super().__init__(channel, host, int(port), **kwargs)  # type: ignore[no-untyped-call,unused-ignore]
            stream = self._stream()
            assert stream is not None
            stream.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _QUEUED_BYTES)
        except BaseException:
            self._is_shutdown = True
            stream = self._stream()
            if stream is not None:
                stream.close()
            raise

    def _expect_msg(self, msg: str) -> None:
        """Read one message, which must be `msg`, and not a byte more."""
        stream = self._stream()
        assert stream is not None
        end_s = time.monotonic() + STEP_S
        said = b""
        try:
            while not said.endswith(b">") and len(said) < _LONGEST_ANSWER:
                stream.settimeout(max(end_s - time.monotonic(), 0.001))
                byte = stream.recv(1)
                said += byte
                if not byte or byte == b"\n":  # it hung up, or is another service, which talks in lines
                    break
        except TimeoutError:
            words = f"only {said.decode('latin-1')!r}" if said else "nothing"
            raise TimeoutError(f"the other side said {words} in {STEP_S:g} s instead of {msg!r}") from None
        finally:
            stream.settimeout(None)
        if said != msg.encode("ascii"):
            words = repr(said.decode("latin-1")) if said else "nothing and hung up"
            raise CanInitializationError(f"the other side said {words} instead of {msg!r}")

    def _tcp_send(self, msg: str) -> None:
        """Send one message whole. Raises DaemonDeaf, also for every one that follows."""
        stream = self._stream()
        if self._deaf or stream is None:
            raise _took_nothing()
        stream.settimeout(SEND_S)
        try:
            super()._tcp_send(msg)  # type: ignore[no-untyped-call,unused-ignore]
        except TimeoutError as error:
            self._deaf = True
            raise _took_nothing() from error
        finally:
            stream.settimeout(None)

    def _recv_internal(self, timeout: float | None) -> tuple[Any, bool]:
        try:
            message, filtered = super()._recv_internal(timeout)  # type: ignore[no-untyped-call,unused-ignore]
        except Exception:
            self._SocketCanDaemonBus__receive_buffer = ""
            raise
        if message is None:
            self._check_the_end()
        return message, filtered

    def _check_the_end(self) -> None:
        """Raises ConnectionError when the other side has closed the connection."""
        stream = self._stream()
        if stream is None or not hasattr(socket, "MSG_DONTWAIT"):  # Windows cannot look without waiting
            return
        with suppress(BlockingIOError):
            if not stream.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT):
                raise ConnectionError("the other side closed the connection")

    def _stream(self) -> socket.socket | None:
        found = getattr(self, "_SocketCanDaemonBus__socket", None)
        return found if isinstance(found, socket.socket) else None


def _took_nothing() -> DaemonDeaf:
    return DaemonDeaf(f"the other side takes nothing, for {SEND_S:g} s")
