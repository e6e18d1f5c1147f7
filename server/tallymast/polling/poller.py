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
from tallymast.polling.channel import LOOK_S, Channel
from tallymast.polling.line import Port
from tallymast.polling.ports import Clock, Outlet, SystemClock, Work
from tallymast.polling.serial_port import SerialPort
from tallymast.polling.tcp import TcpPort

log = logging.getLogger(__name__)

RESTART_AFTER_S = 5.0

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
    ) -> None:
        self._plan = plan
        self._states = dict(states)
        self._outlet = outlet
        self._work = work
        self._clock = clock or SystemClock()
        self._port = port
        self._chance = chance or Random()
        self._channels: dict[int, Channel] = {}
        self._begun: set[int] = set()

    async def run(self) -> None:
        """Poll until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            for gateway in self._plan.gateways:
                tasks.create_task(self._keep(gateway))
            tasks.create_task(self._look_for_jobs())

    async def _keep(self, plan: GatewayPlan) -> None:
        """Run a channel; a bug of ours in one must not end the others."""
        while True:
            port = self._port(plan.gateway)
            channel = Channel(plan, self._states, self._outlet, self._clock, port, self._chance)
            self._channels[plan.gateway_id] = channel
            try:
                await channel.run()
            except Exception:
                log.exception("channel gateway=%s ended by a bug, begins anew", plan.gateway.key)
            self._states |= channel.states
            await asyncio.sleep(RESTART_AFTER_S)

    async def _look_for_jobs(self) -> None:
        while True:
            waiting = self._work.waiting()
            for job in waiting:
                if job.id not in self._begun:
                    self._begun.add(job.id)
                    self._give(job)
            self._begun &= {job.id for job in waiting}
            await asyncio.sleep(LOOK_S)

    def _give(self, job: Job) -> None:
        if job.kind != "poll":
            sentence = f"There is no work of the kind {job.kind!r}."
        elif any(channel.take_job(job) for channel in self._channels.values()):
            return
        else:
            sentence = "The site is not polled by this program."
        self._outlet.job_changed(job.id, JobState.FAILED, 1.0, sentence)
