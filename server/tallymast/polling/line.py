"""The seam to a channel: what a port must do, and the pauses between tries to open one.

A port moves bytes and knows nothing of frames. Foreign errors become ours on its far side: a
lost connection is a GatewayUnreachable, whatever the operating system called it.
"""

import asyncio
from collections import deque
from dataclasses import dataclass, field
from random import Random
from typing import NamedTuple, Protocol

from tallymast.domain.errors import GatewayUnreachable

FIRST_PAUSE_S, LONGEST_PAUSE_S = 1.0, 30.0


class Heard(NamedTuple):
    """Bytes of one reading, and when they came [s of the event loop's clock]."""

    received: bytes
    at: float


class Port(Protocol):
    """One connection to a gateway; at most one is open at a time."""

    async def open(self, timeout_s: float) -> None:
        """Connect.

        Raises:
            GatewayUnreachable: nobody accepted within ``timeout_s``.

        """

    def send(self, frame: bytes) -> None:
        """Send bytes.

        Raises:
            GatewayUnreachable: the connection is lost.

        """

    async def receive(self, until: float) -> Heard | None:
        """Return the next bytes; None when none came before ``until`` [s of the loop's clock].

        Raises:
            GatewayUnreachable: the connection is lost, and all that came before it was read.

        """

    def is_undelivered(self) -> bool:
        """Whether the gateway itself has not yet taken all that was sent, as far as can be known.

        A site may be silent; a gateway that does not even take our bytes is not its fault.
        """

    def close(self) -> None:
        """End the connection, if there is one."""


@dataclass(slots=True)
class Inbox:
    """Where a port puts what it hears until it is asked for."""

    _heard: deque[Heard] = field(default_factory=deque)
    _lost: GatewayUnreachable | None = None
    _waiter: asyncio.Future[None] | None = None

    def put(self, received: bytes, at: float) -> None:
        """Keep bytes that came at ``at``."""
        self._heard.append(Heard(received, at))
        self._wake()

    def lose(self, error: GatewayUnreachable) -> None:
        """Note that no more will come, and why."""
        self._lost = self._lost or error
        self._wake()

    def check(self) -> None:
        """Raise why the connection was lost, if it was."""
        if self._lost is not None:
            raise self._lost

    async def take(self, until: float) -> Heard | None:
        """Return the next bytes, waiting until ``until`` at most; raise when all is lost."""
        if not self._heard and self._lost is None:
            await self._wait(until)
        if self._heard:
            return self._heard.popleft()
        self.check()
        return None

    async def _wait(self, until: float) -> None:
        loop = asyncio.get_running_loop()
        if until <= loop.time():
            return
        self._waiter = loop.create_future()
        timer = loop.call_at(until, self._wake)
        try:
            await self._waiter
        finally:
            timer.cancel()
            self._waiter = None

    def _wake(self) -> None:
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)


@dataclass(slots=True)
class Pauses:
    """Pauses between tries to connect: none, then 1 s doubling to 30 s, each shortened at random.

    The random part keeps several programs from knocking on one gateway in step.
    """

    chance: Random
    _failed: int = 0

    def next_s(self) -> float:
        """Return how long to wait before the next try [s]."""
        failed, self._failed = self._failed, self._failed + 1
        if failed == 0:
            return 0.0
        longest = min(FIRST_PAUSE_S * 2.0 ** min(failed - 1, 10), LONGEST_PAUSE_S)
        return float(longest * (0.5 + 0.5 * self.chance.random()))

    def reset(self) -> None:
        """Begin anew: the gateway has proved to work."""
        self._failed = 0
