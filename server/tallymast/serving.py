"""Serves the pages on one socket, from the ready line to a clean end.

The socket is opened before anything else is started, so that a port in use is one sentence
and nothing half-done; the ready line is printed when requests are really answered.
"""

import errno
import signal
import socket
import types
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import uvicorn
from fastapi import FastAPI

from tallymast.domain.errors import ConfigError

STREAMS_END_S = 1  # open streams are cut after this when the server ends


def listening_socket(host: str, port: int) -> socket.socket:
    """Return a bound TCP socket; port 0 lets the system choose.

    Raises:
        ConfigError: the port is taken, or may not be used, or the host is not this machine.

    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    server = socket.socket(family, socket.SOCK_STREAM)
    server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        server.bind((host, port))
    except OSError as error:
        server.close()
        raise ConfigError(_why_not(host, port, error)) from error
    return server


def _why_not(host: str, port: int, error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return (
            f"Port {port} on {host} is in use by another program (perhaps another Tallymast). "
            "End that one, or choose another with --port, for example --port 0 for any free one."
        )
    if error.errno == errno.EACCES:
        return f"Port {port} may not be used without special rights; choose one above 1023."
    return f"{host} port {port} cannot be listened on: {error.strerror}."


class _Server(uvicorn.Server):
    """Says so when it answers, and what there is to say then; leaves signals to others."""

    def __init__(self, config: uvicorn.Config, then: Sequence[str]) -> None:
        super().__init__(config)
        self._then = then

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started and sockets:
            host, port = sockets[0].getsockname()[:2]
            shown = f"[{host}]" if ":" in host else host
            print(f"Tallymast is ready at http://{shown}:{port}", flush=True)
            for line in self._then:
                print(line, flush=True)

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        with ended_by_signal(self):
            yield


@contextmanager
def ended_by_signal(server: uvicorn.Server) -> Iterator[None]:
    """Let Ctrl-C and SIGTERM end ``server`` within the block, and nothing else."""

    def end(_number: int, _frame: types.FrameType | None) -> None:
        server.should_exit = True

    before = {which: signal.signal(which, end) for which in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for which, handler in before.items():
            signal.signal(which, handler)


def base_of(server_socket: socket.socket) -> str:
    """Return the address under which this machine asks what the socket serves."""
    host, port = server_socket.getsockname()[:2]
    known = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(host, f"[{host}]" if ":" in host else host)
    return f"http://{known}:{port}"


def serve(app: FastAPI, server_socket: socket.socket, then: Sequence[str] = ()) -> None:
    """Answer requests on the socket until Ctrl-C or SIGTERM; print ``then`` once it does."""
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        timeout_graceful_shutdown=STREAMS_END_S,
        server_header=False,
        date_header=True,
        lifespan="off",
    )
    _Server(config, then).run(sockets=[server_socket])
