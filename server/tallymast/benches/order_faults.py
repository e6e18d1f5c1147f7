"""Orders on a faulty line in virtual time: desk, database, channel and stations are the real ones.

The desk's thread is left out: what it does is done at once, where the poller calls it, so that
the same seed gives the same run.
"""

import asyncio
from collections.abc import AsyncIterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any, Final

from tallymast import networks
from tallymast.benches.order_network import SITE, some_order, written
from tallymast.benches.order_station import SOON_S, Deed, FaultyLine, Shown
from tallymast.benches.virtual import BEGIN_S, MemoryPort, VirtualClock, run_virtual
from tallymast.domain.model import (
    GatewayState,
    GatewayStatus,
    Job,
    JobState,
    PollDone,
    SitePlan,
    WireLine,
)
from tallymast.domain.orders.model import Order, OrderKind, OrderState, Sendable, Told
from tallymast.domain.orders.writing import request_of
from tallymast.live import Live
from tallymast.orders.desk import OrderDesk
from tallymast.orders.judging import OrderJudge, proven
from tallymast.polling.poller import Poller
from tallymast.routes.services import NetworkView
from tallymast.storage import keys, orders
from tallymast.storage.engine import Database, open_database
from tallymast.storage.orders import NewOrder
from tallymast.storage.writer import StorageStatus

VALID_MS: Final = 30_000
LOOK_S: Final = 0.2
OVER_S: Final = 150.0  # Ours: longer than validity, every try and every quarantine together
CALM_S: Final = 12.0  # so that no frame of one order comes in the time of the next


@dataclass
class Tally:
    """What came of the orders of one fault, held against what the stations executed."""

    states: dict[str, int] = field(default_factory=dict)
    false_done: int = 0
    doubled: int = 0
    lost: int = 0
    struck: int = 0  # writes the fault met

    def add(self, found: Order | None, steps: int, truth: "Truth") -> None:
        """Count one order.

        Args:
            found: as it is stored; None: it is not there.
            steps: lines of its history.
            truth: what was done to its output, and what that showed, since it was made.

        """
        state = found.state if found is not None else None
        name = state.value if state is not None else "gone"
        self.states[name] = self.states.get(name, 0) + 1
        self.doubled += truth.executed > 1
        self.lost += found is None or not found.state.is_over or steps < 2
        if found is not None and state is OrderState.CONFIRMED:
            self.false_done += not truth.holds(found)


@dataclass(frozen=True)
class Truth:
    """What the simulator knows of one order.

    Attributes:
        value: the register or bit that its write holds.
        deeds: what was done to its output since it was made.
        shown: what its output showed since, each time it was asked for alone.

    """

    value: int
    deeds: Sequence[Deed]
    shown: Sequence[Shown]

    @property
    def executed(self) -> int:
        """How many writes the station obeyed."""
        return sum(not one.by_hand for one in self.deeds)

    def holds(self, found: Order) -> bool:
        """Whether the output really was as ordered when it was read back, after it was sent.

        A pulse has to have been executed, too: time left may be another pulse's.
        """
        from_s, to_s = (found.sent_ms or 0) / 1000, (found.readback_ms or 0) / 1000
        asked_s = to_s - SOON_S / 2  # an answer takes longer than that
        seen = [one.value for one in self.shown if from_s <= one.at_s <= asked_s]
        if found.wanted.kind is OrderKind.PULSE:
            return self.executed > 0 and bool(seen) and 0 < seen[-1] <= self.value
        return bool(seen) and seen[-1] == self.value


class _Outlet:
    """Shows what is polled, and stores none of it."""

    def __init__(self, live: Live) -> None:
        self._live = live

    def poll_done(self, done: PollDone) -> None:
        """Show a poll."""
        self._live.publish_poll(done)

    def gateway_changed(self, state: GatewayState) -> None:
        """Show a gateway."""
        self._live.publish_gateway(state)

    def job_changed(self, job_id: int, state: JobState, progress: float, result: str) -> None:
        """Nobody asks for work."""

    def job_row(self, job_id: int, n: int, body: Mapping[str, Any]) -> None:
        """Nobody asks for work."""

    def episode(
        self,
        kind: str,
        gateway_id: int | None,
        site_id: int | None,
        from_ms: int,
        to_ms: int | None,
        reason: str,
    ) -> None:
        """Episodes are not kept."""

    def refused(self, site_id: int, layout_id: int, tags: Sequence[str], bridges: bool) -> None:
        """Nothing is refused."""

    def wire(self, line: WireLine) -> None:
        """Nobody listens."""


class _NoWork:
    """Nobody asks for anything else."""

    def waiting(self) -> Sequence[Job]:
        """Return nothing."""
        return ()

    def stopping(self) -> frozenset[int]:
        """Return nothing."""
        return frozenset()


class _AtOnce:
    """A desk without a thread: it looks where the poller calls it."""

    def __init__(self, desk: OrderDesk) -> None:
        self._desk = desk

    def waiting(self) -> Sequence[Sendable]:
        """Return the stored orders nobody has begun."""
        return self._desk.waiting()

    def claim(self, order_id: int) -> "Future[bool]":
        """Have an order committed as being sent, at once."""
        claim = self._desk.claim(order_id)
        self._desk.look()
        return claim

    def told(self, order_id: int, told: Told) -> None:
        """Store what became of an order, at once."""
        self._desk.told(order_id, told)
        self._desk.look()

    def watched(self) -> frozenset[int]:
        """Return the sites whose feedback is waited for."""
        return self._desk.watched()


def try_fault(fault: str, times: int, seed: int, folder: Path) -> Tally:
    """Give ``times`` orders over a line with one fault, one after the other; count what came."""
    database = open_database(folder / f"{fault}.sqlite3")
    try:
        networks.bring_network(database, written("127.0.0.1:5020", echo=fault == "echoed"), fault)
        return run_virtual(_Trial(database, fault, Random(f"{seed} {fault}")).run(times))
    finally:
        database.close()


class _Trial:
    """Orders of one fault."""

    def __init__(self, database: Database, fault: str, chance: Random) -> None:
        self._database = database
        self._fault = fault
        self._chance = chance
        self._clock = VirtualClock()
        network, plan = networks.load_network(database)
        self._view, self._plan = NetworkView(network, plan), plan
        self._live = Live()
        self._line = FaultyLine(network, fault, chance, self._wall_s)
        self._port = MemoryPort(self._line)
        self._tally = Tally()
        ok = StorageStatus("ok", 0, 0, 0)
        view, wall_ms = (lambda: self._view), self._clock.wall_ms
        judging = OrderJudge(database, self._live, view, lambda: ok, wall_ms)
        self._desk = OrderDesk(
            database,
            self._live,
            view,
            judge=judging.refusals,
            prove=proven,
            now_ms=wall_ms,
            monotonic_s=lambda: asyncio.get_running_loop().time(),
        )

    def _wall_s(self, now: float) -> float:
        return self._clock.offset_ms / 1000 + now - BEGIN_S

    async def run(self, times: int) -> Tally:
        """Give the orders while the sites are polled."""
        # Once own bytes were seen every further order is refused: each needs a poller of its own.
        each = 1 if self._fault == "echo-no-station" else times
        for first in range(0, times, each):
            self._line.begin()
            async with self._polled():
                for n in range(first, first + each):
                    await self._order(n)
        self._tally.struck = self._line.struck
        return self._tally

    @asynccontextmanager
    async def _polled(self) -> AsyncIterator[None]:
        poller = Poller(
            self._plan,
            {},
            _Outlet(self._live),
            _NoWork(),
            self._clock,
            lambda _: self._port,
            Random(1),
            _AtOnce(self._desk),
        )
        polling = asyncio.ensure_future(poller.run())
        await asyncio.sleep(CALM_S)
        yield
        polling.cancel()
        await asyncio.gather(polling, return_exceptions=True)

    async def _order(self, n: int) -> None:
        await self._until_connected()
        site = next(one for one in self._view.sites if one.site.key == SITE)
        tag, wanted = some_order(self._chance)
        point = site.site.point(tag)
        assert point is not None
        value = request_of(site.site.unit, point, wanted).values[0]
        first, output = len(self._line.deeds), (site.site.unit, point.register)
        made = self._make(site, tag, n, wanted)
        if self._fault == "line-gone":
            self._break_line()
        await self._until_over(made.id)
        await asyncio.sleep(CALM_S)
        self._line.let_hands_act(self._clock.wall_ms() / 1000)
        truth = Truth(
            value,
            [one for one in self._line.deeds[first:] if (one.unit, one.start) == output],
            [one for one in self._line.shown if (one.unit, one.start) == output],
        )
        with self._database.reading() as conn:
            found = orders.order(conn, made.id)
            steps = len(orders.steps(conn, made.id))
        self._tally.add(found, steps, truth)

    async def _until_connected(self) -> None:
        for _ in range(round(OVER_S)):
            states = self._live.gateways().values()
            if any(one.status is GatewayStatus.CONNECTED for one in states):
                return
            await asyncio.sleep(1.0)

    def _make(self, site: SitePlan, tag: str, n: int, wanted: Any) -> Order:
        now_ms = self._clock.wall_ms()
        with self._database.writing() as conn:
            number = keys.point_id(conn, site.site_id, tag)
            assert number is not None
            new = NewOrder(
                f"{self._fault}-{n}",
                now_ms,
                now_ms + VALID_MS,
                "bench",
                None,
                site.site_id,
                number,
                wanted,
            )
            return orders.make(conn, new)[0]

    def _break_line(self) -> None:
        """Let the gateway be gone for a while: a moment, or longer than an order is good."""
        self._port.refuses = True
        self._port.hear(None)
        back_s = 50.0 * self._chance.random()
        asyncio.get_running_loop().call_later(back_s, setattr, self._port, "refuses", False)

    async def _until_over(self, order_id: int) -> None:
        """Look as the desk's thread would, until the order has ended."""
        for _ in range(round(OVER_S / LOOK_S)):
            self._desk.look()
            with self._database.reading() as conn:
                found = orders.order(conn, order_id)
            if found is not None and found.state.is_over:
                return
            await asyncio.sleep(LOOK_S)
