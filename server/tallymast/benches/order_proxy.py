"""A TCP proxy between poller and gateway that says what passes, before it passes it on.

It sits on a serial line's frames over TCP: one request and its answer at a time. Whoever is
told may look at the database, or kill the poller, while the bytes wait here.
"""

import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from enum import StrEnum
from types import TracebackType
from typing import Final, Self

WRITES: Final = (5, 6, 15, 16)
_READS: Final = {5: 1, 15: 1, 6: 3, 16: 3}  # by which function a write is read back
_HEAD: Final = 4  # unit, function, first address


class Passing(StrEnum):
    """What passes."""

    WRITE = "write"  # an order's bytes, on the way to the station
    ANSWER = "answer"  # the station's answer to them
    READ_BACK = "read-back"  # the question what the output shows
    READ = "read"  # its answer


class Proxy:
    """Listens on a port of its own and hands everything on to another one.

    Args:
        far: host and port of the gateway.
        told: is told of orders' bytes before they are passed on.

    Attributes:
        asked, answered: are told of every request and every answer, after ``told``.

    """

    def __init__(
        self, far: tuple[str, int], told: Callable[[Passing, bytes], None] = lambda *_: None
    ) -> None:
        self.far = far
        self.told = told
        self.asked: Callable[[bytes], None] = lambda _: None
        self.answered: Callable[[bytes], None] = lambda _: None
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = "{}:{}".format(*self._listener.getsockname())
        self._open: list[socket.socket] = []
        self._busy: list[threading.Thread] = []
        self._thread = threading.Thread(target=self._accept, name="proxy", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for one in (self._listener, *self._open):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
        self._thread.join(10)

    def drain(self, most_s: float) -> None:
        """Wait until all that came from those who are gone is passed on."""
        for one in list(self._busy):
            one.join(most_s)
        self._busy = [one for one in self._busy if one.is_alive()]

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
                far = socket.create_connection(self.far)
            except OSError:
                return
            for one in (near, far):
                one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._open = [one for one in self._open if one.fileno() >= 0] + [near, far]
            session = _Session(near, far, self)
            for work in (session.go_out, session.come_in):
                thread = threading.Thread(target=work, name="proxy", daemon=True)
                self._busy.append(thread)
                thread.start()


class _Session:
    """One connection through the proxy."""

    def __init__(self, near: socket.socket, far: socket.socket, proxy: Proxy) -> None:
        self._near = near
        self._far = far
        self._proxy = proxy
        self._read_back = b""  # how the question for the last write's output begins
        self._awaited: Passing | None = None

    def go_out(self) -> None:
        """Hand requests on, until the poller is gone; what it sent still reaches the station."""
        while frame := _received(self._near):
            passing = self._asked(frame)
            self._awaited = _ANSWERS.get(passing) if passing else None
            if passing is not None:
                self._proxy.told(passing, frame)
            self._proxy.asked(frame)
            with suppress(OSError):
                self._far.sendall(frame)
        with suppress(OSError):
            self._far.shutdown(socket.SHUT_WR)

    def come_in(self) -> None:
        """Hand answers on, until the gateway is gone."""
        while frame := _received(self._far):
            if self._awaited is not None:
                awaited, self._awaited = self._awaited, None
                self._proxy.told(awaited, frame)
            self._proxy.answered(frame)
            with suppress(OSError):
                self._near.sendall(frame)
        for one in (self._near, self._far):
            with suppress(OSError):
                one.close()

    def _asked(self, frame: bytes) -> Passing | None:
        if frame[1] in WRITES:
            self._read_back = bytes([frame[0], _READS[frame[1]]]) + frame[2:_HEAD]
            return Passing.WRITE
        if self._read_back and frame.startswith(self._read_back):
            self._read_back = b""
            return Passing.READ_BACK
        return None


_ANSWERS: Final = {Passing.WRITE: Passing.ANSWER, Passing.READ_BACK: Passing.READ}


def _received(end: socket.socket) -> bytes:
    try:
        return end.recv(4096)
    except OSError:
        return b""
