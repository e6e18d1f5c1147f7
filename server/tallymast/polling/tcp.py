"""A port over TCP: what a radio gateway or a serial device server listens on."""

import asyncio
import errno
import socket
import struct
from collections.abc import Callable
from contextlib import suppress

from tallymast.domain.errors import GatewayUnreachable
from tallymast.polling.line import Heard, Inbox

KEEP_IDLE_S, KEEP_EVERY_S, KEEP_PROBES = 30, 10, 3
UNTAKEN_MS = 20_000  # Ours: bytes the gateway does not acknowledge for so long end the connection.

_WHY = {
    errno.ECONNREFUSED: "refuses the connection; is it the right port, or is another session open",
    errno.EHOSTUNREACH: "cannot be reached on the network",
    errno.ENETUNREACH: "cannot be reached on the network",
    errno.ETIMEDOUT: "does not react",
    errno.ECONNRESET: "broke the connection off",
    errno.EPIPE: "broke the connection off",
}


class TcpPort:
    """One TCP connection to ``address`` ("host:port", "[v6]:port"); ``name`` is the gateway's."""

    def __init__(self, name: str, address: str) -> None:
        self._name = name
        self._address = address
        self._session: _Session | None = None

    async def open(self, timeout_s: float) -> None:
        """Connect, or raise GatewayUnreachable."""
        self.close()
        host, _, port = self._address.rpartition(":")
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(timeout_s):
                _, self._session = await loop.create_connection(
                    lambda: _Session(self.unreachable), host.strip("[]"), int(port)
                )
        except TimeoutError as error:
            raise self.unreachable(f"does not react within {timeout_s:g} s") from error
        except OSError as error:
            raise self.unreachable(_why(error)) from error

    def send(self, frame: bytes) -> None:
        """Send bytes, or raise GatewayUnreachable."""
        session = self._open_session()
        session.inbox.check()
        session.transport.write(frame)

    async def receive(self, until: float) -> Heard | None:
        """Return the next bytes, None at ``until``, or raise GatewayUnreachable."""
        return await self._open_session().inbox.take(until)

    def is_undelivered(self) -> bool:
        """Whether sent bytes are not acknowledged yet (False where the system cannot tell)."""
        transport = self._open_session().transport
        return transport.get_write_buffer_size() > 0 or _unacknowledged(transport) > 0

    def close(self) -> None:
        """End the connection at once."""
        if self._session is not None:
            self._session.transport.abort()
            self._session = None

    def unreachable(self, why: str) -> GatewayUnreachable:
        """Return the error that says ``why``."""
        return GatewayUnreachable(self._name, f"the gateway at {self._address} {why}")

    def _open_session(self) -> "_Session":
        if self._session is None:
            raise self.unreachable("is not connected")
        return self._session


class _Session(asyncio.Protocol):
    """What the event loop calls; one object a connection, so that an old one's end is its own."""

    transport: asyncio.Transport

    def __init__(self, unreachable: Callable[[str], GatewayUnreachable]) -> None:
        self.inbox = Inbox()
        self._unreachable = unreachable

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport
        _keep_alive(transport.get_extra_info("socket"))

    def data_received(self, data: bytes) -> None:
        self.inbox.put(data, asyncio.get_running_loop().time())

    def connection_lost(self, exc: Exception | None) -> None:
        why = _why(exc) if isinstance(exc, OSError) else "closed the connection"
        self.inbox.lose(self._unreachable(why))


def _why(error: OSError) -> str:
    if isinstance(error, socket.gaierror):
        return "has a name that nobody knows"
    return _WHY.get(error.errno or 0, f"cannot be reached ({error.strerror or error})")


def _keep_alive(sock: socket.socket) -> None:
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    wanted = {
        "TCP_KEEPIDLE": KEEP_IDLE_S,
        "TCP_KEEPINTVL": KEEP_EVERY_S,
        "TCP_KEEPCNT": KEEP_PROBES,
        "TCP_USER_TIMEOUT": UNTAKEN_MS,
    }
    for name, value in wanted.items():
        option = getattr(socket, name, None)  # not every system has them all
        if option is not None:
            sock.setsockopt(socket.IPPROTO_TCP, option, value)


def _unacknowledged(transport: asyncio.Transport) -> int:
    """Return the bytes in the system's send queue that the other side has not acknowledged."""
    with suppress(ImportError, OSError, AttributeError):
        import fcntl
        import termios

        number = transport.get_extra_info("socket").fileno()
        answer = fcntl.ioctl(number, termios.TIOCOUTQ, b"\0\0\0\0")
        return int(struct.unpack("i", answer)[0])
    return 0
