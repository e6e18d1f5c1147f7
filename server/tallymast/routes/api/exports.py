"""The record as files: CSV as it is read, or a file made beside polling and fetched when done."""

from collections.abc import Iterator
from datetime import datetime
from itertools import chain
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import BoundedSemaphore
from typing import Annotated, Any, BinaryIO, Literal

from fastapi import APIRouter, Query, Response
from fastapi.responses import FileResponse, StreamingResponse
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from tallymast.domain import exports
from tallymast.domain.audit import Act
from tallymast.domain.errors import ConfigError
from tallymast.domain.exports import Extract, Format, Resolution
from tallymast.domain.model import Job, JobState
from tallymast.domain.people import Right
from tallymast.domain.zones import find_zone
from tallymast.files import csv_file, parquet_file, writing
from tallymast.files.shelf import Kept, Shelf
from tallymast.routes.api.jobs import Accepted
from tallymast.routes.api.spans import Span, TheSpan, milliseconds
from tallymast.routes.formats import calendar_day, plural
from tallymast.routes.made_files import Turns
from tallymast.routes.problems import Problem
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, ThePerson, tell
from tallymast.storage import exports as stored
from tallymast.storage import jobs
from tallymast.storage.readings import auto_resolution

router = APIRouter(prefix="/api/v1", tags=["exports"])

MOST_AT_ONCE = 1_000_000  # ours: rows of a packed file for which somebody may wait
PIECE = 256 * 1024  # bytes
_streams = BoundedSemaphore(4)  # ours: CSV read at a time; pages need the database as well
_BUSY = "Others are being served files already; try again in a minute, or ask for a job."
_MAKING = Turns(2, _BUSY)  # ours: packed files made at a time for those who wait

Words = Annotated[list[str], Query(max_length=5000)]
How = Literal["raw", "hour", "day", "auto"]


class NewExport(BaseModel):
    """Which points of which period, how, and as what."""

    model_config = ConfigDict(populate_by_name=True)

    points: list[str] = Field(default=[], max_length=5000, description="`SITE/TAG` each")
    sites: list[str] = Field(default=[], max_length=5000, description="sites, whole")
    begin: AwareDatetime = Field(alias="from")
    end: AwareDatetime = Field(alias="to", description="not included")
    resolution: How = "auto"
    format: Format = "csv"


@router.get("/export", response_class=Response)
def export_now(
    given: Given,
    person: ThePerson,
    span: TheSpan,
    points: Words = [],  # noqa: B006
    site: Words = [],  # noqa: B006
    resolution: How = "auto",
    format: Format = "csv",
) -> Response:
    """Return points (`SITE/TAG`, with commas or repeated) and whole sites as a file.

    CSV comes while it is read. `xlsx` and `parquet` are made first; long ones are better
    asked for by `POST /api/v1/exports`.
    """
    extract = the_extract(given, _parted(points), _parted(site), span, resolution)
    send = _csv(given, extract) if format == "csv" else _packed(given, person, extract, format)
    if person.role is not None:
        with given.database.writing() as connection:
            tell(connection, given, person, told(given, extract, format))
    return send


@router.post("/exports", status_code=202)
def ask_for_export(wanted: NewExport, given: Given, person: ThePerson) -> Accepted:
    """Have a file made beside polling; it is kept for 24 h under the job's number."""
    span = Span(milliseconds(wanted.begin), milliseconds(wanted.end))
    extract = the_extract(given, wanted.points, wanted.sites, span, wanted.resolution)
    return Accepted(job=ask(given, person, extract, wanted.format).id)


@router.get("/exports/{number}", response_class=FileResponse)
def fetch_export(number: int, given: Given) -> FileResponse:
    """Return the file an export job has made."""
    job = export_job(given, number)
    if job.state is JobState.FAILED:
        raise Problem(409, f"Export {number} has failed: {job.result}")
    if job.state is not JobState.DONE:
        raise Problem(
            409,
            f"Export {number} is not finished yet ({job.progress:.0%}); "
            f"ask for /api/v1/jobs/{number} until it is done.",
        )
    kept = kept_of(given, number)
    if kept is None:
        raise Problem(410, f"The file of export {number} is kept no longer; ask for it again.")
    return FileResponse(
        kept.path, media_type=writing.MEDIA[kept.kind], filename=file_name(given, job.params)
    )


# --- shared with the page -------------------------------------------------------------


def the_extract(
    given: Services, points: list[str], sites: list[str], span: Span, resolution: How
) -> Extract:
    """Return what a request asks for.

    Raises:
        Problem: 422, with a sentence for each mistake.

    """
    network, now_ms = given.network(), given.now_ms()
    try:
        chosen = exports.choose(network.gateways_with_retired(), points, sites)
        ends = exports.period(span.from_ms, span.to_ms, now_ms + 1)
    except ConfigError as error:
        raise Problem(422, " ".join(error.mistakes[:10])) from error
    how: Resolution = auto_resolution(*ends) if resolution == "auto" else resolution
    return exports.make(network, chosen, ends, how, given.version, now_ms)


def ask(given: Services, person: Person, extract: Extract, kind: Format) -> Job:
    """Store the wish for a file and return its job.

    Raises:
        Problem: this machine cannot write such a file, or keeps none.

    """
    the_shelf(given)
    if kind == "parquet":
        check_parquet()
    with given.database.writing() as connection:
        tell(connection, given, person, told(given, extract, kind))
        return jobs.ask(
            connection,
            exports.KIND,
            actor=person.name,
            at_ms=given.now_ms(),
            params=exports.params_of(extract, kind),
        )


def told(given: Services, extract: Extract, kind: Format) -> Act:
    """Return an export as it is written down."""
    sites = extract.sites
    zone = find_zone(extract.time_zone)
    days = [calendar_day(ms, zone) for ms in (extract.from_ms, extract.to_ms - 1)]
    after: dict[str, Any] = {
        **exports.params_of(extract, kind),
        "n": plural(len(extract.points), "point"),
        "how": exports.HOW[extract.resolution],
        "period": days[0] if days[0] == days[1] else f"{days[0]} to {days[1]}",
    }
    after["points"] = after["points"][:50]
    name = sites[0] if len(sites) == 1 else plural(len(sites), "site")
    return Act("record.export", "record", extract.points[0].site, after=after, name=name)


def export_job(given: Services, number: int) -> Job:
    """Return an export's job.

    Raises:
        Problem: 404, there was never one of this number.

    """
    with given.database.reading() as connection:
        found = jobs.job(connection, number) if 0 < number < 2**63 else None
    if found is None or found.kind != exports.KIND:
        raise Problem(404, f"There was never an export {number}.")
    return found


def kept_of(given: Services, number: int) -> Kept | None:
    """Return an export's file, None where it is not kept."""
    return given.shelf.of(number, given.now_ms()) if given.shelf is not None else None


def the_shelf(given: Services) -> Shelf:
    """Return where files are kept.

    Raises:
        Problem: 503, nowhere in this process.

    """
    if given.shelf is None:
        raise Problem(503, "No files are made here; use `tallymast export` at the machine.")
    return given.shelf


def check_parquet() -> None:
    """Let pass only where Parquet can be written.

    Raises:
        Problem: 422, with what to install.

    """
    if not parquet_file.is_possible():
        raise Problem(422, parquet_file.MISSING)


def file_name(given: Services, params: Any) -> str:
    """Return what a file is called on the reader's disk: sites, days, resolution."""
    zone = find_zone(given.network().time_zone)
    sites = list(dict.fromkeys(word.partition("/")[0] for word in params["points"]))
    ends = (params["from_ms"], params["to_ms"] - 1)
    first, last = (datetime.fromtimestamp(ms / 1000, zone).date() for ms in ends)
    who = sites[0] if len(sites) == 1 else f"{len(sites)}-sites"
    return f"{who}-{first}-to-{last}-{params['resolution']}.{params['format']}"


# --- at once --------------------------------------------------------------------------


def _parted(words: list[str]) -> list[str]:
    return [one.strip() for word in words for one in word.split(",") if one.strip()]


def _headers(given: Services, extract: Extract, kind: Format) -> dict[str, str]:
    name = file_name(given, exports.params_of(extract, kind))
    return {"Content-Disposition": f'attachment; filename="{name}"'}


def _csv(given: Services, extract: Extract) -> Response:
    stream = _in_turn(csv_file.chunks(extract, stored.batches(given.database, extract)))
    first = next(stream)  # it has its turn now, or is refused before anything is sent
    return StreamingResponse(
        chain([first], stream),
        media_type=writing.MEDIA["csv"],
        headers=_headers(given, extract, "csv"),
    )


def _in_turn(chunks: Iterator[bytes]) -> Iterator[bytes]:
    if not _streams.acquire(blocking=False):
        raise Problem(503, _BUSY)
    try:
        yield from chunks
    finally:
        _streams.release()


def _packed(given: Services, person: Person, extract: Extract, kind: Format) -> Response:
    """Make a whole file, then send it; it has no name any more while it is sent."""
    if not person.may(Right.EXPORT):
        raise Problem(403, f"A file as {kind} is first made on the disk: sign in, or ask for csv.")
    rows = exports.rows_about(extract)
    if rows > MOST_AT_ONCE:
        raise Problem(422, f"About {rows} rows are too many to wait for: POST /api/v1/exports.")
    if kind == "parquet":
        check_parquet()
    with _MAKING.one():
        file, size = _made(given, extract, kind)
    headers = {**_headers(given, extract, kind), "Content-Length": str(size)}
    return StreamingResponse(_pieces(file), media_type=writing.MEDIA[kind], headers=headers)


def _made(given: Services, extract: Extract, kind: Format) -> tuple[BinaryIO, int]:
    folder = the_shelf(given).place(0, kind).parent
    with TemporaryDirectory(prefix=".now-", dir=folder) as beside:
        path = Path(beside) / f"export.{kind}"
        writing.write(kind, path, extract, stored.batches(given.database, extract))
        return path.open("rb"), path.stat().st_size


def _pieces(file: BinaryIO) -> Iterator[bytes]:
    with file:
        while piece := file.read(PIECE):
            yield piece
