"""A daemon that hands a CAN bus out over TCP on the loopback interface.

Rule: the public socketcand protocol (github.com/linux-can/socketcand, doc/protocol.md), raw mode: messages in
`< >`; the daemon greets with `hi`, answers `open CHANNEL` and `rawmode` with `ok`, and then says
`frame ID SECONDS.MICROSECONDS BYTES` for each frame. `send` is how a client transmits.
"""

from __future__ import annotations

import contextlib
import re
import socket
import threading

from faultlamp.frames import EXTENDED, Frame

_MESSAGE = re.compile(rb"< (.*?) >")


class SocketcandDaemon:
    """Serves one client at a time at `port` on 127.0.0.1. commands: what clients asked for, in order.

    silent_after: how many answers it gives before it falls silent with the connection open; 0 leaves out the greeting,
    None is an honest daemon. at_once: said in one piece with the last answer, as a busy bus makes it. deaf: once it
    gives frames it reads no more, with the connection open.
    """

    def __init__(self, *, silent_after: int | None = None, at_once: bytes = b"", deaf: bool = False) -> None:
        self.commands: list[str] = []
        self.connected = threading.Event()
        self._answers_left = silent_after
        self._at_once = at_once
        self._deaf = threading.Event() if deaf else None
        self._server = socket.create_server(("127.0.0.1", 0))
        if deaf:
            self._server.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        self.port: int = self._server.getsockname()[1]
        self._client: socket.socket | None = None
        self._raw = threading.Event()
        self._closed = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def __enter__(self) -> SocketcandDaemon:
        return self

    def __exit__(self, *_: object) -> None:
        self._closed = True
        if self._deaf is not None:
            self._deaf.set()
        self.hang_up()
        self._server.close()
        self._thread.join(5)

    def wait_for_client(self, timeout_s: float = 20.0) -> None:
        """Return when a client gets frames."""
        assert self._raw.wait(timeout_s), f"nobody asked for frames; commands: {self.commands}"

    @property
    def listened_to(self) -> bool:
        """A client gets frames now."""
        return self._raw.is_set()

    def deliver(self, frame: Frame) -> None:
        """A frame that the daemon heard."""
        self.say(text_of(frame))

    def say(self, raw: bytes) -> None:
        """These bytes to the client; nothing when it has just gone."""
        assert self._client is not None
        with contextlib.suppress(OSError):
            self._client.sendall(raw)

    def hang_up(self) -> None:
        """Close the client's connection, as a daemon does that ends."""
        self._raw.clear()
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.shutdown(socket.SHUT_RDWR)

    def _run(self) -> None:
        self._server.settimeout(0.01)
        while not self._closed:
            try:
                self._client, _ = self._server.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            with self._client, contextlib.suppress(OSError):
                self._serve(self._client)

    def _serve(self, client: socket.socket) -> None:
        client.settimeout(None)
        self.connected.set()
        self._answer(client, b"< hi >")
        waiting = b""
        while some := client.recv(4096):
            waiting += some
            for match in _MESSAGE.finditer(waiting):
                command = match[1].decode("latin-1")
                self.commands.append(command)
                raw = command == "rawmode"
                self._answer(client, b"< ok >" + (self._at_once if raw else b""))
                if raw:
                    self._raw.set()
                    if self._deaf is not None:
                        self._deaf.wait()
            waiting = waiting[waiting.rfind(b">") + 1 :]

    def _answer(self, client: socket.socket, raw: bytes) -> None:
        if self._answers_left is not None:
            self._answers_left -= 1
            if self._answers_left < 0:
                return
        client.sendall(raw)


def text_of(frame: Frame) -> bytes:
    """A data frame as the daemon says it."""
    digits = f"{frame.can_id:08X}" if frame.flags & EXTENDED else f"{frame.can_id:03X}"
    seconds, micros = divmod(frame.time_ns // 1000, 1_000_000)
    return f"< frame {digits} {seconds}.{micros:06d} {frame.data.hex().upper()} >".encode()
