"""Shows where pages are served what another process polls and stores."""

import logging
import threading
from collections.abc import Callable

from tallymast import wall
from tallymast.domain.errors import StorageError
from tallymast.domain.model import (
    JobState,
)
from tallymast.live import Live
from tallymast.storage import jobs, states
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)

JOBS_SHOWN_MS = 600_000
FOLLOW_EVERY_S = 0.25  # how soon a second process sees what the poller stored


class Follow(threading.Thread):
    """Shows in a web-only process what another process polled and stored.

    Args:
        database: where it is stored.
        live: where it is shown.
        alarms_moved: reads what was stored of alarms; returns whether that was anything.

    """

    def __init__(
        self,
        database: Database,
        live: Live,
        alarms_moved: Callable[[], bool] = lambda: False,
    ) -> None:
        super().__init__(name="follow", daemon=True)
        self._database = database
        self._live = live
        self._alarms_moved = alarms_moved
        self._ended = threading.Event()
        self._version = -1
        self._seq = 0

    def run(self) -> None:
        """Look four times a second; read only when something was stored."""
        while True:
            try:
                self.look()
            except StorageError as error:
                log.warning("following waits: %s", error)
            if self._ended.wait(FOLLOW_EVERY_S):
                return

    def look(self) -> None:
        """Look once whether something was stored; raises StorageError where that is refused."""
        seen = self._database.data_version()
        if seen != self._version:
            self._read()
            self._version = seen

    def stop(self) -> None:
        """End."""
        self._ended.set()
        self.join()

    def _read(self) -> None:
        with self._database.reading() as connection:
            self._seq, sites, gateways = states.states_since(connection, self._seq)
            asked = jobs.asked_since(connection, wall.now_ms() - JOBS_SHOWN_MS)
            older = self._unfinished() - {job.id for job in asked}
            asked += [one for one in (jobs.job(connection, key) for key in older) if one]
        self._live.publish_sites(sites)
        for gateway in gateways:
            self._live.publish_gateway(gateway)
        if self._alarms_moved():
            self._live.publish_alarms()
        known = self._live.jobs()
        for job in asked:
            if known.get(job.id) != job:
                self._live.publish_job(job)

    def _unfinished(self) -> set[int]:
        """Return the jobs shown last that had not ended: a scan may take an hour."""
        over = (JobState.DONE, JobState.FAILED)
        return {job.id for job in self._live.jobs().values() if job.state not in over}
