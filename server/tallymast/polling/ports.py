"""What polling needs of the rest of the house, said as small Protocols; wiring hands them in.

Everything here is called from the poller's own thread and must come back at once: what takes
time (a database, a browser) is queued by whoever is on the other side.
"""

from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from time import time_ns
from typing import Any, Protocol

from tallymast.domain.model import GatewayState, Job, JobState, PollDone, WireLine
from tallymast.domain.orders.model import Sendable, Told


class Outlet(Protocol):
    """Where results go."""

    def poll_done(self, done: PollDone) -> None:
        """Take one finished poll and what it makes of its site."""

    def gateway_changed(self, state: GatewayState) -> None:
        """Take what is newly known of a gateway."""

    def job_changed(self, job_id: int, state: JobState, progress: float, result: str) -> None:
        """Take where a piece of work stands; ``result`` is a sentence, progress runs 0 to 1."""

    def job_row(self, job_id: int, n: int, body: Mapping[str, Any]) -> None:
        """Take one finding of a piece of work, ``n`` its place in the order; JSON can hold it."""

    def episode(
        self,
        kind: str,
        gateway_id: int | None,
        site_id: int | None,
        from_ms: int,
        to_ms: int | None,
        reason: str,
    ) -> None:
        """Take the begin (``to_ms`` None) or the end of an episode, e.g. a gateway's outage."""

    def refused(self, site_id: int, layout_id: int, tags: Sequence[str], bridges: bool) -> None:
        """Take which points of a layout a station refuses; ``bridges``: gaps between them too."""

    def wire(self, line: WireLine) -> None:
        """Take bytes of a channel that somebody watches."""


class Work(Protocol):
    """Where work that a person asked for waits."""

    def waiting(self) -> Sequence[Job]:
        """Return the jobs nobody has begun, oldest first; asked every 100 ms."""

    def stopping(self) -> frozenset[int]:
        """Return the jobs whose end a person asked for; asked every 100 ms."""


class Orders(Protocol):
    """Where orders to outputs wait; each is stored before anybody begins it."""

    def waiting(self) -> Sequence[Sendable]:
        """Return the stored orders nobody has begun, oldest first; asked at every turn."""

    def claim(self, order_id: int) -> "Future[bool]":
        """Have an order committed as being sent.

        Returns:
            Resolves to True once that is on the disk: now its bytes may go out, by whoever
            claimed it. False: it may not be sent (any more); why is stored already.

        """

    def told(self, order_id: int, told: Told) -> None:
        """Take what became of a claimed order; it is stored in this order, soon."""

    def watched(self) -> frozenset[int]:
        """Return the sites whose feedback is waited for: they are polled every few seconds."""


class NoOrders:
    """Nobody orders anything."""

    def waiting(self) -> Sequence[Sendable]:
        """Return nothing."""
        return ()

    def claim(self, order_id: int) -> "Future[bool]":
        """Refuse, as there is no such order."""
        refused: Future[bool] = Future()
        refused.set_result(False)
        return refused

    def told(self, order_id: int, told: Told) -> None:
        """Take nothing."""

    def watched(self) -> frozenset[int]:
        """Return nobody."""
        return frozenset()


class Clock(Protocol):
    """The time of day, for stamps only; spans are measured by the event loop's own clock."""

    def wall_ms(self) -> int:
        """Return UTC milliseconds."""


class SystemClock:
    """The computer's clock."""

    def wall_ms(self) -> int:
        """Return UTC milliseconds."""
        return time_ns() // 1_000_000
