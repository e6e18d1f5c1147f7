"""How the record is kept: sizes, growth, room, backups, and how long polls stay."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.audit import Act
from tallymast.domain.errors import ConfigError
from tallymast.domain.keeping import (
    GRACE_MS,
    SHORTEST_KEPT,
    CopyPlan,
    Keeping,
    checked_days,
    checked_plan,
    days_left,
)
from tallymast.domain.model import Job
from tallymast.domain.telling.settings import KEPT_DAYS as MESSAGES_KEPT
from tallymast.routes.formats import big, span_words
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import jobs, keeping
from tallymast.storage.ack_links import KEPT_DAYS as LINKS_KEPT
from tallymast.storage.copies import Copy, copies_in
from tallymast.storage.keeping import Attempt, Measured

router = APIRouter(include_in_schema=False)

_SHOWN = 30


@dataclass(frozen=True, slots=True)
class Kept:
    """All that the page and the API tell of how the record is kept."""

    measured: Measured | None
    last: Attempt | None
    good: Attempt | None
    plan: CopyPlan
    keeping: Keeping
    job: Job | None

    @property
    def days_left(self) -> float | None:
        """For how many days the disk has room, None where that is not known."""
        if self.measured is None:
            return None
        sizes = self.measured.sizes
        if sizes.free is None or sizes.growth is None:
            return None
        return days_left(sizes.free + sizes.unused, sizes.growth)


def read_kept(given: Services) -> Kept:
    """Return how the record is kept now."""
    with given.database.reading() as connection:
        last, good = keeping.load_attempts(connection)
        newest = [
            *jobs.newest(connection, "backup", 1),
            *jobs.newest(connection, "measure", 1),
        ]
        return Kept(
            keeping.load_sizes(connection),
            last,
            good,
            keeping.load_plan(connection),
            keeping.load_keeping(connection),
            max(newest, key=lambda job: job.id, default=None),
        )


@router.get("/storage")
def storage_page(request: Request, given: Given, show: Show) -> HTMLResponse:
    """Show what the record takes, how long there is room, and its backups."""
    kept = read_kept(given)
    return show.page(
        request,
        "storage.html",
        {
            "kept": kept,
            "headline": headline(kept),
            "rows": rows(kept),
            "copies": _copies(kept)[:_SHOWN],
            "is_file": given.database.file is not None,
            "shortest": SHORTEST_KEPT,
            "messages_kept": MESSAGES_KEPT,
            "links_kept": LINKS_KEPT,
            "trouble": given.report_trouble(),
            "anew": False,
            **_job(given, kept),
        },
    )


@router.get("/storage/job")
def storage_job(given: Given, show: Show) -> HTMLResponse:
    """Return what becomes of a backup or a measurement that is under way."""
    context = {"clock": show.clock(), "anew": True, **_job(given, read_kept(given))}
    return HTMLResponse(show.fragment("partials/storage_job.html", context))


def _job(given: Services, kept: Kept) -> dict[str, object]:
    job = kept.job
    at_work = job is not None and job.done_ms is None
    is_shown = job is not None and (at_work or given.now_ms() - (job.done_ms or 0) < GRACE_MS)
    return {"job": job if is_shown else None, "at_work": at_work}


def headline(kept: Kept) -> str:
    """Return what the record takes and for how long there is room, in sentences."""
    if kept.measured is None:
        return "What the record takes is measured a few seconds after the start."
    sizes = kept.measured.sizes
    said = f"The record takes {big(sizes.file)}"
    if sizes.growth is None:
        return f"{said}; what a day adds is known after the first whole day."
    said += f"; a day adds {big(sizes.growth)}"
    if sizes.free is None:
        return f"{said}. The room on its disk is known to the database server alone."
    left = kept.days_left
    if left is None:
        return f"{said}."
    return f"{said}, and its disk has {big(sizes.free)} free: room for {span_words(left)}."


def rows(kept: Kept) -> Sequence[tuple[str, int, float]]:
    """Return what takes how many bytes, and which share of the whole."""
    if kept.measured is None:
        return []
    sizes = kept.measured.sizes
    whole = max(sizes.file, 1)
    found = sorted(sizes.tables.items(), key=lambda item: -item[1])
    if sizes.unused:
        found.append(("free inside the file, to be used again", sizes.unused))
    return [(words, size, size / whole) for words, size in found]


def _copies(kept: Kept) -> list[Copy]:
    folder = kept.good.folder if kept.good else kept.last.folder if kept.last else ""
    return copies_in(Path(folder)) if folder else []


# --- changing it ------------------------------------------------------------------------


@router.post("/storage/backup")
def back_up(given: Given, person: ThePerson) -> Response:
    """Ask for a backup now."""
    return _ask(given, person, "backup", Act("backup.ask", "record", "backup"))


@router.post("/storage/measure")
def measure(given: Given, person: ThePerson) -> Response:
    """Ask for the sizes to be taken anew."""
    return _ask(given, person, "measure", None)


def _ask(given: Services, person: Any, kind: str, act: Act | None) -> Response:
    with given.database.writing() as connection:
        busy = [job for job in jobs.newest(connection, kind, 1) if job.done_ms is None]
        if not busy:
            if act is not None:
                tell(connection, given, person, act)
            jobs.ask(connection, kind, actor=person.name, at_ms=given.now_ms())
    return RedirectResponse("/storage", 303)


@router.post("/storage/plan")
def change_plan(
    given: Given,
    person: ThePerson,
    at: Annotated[str, Form(max_length=10)] = "",
    days: Annotated[int, Form()] = 7,
    weeks: Annotated[int, Form()] = 4,
    months: Annotated[int, Form()] = 6,
) -> Response:
    """Change when backups are made and how many stay."""
    plan = _right(lambda: checked_plan(at, days, weeks, months))
    with given.database.writing() as connection:
        before = keeping.load_plan(connection)
        if plan != before:
            keeping.keep_plan(connection, plan)
            act = Act(
                "backup.plan",
                "record",
                "backup",
                asdict(before),
                {**asdict(plan), "words": plan.words()},
            )
            tell(connection, given, person, act)
    return RedirectResponse("/storage", 303)


@router.post("/storage/polls")
def change_keeping(
    given: Given, person: ThePerson, days: Annotated[str, Form(max_length=10)] = ""
) -> Response:
    """Change how long polls are kept; a shorter time begins a day later."""
    wanted = _right(lambda: checked_days(days))
    with given.database.writing() as connection:
        before = keeping.load_keeping(connection)
        if wanted != before.days:
            changed = replace(before, days=wanted, from_ms=given.now_ms() + GRACE_MS)
            keeping.keep_keeping(connection, changed)
            act = Act(
                "polls.keep",
                "record",
                "polls",
                {"days": before.days},
                {"days": wanted, "words": changed.words()},
            )
            tell(connection, given, person, act)
    return RedirectResponse("/storage", 303)


def _right(check: Any) -> Any:
    try:
        return check()
    except ConfigError as error:
        raise Problem(422, str(error)) from error
