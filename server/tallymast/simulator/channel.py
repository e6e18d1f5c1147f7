"""One gateway: a TCP port in front of one half-duplex radio channel.

The channel keeps an absolute schedule. A request takes its characters on the wire, the 3.5
characters of silence, the station's turnaround, the answer's characters and silence again;
whatever arrives meanwhile waits its turn. Answers leave when the schedule says, not when a
loop happens to come round: a thread sleeps to the deadline (asyncio's sleep overshoots by
1 to 2 ms).
"""

import heapq
import itertools
import logging
import selectors
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from tallymast.domain.errors import ConfigError
from tallymast.domain.model import Gateway, Transport
from tallymast.simulator.exchange import Answered, Responder
from tallymast.simulator.requests import Request, take_request, take_tcp_request

log = logging.getLogger(__name__)

_FINE_S = 0.002  # the selector is exact to a millisecond; the rest is slept
_IDLE_S = 0.2  # how often a gateway looks whether it should be down
_STALE_S = 0.25  # an unfinished request older than this was noise


@dataclass(slots=True)
class _Session:
    """One TCP connection and the bytes of a request that is not whole yet."""

    peer: socket.socket
    buffer: bytearray = field(default_factory=bytearray)
    fed_at: float = 0.0
    is_open: bool = True


@dataclass(order=True, slots=True)
class _Due:
    """Bytes to send at an instant of the monotonic clock."""

    at: float
    order: int
    session: _Session = field(compare=False)
    frame: bytes = field(compare=False)
    needs_air: bool = field(compare=False, default=False)


class Channel:
    """One gateway's port, served by its own thread.

    Args:
        gateway: the gateway; baud and character bits give the wire its speed.
        responder: what the stations behind it answer.
        host: where to listen.
        port: the port, 0 for any free one.
        sessions: TCP sessions served at once; one more is refused at once, as a serial device
            server does. All share the one channel.
        is_down: whether the gateway is out of order at a wall time [ms].
        now_s: the wall clock [s since 1970 UTC].

    Raises:
        ConfigError: the port cannot be opened.

    """

    def __init__(
        self,
        gateway: Gateway,
        responder: Responder,
        *,
        host: str = "127.0.0.1",
        port: int = 0,
        sessions: int = 4,
        is_down: Callable[[int], bool] = lambda _: False,
        now_s: Callable[[], float] = time.time,
    ) -> None:
        self.gateway = gateway
        self._responder = responder
        is_tcp = gateway.transport is Transport.MODBUS_TCP
        self._take = take_tcp_request if is_tcp else take_request
        self._sessions_most = sessions
        self._is_down = is_down
        self._now_s = now_s
        self._character_s = gateway.character_bits / gateway.baud
        self._silence_s = 3.5 * self._character_s if gateway.baud <= 19200 else 0.00175
        self._free_at = 0.0
        self._due: list[_Due] = []
        self._order = itertools.count()
        self._sessions: dict[int, _Session] = {}
        self._selector = selectors.DefaultSelector()
        self._listener: socket.socket | None = _listening(host, port)
        self.address: tuple[str, int] = self._listener.getsockname()[:2]
        self._bell_in, self._bell_out = socket.socketpair()
        self._is_stopping = False
        self._thread = threading.Thread(
            target=self._run, name=f"channel-{gateway.key}", daemon=True
        )

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()

    def stop(self) -> None:
        """Close every socket and wait for the thread."""
        self._is_stopping = True
        if self._thread.is_alive():
            self._bell_in.send(b"x")
            self._thread.join()
        for closing in (self._bell_in, self._bell_out):
            closing.close()
        self._close_port()
        self._selector.close()

    # --- the loop

    def _run(self) -> None:
        self._selector.register(self._bell_out, selectors.EVENT_READ)
        self._watch_port()
        while not self._is_stopping:
            self._keep_port()
            for key, _ in self._selector.select(self._patience_s()):
                if key.fileobj is self._listener:
                    self._accept()
                elif isinstance(key.data, _Session):
                    self._receive(key.data)
            self._send_what_is_due()

    def _patience_s(self) -> float:
        if not self._due:
            return _IDLE_S
        return min(_IDLE_S, max(0.0, self._due[0].at - time.monotonic() - _FINE_S))

    def _send_what_is_due(self) -> None:
        while self._due and self._due[0].at - time.monotonic() <= _FINE_S:
            due = heapq.heappop(self._due)
            if due.needs_air and due.at < self._free_at:
                self._plan(self._take_air(self._free_at, due.frame), due.session, due.frame)
                continue
            time.sleep(max(0.0, due.at - time.monotonic()))
            self._send(due.session, due.frame)

    # --- the channel's schedule

    def _take_air(self, earliest: float, frame: bytes) -> float:
        """Reserve the channel for a frame; return when its last character has passed."""
        self._free_at = max(earliest, self._free_at) + len(frame) * self._character_s
        return self._free_at

    def _plan(self, at: float, session: _Session, frame: bytes, *, needs_air: bool = False) -> None:
        heapq.heappush(self._due, _Due(at, next(self._order), session, frame, needs_air))

    def _heard(self, session: _Session, request: Request) -> None:
        """Put one request on the channel and plan what comes back."""
        now = time.monotonic()
        sent = self._take_air(now, request.frame)
        if self.gateway.local_echo:
            self._plan(sent, session, request.frame)
        self._free_at = sent + self._silence_s
        at_s = self._now_s() + self._free_at - now
        answered = self._responder.answer(request, at_s)
        if answered is not None:
            self._answer(session, answered)

    def _answer(self, session: _Session, answered: Answered) -> None:
        heard_at = self._free_at
        if answered.late_s > 0.0:
            at = heard_at + answered.delay_s + answered.late_s
            self._plan(at, session, answered.frame, needs_air=True)
            return
        self._take_air(heard_at + answered.delay_s, answered.frame)
        self._free_at += self._silence_s
        if answered.frame:
            self._plan(self._free_at, session, answered.frame)

    # --- sockets

    def _keep_port(self) -> None:
        down = self._is_down(int(self._now_s() * 1000))
        if down and self._listener is not None:
            self._close_port()
        elif not down and self._listener is None:
            try:
                self._listener = _listening(*self.address)
            except ConfigError as error:
                log.warning("gateway %s cannot come back yet: %s", self.gateway.key, error)
                return
            self._watch_port()

    def _watch_port(self) -> None:
        if self._listener is not None:
            self._listener.setblocking(False)
            self._selector.register(self._listener, selectors.EVENT_READ)

    def _close_port(self) -> None:
        if self._listener is not None:
            if self._listener in self._selector.get_map():
                self._selector.unregister(self._listener)
            self._listener.close()
            self._listener = None
        for session in list(self._sessions.values()):
            self._drop(session)
        self._due.clear()

    def _accept(self) -> None:
        if self._listener is None:
            return
        try:
            peer, _ = self._listener.accept()
        except OSError:
            return  # it went away again before we looked
        if len(self._sessions) >= self._sessions_most:
            peer.close()
            return
        peer.setblocking(False)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        session = _Session(peer)
        self._sessions[peer.fileno()] = session
        self._selector.register(peer, selectors.EVENT_READ, session)

    def _receive(self, session: _Session) -> None:
        try:
            received = session.peer.recv(4096)
        except BlockingIOError:
            return
        except OSError:
            received = b""
        if not received:
            self._drop(session)
            return
        now = time.monotonic()
        if now - session.fed_at > _STALE_S:
            session.buffer.clear()
        session.fed_at = now
        session.buffer += received
        while (request := self._take(session.buffer)) is not None:
            self._heard(session, request)

    def _send(self, session: _Session, frame: bytes) -> None:
        if not session.is_open:
            return
        try:
            session.peer.sendall(frame)
        except OSError:
            self._drop(session)

    def _drop(self, session: _Session) -> None:
        if session.is_open:
            session.is_open = False
            self._selector.unregister(session.peer)
            self._sessions.pop(session.peer.fileno(), None)
            session.peer.close()


def _listening(host: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(16)
    except OSError as error:
        listener.close()
        raise ConfigError(
            f"{host}:{port} cannot be opened for a simulated gateway ({error.strerror}); "
            "stop what uses the port or choose another address."
        ) from error
    return listener
