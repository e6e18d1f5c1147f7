"""Keeps the record beside polling: backups by plan and on demand, sizes, what is old given up."""

import logging
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

from tallymast.domain.errors import ConfigError, StorageError, TallymastError
from tallymast.domain.keeping import due_since
from tallymast.domain.model import Job, JobState
from tallymast.domain.zones import find_zone
from tallymast.live import Live
from tallymast.routes.services import NetworkView
from tallymast.storage import drafts, jobs, keeping, old_messages, retention
from tallymast.storage.copies import let_go, make_copy
from tallymast.storage.engine import Database
from tallymast.storage.keeping import Attempt, Measured
from tallymast.storage.sizes import measure

log = logging.getLogger(__name__)

KIND: Final = "backup"
MEASURE: Final = "measure"
WARN_DAYS: Final = 30
LOOK_S: Final = 2.0  # how soon work that somebody asked for is seen
MEASURE_EVERY_MS: Final = 12 * 3_600_000
GROWN: Final = 1.25  # so much larger, and it is measured before that time
GIVE_UP_EVERY_MS: Final = 3_600_000
TRY_AGAIN_MS: Final = 900_000  # after a backup by plan that failed


class Keeper(threading.Thread):
    """Makes backups, measures sizes and gives up old polls and messages, one thing at a time.

    Args:
        database: what is kept.
        live: where work that somebody asked for is shown.
        folder: where backups lie.
        view: the network as it is now, for its time zone.
        now_ms: the wall clock.

    """

    def __init__(
        self,
        database: Database,
        live: Live,
        folder: Path,
        view: Callable[[], NetworkView],
        now_ms: Callable[[], int],
    ) -> None:
        super().__init__(name="keep", daemon=True)
        self._database = database
        self._live = live
        self._folder = folder
        self._view = view
        self._now_ms = now_ms
        self._ended = threading.Event()
        self._given_up_ms = 0
        self._tried_ms = 0
        self.words = ""  # what every page is to say of it; empty when all is well

    def run(self) -> None:
        """Look once a second for what is due, until stopped."""
        try:
            with self._database.writing() as connection:
                jobs.fail_abandoned(connection, (KIND, MEASURE), self._now_ms())
        except StorageError as error:
            log.warning("keeping waits: %s", error)
        while not self._ended.wait(LOOK_S):
            try:
                self._look()
            except StorageError as error:
                log.warning("keeping waits: %s", error)

    def stop(self) -> None:
        """End after what is in hand."""
        self._ended.set()
        self.join()

    def _look(self) -> None:
        with self._database.reading() as connection:
            asked = jobs.waiting(connection, (KIND, MEASURE))
        for job in asked:
            self._do(job)
        if self._is_due():
            self.back_up()
        self._measure_if_old()
        self._give_up_if_due()
        self.words = self._worries()

    def _worries(self) -> str:
        """Return what a person has to know: a backup that failed, a disk that fills."""
        with self._database.reading() as connection:
            last, _ = keeping.load_attempts(connection)
            known = keeping.load_sizes(connection)
        said = []
        if last is not None and last.wrong:
            said.append(f"The last backup failed: {last.wrong}")
        sizes = known.sizes if known else None
        if sizes is not None and sizes.free is not None and sizes.growth:
            left = (sizes.free + sizes.unused) / sizes.growth
            if left < WARN_DAYS:
                said.append(f"The disk of the record is full in about {left:.0f} days.")
        return " ".join(said)

    # --- backups ------------------------------------------------------------------------

    def _is_due(self) -> bool:
        if self._database.file is None:
            return False
        now_ms = self._now_ms()
        with self._database.reading() as connection:
            plan = keeping.load_plan(connection)
            _, good = keeping.load_attempts(connection)
            begun_ms = keeping.begun_ms(connection, now_ms)
        due_ms = due_since(plan, now_ms, find_zone(self._view().time_zone))
        if due_ms is None or due_ms <= max(good.at_ms if good else 0, begun_ms):
            return False
        return now_ms - self._tried_ms >= TRY_AGAIN_MS

    def back_up(self) -> Attempt:
        """Make a backup now, let old ones go, and keep what came of it."""
        at_ms = self._now_ms()
        self._tried_ms = at_ms
        folder = str(self._folder)
        try:
            copy = make_copy(self._database, self._folder, at_ms)
            attempt = Attempt(copy.at_ms, copy.name, copy.size, folder)
        except (ConfigError, StorageError) as error:
            log.error("no backup: %s", error)
            attempt = Attempt(at_ms, "", 0, folder, str(error))
        with self._database.writing() as connection:
            keeping.keep_attempt(connection, attempt)
            plan = keeping.load_plan(connection)
        if not attempt.wrong:
            let_go(self._folder, plan, find_zone(self._view().time_zone))
        return attempt

    # --- sizes and old polls ---------------------------------------------------------------

    def _measure_if_old(self) -> None:
        now_ms = self._now_ms()
        with self._database.reading() as connection:
            known = keeping.load_sizes(connection)
        if (
            known is None
            or not 0 <= now_ms - known.at_ms < MEASURE_EVERY_MS
            or self._has_grown(known)
        ):
            self.take_sizes()

    def _has_grown(self, known: Measured | None) -> bool:
        """Whether the file has become so much larger that what was measured misleads."""
        file = self._database.file
        if file is None or known is None:
            return False
        return file.stat().st_size > GROWN * known.sizes.file

    def take_sizes(self) -> Measured:
        """Measure the database now, and keep what was found."""
        at_ms = self._now_ms()
        measured = Measured(at_ms, measure(self._database, at_ms))
        with self._database.writing() as connection:
            keeping.keep_sizes(connection, measured)
        return measured

    def _give_up_if_due(self) -> None:
        now_ms = self._now_ms()
        if 0 <= now_ms - self._given_up_ms < GIVE_UP_EVERY_MS:
            return
        with self._database.reading() as connection:
            cutoff_ms = keeping.load_keeping(connection).cutoff_ms(now_ms)
        if cutoff_ms is not None:
            gone = retention.give_up(self._database, cutoff_ms, stop=self._ended.is_set)
            if gone:
                log.info("polls given up before_ms=%d chunks=%d", cutoff_ms, gone)
        if forgotten := old_messages.forget(self._database, now_ms, stop=self._ended.is_set):
            log.info("old messages given up n=%d", forgotten)
        with self._database.writing() as connection:
            drafts.end_old(connection, now_ms)
        self._given_up_ms = now_ms

    # --- what somebody asked for -----------------------------------------------------------

    def _do(self, job: Job) -> None:
        self._tell(job, JobState.RUNNING, "")
        try:
            said = self._said_of(job)
        except TallymastError as error:
            self._tell(job, JobState.FAILED, str(error))
            return
        self._tell(job, JobState.DONE, said)

    def _said_of(self, job: Job) -> str:
        if job.kind == MEASURE:
            self.take_sizes()
            return "Sizes are taken."
        if self._database.file is None:
            raise ConfigError("A database kept by a server is copied with that server's tools.")
        attempt = self.back_up()
        if attempt.wrong:
            raise StorageError(attempt.wrong)
        return f"{attempt.name} is whole: {attempt.size / 1e6:.1f} MB in {attempt.folder}."

    def _tell(self, job: Job, state: JobState, said: str) -> None:
        at_ms = self._now_ms()
        over = state in (JobState.DONE, JobState.FAILED)
        with self._database.writing() as connection:
            jobs.update(connection, job.id, state, 1.0 if over else 0.0, said, at_ms)
        done_ms = at_ms if over else None
        self._live.publish_job(
            replace(job, state=state, progress=1.0 if over else 0.0, result=said, done_ms=done_ms)
        )
