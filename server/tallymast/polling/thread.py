"""Runs the poller in a thread and event loop of its own, away from pages and database."""

import asyncio
import logging
import threading
from collections.abc import Mapping

from tallymast.domain.model import PollPlan, SiteState
from tallymast.polling.poller import Poller
from tallymast.polling.ports import Clock, Orders, Outlet, Work

log = logging.getLogger(__name__)


class PollThread(threading.Thread):
    """The poller's thread: ``start``, ``stop``; alive as long as it polls."""

    def __init__(
        self,
        plan: PollPlan,
        states: Mapping[int, SiteState],
        outlet: Outlet,
        work: Work,
        clock: Clock | None = None,
        orders: Orders | None = None,
    ) -> None:
        super().__init__(name="poll", daemon=True)
        self._poller = Poller(plan, states, outlet, work, clock, orders=orders)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Task[None] | None = None
        self._ready = threading.Event()

    def run(self) -> None:
        """Poll until stopped."""
        try:
            asyncio.run(self._main())
        except Exception:
            log.exception("polling ended by a bug")
        finally:
            self._ready.set()

    def revise(self, plan: PollPlan) -> None:
        """Poll by another plan, from between two exchanges on; to be called from any thread."""
        self._ready.wait()
        if self._loop is not None and self.is_alive():
            self._loop.call_soon_threadsafe(self._poller.revise, plan)

    def watch(self, gateway_id: int, until_ms: int) -> None:
        """Hand up what goes over a gateway's wire; to be called from any thread."""
        self._ready.wait()
        if self._loop is not None and self.is_alive():
            self._loop.call_soon_threadsafe(self._poller.watch, gateway_id, until_ms)

    def stop(self) -> None:
        """End polling between two events, close every connection, and wait for it."""
        self._ready.wait()
        if self._loop is not None and self._task is not None and self.is_alive():
            self._loop.call_soon_threadsafe(self._task.cancel)
        self.join()

    async def _main(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._task = asyncio.create_task(self._poller.run())
        self._ready.set()
        try:
            await self._task
        except asyncio.CancelledError:
            log.info("polling ended as asked")
