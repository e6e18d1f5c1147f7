"""Makes files of the record: at once for the command, one after the other for who asked by page.

The desk works in the process that serves pages, beside it and behind it: between two batches
it rests, so that polling and pages come first. (A lower priority of its thread alone would
make polling wait for a slow holder of the interpreter's lock.)
"""

import logging
import os
import shutil
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from importlib.metadata import version
from pathlib import Path
from time import monotonic
from typing import Final, Literal

import typer

from tallymast.domain import exports
from tallymast.domain.errors import ConfigError, StorageError, TallymastError
from tallymast.domain.exports import KIND, Batch, Extract, Format, Resolution
from tallymast.domain.model import Job, JobState
from tallymast.domain.zones import find_zone
from tallymast.files import csv_file, writing
from tallymast.files.shelf import Shelf
from tallymast.live import Live
from tallymast.routes.services import NetworkView
from tallymast.storage import exports as stored
from tallymast.storage import jobs
from tallymast.storage.engine import Database
from tallymast.storage.readings import auto_resolution

log = logging.getLogger(__name__)

LOOK_S: Final = 0.25  # how soon a stored job is seen
TOLD_EVERY_S: Final = 1.0  # how often progress is stored
REST_S: Final = 0.002  # ours: after each batch; some milliseconds' work
TIDY_EVERY_S: Final = 60.0


# --- for those who asked by page or API -----------------------------------------------


class ExportDesk(threading.Thread):
    """Runs export jobs, one at a time, and keeps the files they make.

    Args:
        database: where jobs and the record are.
        live: told how a job goes.
        network: returns the network as it is now.
        now_ms: the wall clock, UTC milliseconds.
        shelf: where files are kept; beside the database, or a folder of this run, by default.

    """

    def __init__(
        self,
        database: Database,
        live: Live,
        network: Callable[[], NetworkView],
        now_ms: Callable[[], int],
        shelf: Shelf | None = None,
    ) -> None:
        super().__init__(name="exports", daemon=True)
        self._database = database
        self._live = live
        self._network = network
        self._now_ms = now_ms
        self._ended = threading.Event()
        self._own: Path | None = None
        self.shelf = shelf or Shelf(self._folder(database))

    def run(self) -> None:
        """Look for jobs until stopped; a refused look is tried again."""
        begun, seen, tidied = False, -1, monotonic()
        while not self._ended.wait(LOOK_S):
            try:
                begun = begun or self.begin()
                if monotonic() - tidied >= TIDY_EVERY_S:
                    self.shelf.tidy(self._now_ms())
                    tidied = monotonic()
                stored_at = self._database.data_version()
                if stored_at != seen:
                    self.work()
                    seen = stored_at
            except (StorageError, OSError) as error:
                log.warning("exports wait: %s", error)

    def _folder(self, database: Database) -> Path:
        if database.file is not None:
            return database.file.parent / "exports"
        self._own = Path(tempfile.mkdtemp(prefix="tallymast-exports-"))
        return self._own

    def stop(self) -> None:
        """End; an export that is being made is given up."""
        self._ended.set()
        if self.is_alive():
            self.join()
        if self._own is not None:
            shutil.rmtree(self._own, ignore_errors=True)

    def begin(self) -> bool:
        """Clear away what an earlier run left half-done; return True."""
        self.shelf.clear_unfinished()
        self.shelf.tidy(self._now_ms())
        with self._database.writing() as connection:
            jobs.fail_abandoned(connection, (KIND,), self._now_ms())
        return True

    def work(self) -> None:
        """Do the jobs that wait now, oldest first."""
        with self._database.reading() as connection:
            found = jobs.waiting(connection, (KIND,))
        for job in found:
            self._live.publish_job(job)
        for job in found:
            with self._database.writing() as connection:
                is_ours = stored.begin(connection, job.id)
            if is_ours and not self._ended.is_set():
                self._do(job)

    def _do(self, job: Job) -> None:
        try:
            told = self._make(job)
        except _Ended:
            return  # the next start says so
        except TallymastError as error:
            self._tell(job, JobState.FAILED, 0.0, str(error))
        except Exception:
            log.exception("export job=%d failed", job.id)
            self._tell(job, JobState.FAILED, 0.0, "This is a mistake of ours; the log has it.")
        else:
            self._tell(job, JobState.DONE, 1.0, told)

    def _make(self, job: Job) -> str:
        kind: Format = job.params["format"]
        extract = _extract_of(job, self._network(), self._now_ms())
        path = self.shelf.place(job.id, kind)
        self._tell(job, JobState.RUNNING, 0.0, "Is being written.")
        pace = _Pace(stored.batch_count(extract), self._ended, lambda done: self._on(job, done))
        rows = writing.write(
            kind, path, extract, stored.batches(self._database, extract), pace.go_on
        )
        kept = self.shelf.finish(job.id, kind, self._now_ms())
        log.info("export job=%d rows=%d bytes=%d", job.id, rows, kept.size)
        return f"{_counted(rows, 'row')}."

    def _on(self, job: Job, progress: float) -> None:
        self.shelf.spare()
        self._tell(job, JobState.RUNNING, progress, "Is being written.")

    def _tell(self, job: Job, state: JobState, progress: float, result: str) -> None:
        """Store and show how a job goes; how it ended is stored as soon as it can be."""
        now_ms, over = self._now_ms(), state in (JobState.DONE, JobState.FAILED)
        while True:
            try:
                with self._database.writing() as connection:
                    jobs.update(connection, job.id, state, progress, result, now_ms)
                break
            except StorageError as error:
                log.warning("export job=%d is told later: %s", job.id, error)
                if not over or self._ended.wait(TOLD_EVERY_S):
                    break
        done_ms = now_ms if over else None
        self._live.publish_job(
            replace(job, state=state, progress=progress, result=result, done_ms=done_ms)
        )


class _Ended(Exception):
    """Tallymast is being ended."""


class _Pace:
    """Counts batches, rests after each, and says from time to time how far it is."""

    def __init__(self, batches: int, ended: threading.Event, tell: Callable[[float], None]) -> None:
        self._batches = batches
        self._ended = ended
        self._tell = tell
        self._done = 0
        self._told = monotonic()

    def go_on(self, _rows: int) -> None:
        self._done += 1
        if self._ended.wait(REST_S):
            raise _Ended
        if monotonic() - self._told >= TOLD_EVERY_S:
            self._tell(self._done / self._batches)
            self._told = monotonic()


def _extract_of(job: Job, network: NetworkView, now_ms: int) -> Extract:
    """Return what a job is to export; raises ConfigError where the network has changed."""
    params = job.params
    chosen = exports.choose(network.gateways_with_retired(), params["points"], ())
    span = (params["from_ms"], params["to_ms"])
    return exports.make(network, chosen, span, params["resolution"], version("tallymast"), now_ms)


# --- for the command ------------------------------------------------------------------


STDOUT: Final = "-"


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command was told.

    Args:
        file: where it goes, never over a file that is there; ``-`` for stdout.
        points: ``SITE/TAG`` each.
        sites: sites of which every point is wanted.
        begin: of the period, as a person writes it; without a zone, the network's.
        end: the same of its end, which is not included.
        resolution: ``auto`` chooses by the period's length.
        kind: the format, None for what the file's ending says.

    """

    file: str
    points: Sequence[str]
    sites: Sequence[str]
    begin: str
    end: str
    resolution: Resolution | Literal["auto"] = "auto"
    kind: Format | None = None


def export(
    database: Database,
    network: NetworkView,
    now_ms: int,
    asked: Asked,
) -> str:
    """Write an export into a file, or as CSV to stdout.

    Args:
        database: what to read.
        network: its network.
        now_ms: the wall clock, UTC milliseconds.
        asked: which file, points and period.

    Returns:
        What was written, in a sentence.

    Raises:
        ConfigError: what is asked for is not there or cannot be written so.
        StorageError: the database or the disk refused.

    """
    kind = _kind(asked)
    zone = find_zone(network.time_zone)
    chosen = exports.choose(network.gateways_with_retired(), asked.points, asked.sites)
    ends = (_moment(asked.begin, "--from", zone), _moment(asked.end, "--to", zone))
    span = exports.period(*ends, now_ms)
    how = auto_resolution(*span) if asked.resolution == "auto" else asked.resolution
    extract = exports.make(network, chosen, span, how, version("tallymast"), now_ms)
    batches, total = stored.batches(database, extract), stored.batch_count(extract)
    with typer.progressbar(length=total, label="Exporting", file=sys.stderr) as bar:
        if asked.file == STDOUT:
            rows = _print(extract, batches, bar.update)
        else:
            path = Path(asked.file)
            rows = writing.write(kind, path, extract, batches, lambda _: bar.update(1))
    where = "stdout" if asked.file == STDOUT else asked.file
    return (
        f"{where}: {_counted(rows, 'row')} of {_counted(len(chosen), 'point')}, {exports.HOW[how]}."
    )


def _counted(count: int, one: str) -> str:
    return f"{count} {one if count == 1 else one + 's'}"


def _kind(asked: Asked) -> Format:
    if asked.file != STDOUT:
        return asked.kind or writing.format_of(asked.file)
    if asked.kind not in (None, "csv"):
        raise ConfigError(f"Only CSV is written to stdout; name a file for {asked.kind}.")
    return "csv"


def _print(extract: Extract, batches: Iterator[Batch], on: Callable[[int], None]) -> int:
    """Write an export to stdout as it is read; whoever reads it may stop listening."""
    rows = 0

    def counted() -> Iterator[Batch]:
        nonlocal rows
        for batch in batches:
            rows += len(batch)
            yield batch
            del batch
            on(1)

    try:
        for some in csv_file.chunks(extract, counted()):
            sys.stdout.buffer.write(some)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return rows


def _moment(text: str, which: str, zone: tzinfo) -> int:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        said = repr(text) if text else "missing"
        raise ConfigError(
            f"{which} is {said}; write a day or a time like 2026-03-08 or 2026-03-08T07:00Z. "
            "Without a zone it is the network's."
        ) from error
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    return round(moment.timestamp() * 1000)
