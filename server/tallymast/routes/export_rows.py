"""What a page shows of exports that were asked for: what they hold, how far they are, the file."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from tallymast.domain import exports
from tallymast.domain.exports import HOW, Format
from tallymast.domain.model import Job, JobState
from tallymast.domain.zones import find_zone
from tallymast.routes.api.exports import kept_of
from tallymast.routes.formats import calendar_day, plural
from tallymast.routes.services import Services
from tallymast.storage import jobs

SHOWN: Final = 10
NAMES: Final[dict[Format, str]] = {
    "csv": "CSV, text",
    "xlsx": "XLSX, spreadsheet",
    "parquet": "Parquet, for analysis",
}


@dataclass(frozen=True, slots=True)
class ExportRow:
    """One export in words; ``link`` is empty where there is no file (yet, or any more)."""

    number: int
    words: str
    state: str
    progress: float | None  # None once it is over
    actor: str
    asked_ms: int
    link: str = ""
    size: str = ""
    until_ms: int = 0


def size_words(size: float) -> str:
    """Return a file's size [bytes] in words: ``820 B``, ``12 kB``, ``3.4 MB``."""
    for unit in ("B", "kB", "MB"):
        if size < 999.5:
            digits = 0 if size >= 9.95 or unit == "B" else 1
            return f"{size:.{digits}f}\u00a0{unit}"
        size /= 1000
    return f"{size:.1f}\u00a0GB"


def export_rows(given: Services) -> list[ExportRow]:
    """Return the latest exports, the newest first."""
    with given.database.reading() as connection:
        found = jobs.newest(connection, exports.KIND, SHOWN)
    known = given.live.jobs()
    return [_row(given, _newer(known, job)) for job in found]


def _newer(known: Mapping[int, Job], job: Job) -> Job:
    """Return a job with the progress that is not stored yet."""
    live = known.get(job.id)
    goes_on = job.state in (JobState.WAITING, JobState.RUNNING)
    return live if live is not None and goes_on and live.progress >= job.progress else job


def _row(given: Services, job: Job) -> ExportRow:
    kept = kept_of(given, job.id) if job.state is JobState.DONE else None
    state = {
        JobState.WAITING: "Waits for its turn.",
        JobState.DONE: job.result if kept else f"{job.result} It is kept no longer.",
    }.get(job.state, job.result)
    goes_on = job.state in (JobState.WAITING, JobState.RUNNING)
    row = ExportRow(
        job.id,
        _words(given, job),
        state,
        round(job.progress, 3) if goes_on else None,
        job.actor,
        job.asked_ms,
    )
    if kept is None:
        return row
    link = f"/api/v1/exports/{job.id}"
    return replace(row, link=link, size=size_words(kept.size), until_ms=kept.until_ms)


def _words(given: Services, job: Job) -> str:
    """Return what an export holds: sites, points, days, resolution, format."""
    params, network = job.params, given.network()
    keys = list(dict.fromkeys(word.partition("/")[0] for word in params["points"]))
    site = network.site_or_retired(keys[0])
    name = plural(len(keys), "site") if len(keys) > 1 else site.site.name if site else keys[0]
    zone = find_zone(network.time_zone)
    days = [calendar_day(ms, zone) for ms in (params["from_ms"], params["to_ms"] - 1)]
    when = days[0] if days[0] == days[1] else f"{days[0]} to {days[1]}"
    how = HOW[params["resolution"]]
    kind = NAMES[params["format"]].partition(",")[0]
    return f"{name}, {plural(len(params['points']), 'point')}, {when}, {how}, {kind}"
