"""An event loop whose clock jumps to the next event, and a port that lives in it.

Nothing sleeps: an hour of timeouts passes in the time it takes to compute it, and the same
seed gives the same run to the last byte.
"""

import asyncio
import selectors
from collections.abc import Callable, Coroutine, Iterable
from typing import Any, TypeVar

from tallymast.domain.errors import GatewayUnreachable
from tallymast.polling.line import Heard, Inbox

BEGIN_S = 1000.0

Result = TypeVar("Result")
# What a request draws: seconds from its sending, and the bytes that come then; None is a reset.
Reply = tuple[float, bytes | None]
Script = Callable[[bytes, float], Iterable[Reply]]


class VirtualLoop(asyncio.SelectorEventLoop):
    """Runs callbacks in order of their time; ``time()`` is the time of the current one."""

    def __init__(self) -> None:
        self._virtual_now = BEGIN_S
        super().__init__(_Jump(self))

    def time(self) -> float:
        """Return the virtual time [s]."""
        return self._virtual_now

    def jump(self, seconds: float) -> None:
        """Let time pass."""
        self._virtual_now += seconds


class _Jump(selectors.SelectSelector):
    """Asks once what is ready; if nothing is, the time it would have waited is over at once."""

    def __init__(self, loop: VirtualLoop) -> None:
        super().__init__()
        self._loop = loop

    def select(self, timeout: float | None = None) -> Any:
        """Return what is ready now, else jump."""
        ready = super().select(0)
        if not ready:
            if timeout is None:
                raise RuntimeError("Nothing is scheduled any more: what is awaited never comes.")
            self._loop.jump(max(timeout, 0.0))
        return ready


def run_virtual(work: Coroutine[Any, Any, Result]) -> Result:
    """Run ``work`` to its end in virtual time."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(work)


class VirtualClock:
    """Time of day that goes with the loop's time; ``offset_ms`` may be set to step it."""

    def __init__(self, begin_ms: int = 1_772_953_200_000) -> None:  # 2026-03-08 07:00 UTC
        self.offset_ms = begin_ms

    def wall_ms(self) -> int:
        """Return UTC milliseconds."""
        return self.offset_ms + round((asyncio.get_running_loop().time() - BEGIN_S) * 1000)


class MemoryPort:
    """A port whose far side is ``script``; it keeps what was ``sent`` and when."""

    def __init__(self, script: Script, name: str = "Test mast") -> None:
        self._script = script
        self._name = name
        self._inbox = Inbox()
        self.sent: list[tuple[float, bytes]] = []
        self.opened: list[float] = []
        self.refuses = False
        self.undelivered = False

    async def open(self, timeout_s: float) -> None:
        """Connect, unless ``refuses`` is set."""
        self.opened.append(asyncio.get_running_loop().time())
        if self.refuses:
            raise GatewayUnreachable(self._name, "the gateway refuses the connection")
        self._inbox = Inbox()

    def send(self, frame: bytes) -> None:
        """Give bytes to the script and plan what it replies."""
        self._inbox.check()
        loop = asyncio.get_running_loop()
        now = loop.time()
        self.sent.append((now, frame))
        for delay_s, received in self._script(frame, now):
            loop.call_at(now + delay_s, self.hear, received)

    def hear(self, received: bytes | None) -> None:
        """Let bytes come now; None breaks the connection."""
        if received is None:
            self._inbox.lose(GatewayUnreachable(self._name, "the gateway closed the connection"))
        else:
            self._inbox.put(received, asyncio.get_running_loop().time())

    async def receive(self, until: float) -> Heard | None:
        """Return the next bytes, None at ``until``."""
        return await self._inbox.take(until)

    def is_undelivered(self) -> bool:
        """Return what the test set."""
        return self.undelivered

    def close(self) -> None:
        """End the connection."""
