"""Polls every gateway of a plan at once, each on its own channel, and hands jobs to them."""

import asyncio
import logging
from collections.abc import Callable, Mapping
from random import Random

from tallymast.domain.model import (
    Gateway,
    GatewayPlan,
    Job,
    JobState,
    PollPlan,
    SiteState,
    Transport,
)
from tallymast.polling import desk_test, errands
from tallymast.polling.channel import LOOK_S, Channel
from tallymast.polling.ledger import Ledger
from tallymast.polling.line import Port
from tallymast.polling.ports import Clock, Orders, Outlet, SystemClock, Work
from tallymast.polling.serial_port import SerialPort
from tallymast.polling.tcp import TcpPort

log = logging.getLogger(__name__)

RESTART_AFTER_S = 5.0
KINDS = ("poll", *desk_test.KINDS, *errands.KINDS)

MakePort = Callable[[Gateway], Port]


def make_port(gateway: Gateway) -> Port:
    """Return the port to a gateway: a TCP connection, or a serial line of this machine."""
    if gateway.transport is Transport.SERIAL:
        return SerialPort(gateway)
    return TcpPort(gateway.name, gateway.address)


class Poller:
    """All channels of a plan.

    Args:
        plan: whom to poll.
        states: what is known of the sites already, by id.
        outlet: where results go.
        work: where jobs wait.
        clock: the time of day, for stamps.
        port: makes the connection to a gateway.
        chance: for pauses between tries to connect.
        orders: what people order of outputs; left out: nobody orders anything.

    """

    def __init__(
        self,
        plan: PollPlan,
        states: Mapping[int, SiteState],
        outlet: Outlet,
        work: Work,
        clock: Clock | None = None,
        port: MakePort = make_port,
        chance: Random | None = None,
        orders: Orders | None = None,
    ) -> None:
        self._plan = plan
        self._orders = orders
        self._ledger = Ledger(states)
        self._outlet = outlet
        self._work = work
        self._clock = clock or SystemClock()
        self._port = port
        self._chance = chance or Random()
        self._plans: dict[int, GatewayPlan] = {}
        self._channels: dict[int, Channel] = {}
        self._running: dict[int, asyncio.Task[None]] = {}
        self._ending: dict[int, set[asyncio.Task[None]]] = {}
        self._begun: set[int] = set()

    async def run(self) -> None:
        """Poll until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            self._tasks = tasks
            for gateway in self._plan.gateways:
                self._start(gateway)
            tasks.create_task(self._look_for_jobs())

    def revise(self, plan: PollPlan) -> None:
        """Poll by another plan; to be called in the poller's own loop.

        Sites, points, periods and timeouts change between two exchanges; only a gateway whose
        wire is another one (address, transport, baud and the like) is connected anew.
        """
        before = {one.gateway_id: one for one in self._plan.gateways}
        after = {one.gateway_id: one for one in plan.gateways}
        self._plan = plan
        for gateway_id, old in before.items():
            new = after.get(gateway_id)
            if new is None:
                self._end(gateway_id, f"{old.gateway.name} is not polled any more.")
            elif _wire(new.gateway) != _wire(old.gateway):
                self._end(gateway_id, f"{new.gateway.name} is connected anew; ask again.")
        for gateway_id, new in after.items():
            if gateway_id in self._running:
                self._plans[gateway_id] = new
                if gateway_id in self._channels:
                    self._channels[gateway_id].revise(new)
            else:
                self._start(new)

    def watch(self, gateway_id: int, until_ms: int) -> None:
        """Hand up what goes over a gateway's wire until an instant; in the poller's own loop."""
        if gateway_id in self._channels:
            self._channels[gateway_id].watch(until_ms)

    def _start(self, plan: GatewayPlan) -> None:
        self._plans[plan.gateway_id] = plan
        self._running[plan.gateway_id] = self._tasks.create_task(self._keep(plan.gateway_id))

    def _end(self, gateway_id: int, sentence: str) -> None:
        channel = self._channels.pop(gateway_id, None)
        if channel is not None:
            channel.fail_jobs(sentence)
        task = self._running.pop(gateway_id)
        self._ending.setdefault(gateway_id, set()).add(task)
        task.cancel()

    async def _keep(self, gateway_id: int) -> None:
        """Run a channel; a bug of ours in one must not end the others."""
        if before := self._ending.get(gateway_id):
            await asyncio.wait(before)  # its sites are free only then
            before.clear()
        while True:
            plan = self._plans[gateway_id]
            port = self._port(plan.gateway)
            channel = Channel(
                plan, self._ledger, self._outlet, self._clock, port, self._chance, self._orders
            )
            self._channels[gateway_id] = channel
            try:
                await channel.run()
            except Exception:
                log.exception("channel gateway=%s ended by a bug, begins anew", plan.gateway.key)
            await asyncio.sleep(RESTART_AFTER_S)

    async def _look_for_jobs(self) -> None:
        while True:
            waiting = self._work.waiting()
            for job in waiting:
                if job.id not in self._begun:
                    self._begun.add(job.id)
                    self._give(job)
            self._begun &= {job.id for job in waiting}
            self._stop(self._work.stopping())
            await asyncio.sleep(LOOK_S)

    def _give(self, job: Job) -> None:
        if job.kind not in KINDS:
            sentence = f"There is no work of the kind {job.kind!r}."
        elif any(channel.take_job(job) for channel in self._channels.values()):
            return
        else:
            asked = "gateway" if job.site_id is None else "site"
            sentence = f"The {asked} is not polled by this program."
        self._outlet.job_changed(job.id, JobState.FAILED, 1.0, sentence)

    def _stop(self, job_ids: frozenset[int]) -> None:
        if job_ids:
            for channel in self._channels.values():
                channel.stop_jobs(job_ids)


def _wire(gateway: Gateway) -> tuple[object, ...]:
    """Return what of a gateway cannot change without a new connection."""
    line = (gateway.baud, gateway.character_bits, gateway.parity, gateway.stop_bits)
    return (gateway.transport, gateway.address, *line)
