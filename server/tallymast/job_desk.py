"""Fetches the work people ask for from the database, and stores what becomes of it.

A job is stored before anybody begins it, and what came of it before anybody is told that it is
over.
"""

import logging
import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from tallymast import wall
from tallymast.domain.errors import StorageError
from tallymast.domain.model import (
    Job,
    JobState,
)
from tallymast.live import Live
from tallymast.storage import jobs
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)

LOOK_FOR_JOBS_S = 0.1  # how soon a stored job is seen by the poller


class JobDesk(threading.Thread):
    """Fetches stored jobs for the poller and stores what becomes of them.

    The poller's loop never waits for the database: it looks at a list kept here.
    """

    def __init__(self, database: Database, live: Live) -> None:
        super().__init__(name="jobs", daemon=True)
        self._database = database
        self._live = live
        self._ended = threading.Event()
        self._lock = threading.Lock()
        self._version = -1
        self._waiting: tuple[Job, ...] = ()
        self._known: dict[int, Job] = {}
        self._stopping: frozenset[int] = frozenset()
        self._changed: list[tuple[int, JobState, float, str]] = []
        self._rows: list[tuple[int, int, Mapping[str, Any]]] = []

    def waiting(self) -> Sequence[Job]:
        """Return the jobs nobody has begun, oldest first."""
        with self._lock:
            return self._waiting

    def stopping(self) -> frozenset[int]:
        """Return the jobs whose end a person asked for."""
        return self._stopping

    def job_row(self, job_id: int, n: int, body: Mapping[str, Any]) -> None:
        """Note a finding; it is stored with the job's next state, in one step."""
        with self._lock:
            self._rows.append((job_id, n, body))

    def job_changed(self, job_id: int, state: JobState, progress: float, result: str) -> None:
        """Note a job's new state; it is stored at the next look."""
        with self._lock:
            self._changed.append((job_id, state, progress, result))
            self._waiting = tuple(job for job in self._waiting if job.id != job_id)

    def run(self) -> None:
        """Look every tenth of a second until stopped; a refused look is tried again."""
        while not self._ended.wait(LOOK_FOR_JOBS_S):
            try:
                self.look()
            except StorageError as error:
                log.warning("jobs wait: %s", error)
        self._last_words()

    def look(self) -> None:
        """Store what is known, and fetch what is new in the database.

        Raises:
            StorageError: the database refused; the next look tries again.

        """
        self._store_changes()
        seen = self._database.data_version()
        if seen != self._version:
            self._fetch()
            self._version = seen

    def stop(self) -> None:
        """End after storing what is known."""
        self._ended.set()
        self.join()

    def _last_words(self) -> None:
        try:
            self._store_changes()
        except StorageError as error:
            log.warning("results of jobs are lost: %s", error)

    def _fetch(self) -> None:
        with self._database.reading() as connection:
            found = jobs.waiting(connection, jobs.POLLER)
            self._stopping = jobs.to_stop(connection)
        with self._lock:
            begun = {job_id for job_id, *_ in self._changed}
            self._waiting = tuple(job for job in found if job.id not in begun)
            new = [job for job in self._waiting if job.id not in self._known]
            self._known |= {job.id: job for job in new}
        for job in new:
            self._live.publish_job(job)

    def _store_changes(self) -> None:
        with self._lock:
            changes, rows = list(self._changed), list(self._rows)
        if not changes and not rows:
            return
        with self._database.writing() as connection:
            for job_id, n, body in rows:
                jobs.add_rows(connection, job_id, [(n, body)])
            for job_id, state, progress, result in changes:
                jobs.update(connection, job_id, state, progress, result, wall.now_ms())
        with self._lock:
            del self._changed[: len(changes)]
            del self._rows[: len(rows)]
        for job_id, state, progress, result in changes:
            self._show(job_id, state, progress, result)

    def _show(self, job_id: int, state: JobState, progress: float, result: str) -> None:
        job = self._known.get(job_id)
        if job is None:
            return
        over = state in (JobState.DONE, JobState.FAILED)
        job = replace(
            job,
            state=state,
            progress=progress,
            result=result,
            done_ms=wall.now_ms() if over else None,
        )
        self._live.publish_job(job)
        if over:
            del self._known[job_id]
        else:
            self._known[job_id] = job
