"""Tries a draft against a live station before it is stored: reads only, and shows what came."""

from dataclasses import dataclass
from typing import Final

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain import network_file
from tallymast.domain.audit import Act
from tallymast.domain.grammar.reference import notation
from tallymast.domain.model import Job, Point, Quality, Site
from tallymast.domain.network_file import Written
from tallymast.domain.setup.form_mistakes import Sorted
from tallymast.domain.setup.things import Thing, find
from tallymast.domain.setup.trials import Trial, Tried, trial_again, trial_of, tried
from tallymast.routes.formats import value_words
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.setup.answering import Asked, again
from tallymast.routes.setup.forms import Attempt, Typed, attempt
from tallymast.routes.setup.point_form import point_asked
from tallymast.routes.setup.point_rows import wire_of
from tallymast.routes.setup.profile_form import profile_asked
from tallymast.routes.setup.site_point_form import site_point_asked
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import jobs

router = APIRouter(include_in_schema=False)

NO_POINTS: Final = "There is no point to read yet: store the profile, add a point, and try that."


@dataclass(frozen=True, slots=True)
class Where:
    """At which station a draft is tried, as it was chosen."""

    gateway: str
    unit: object
    site: Site | None
    words: str


@dataclass(frozen=True, slots=True)
class Row:
    """What became of one point, as it is shown."""

    point: Point
    wire: str
    listed: str
    raw: str
    value: str
    note: str
    is_wrong: bool


@router.post("/setup/profiles/{key}/try")
def try_profile(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Try a profile as it stands in its form."""
    return _try(profile_asked(request, given, show, person, key, texts), key)


@router.post("/setup/profiles/{key}/points/new/try")
def try_new_point(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Try a profile with a point that is not stored yet."""
    return _try(point_asked(request, given, show, person, key, "", texts), key)


@router.post("/setup/profiles/{key}/points/{tag}/try")
def try_point(
    request: Request, key: str, tag: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Try a profile with a point as it stands in its form."""
    return _try(point_asked(request, given, show, person, key, tag, texts), key)


@router.post("/setup/sites/{key}/points/new/try")
def try_new_site_point(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Try a site's own point at that site."""
    return _try(site_point_asked(request, given, show, person, key, "", texts), "")


@router.post("/setup/sites/{key}/points/{tag}/try")
def try_site_point(
    request: Request, key: str, tag: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Try a site's point as it stands in its form, at that site."""
    return _try(site_point_asked(request, given, show, person, key, tag, texts), "")


@router.get("/setup/tries/{number}")
def show_try(request: Request, number: int, given: Given, show: Show) -> HTMLResponse:
    """Show what a station answered to a draft."""
    job = _job(given, number)
    context = {**_context(given, job), "form": job.params.get("form", "/setup")}
    typed = job.params.get("typed", {})
    return show.page(request, "setup_try.html", {**context, "fields": typed})


@router.get("/setup/tries/{number}/rows")
def try_rows(number: int, given: Given, show: Show) -> HTMLResponse:
    """Return the same as a fragment, for a page that waits."""
    return _fragment(given, show, _job(given, number))


def _try(asked: Asked, profile: str) -> Response:
    """Store a job for the poller; the form's mistakes come first."""
    texts = {key: text for key, text in asked.texts.items() if key not in ("step", "codes")}
    done = attempt(asked.given, asked.form, texts, {}, False)
    if done.wrong.count:
        return again(asked, done.wrong)
    where = _where(asked, profile)
    trial = where if isinstance(where, str) else _trial(asked, done, where)
    if isinstance(trial, str) or isinstance(where, str):
        return again(asked, Sorted(here=(str(trial),)))
    job = _ask(asked, trial, where, texts)
    if asked.request.headers.get("hx-request"):
        return _fragment(asked.given, asked.show, job)
    return RedirectResponse(f"/setup/tries/{job.id}", 303)


def _where(asked: Asked, profile: str) -> Where | str:
    """Return where the draft is tried, or a sentence what has to be chosen."""
    form = asked.form
    network = network_file.build(form.written, "")
    chosen = asked.texts.get("try.site", "") if profile else form.thing.key
    site = next((one for one in network.sites if one.key == chosen), None)
    if site is not None:
        return Where(site.gateway, site.unit, site, f"{site.name}, unit {site.unit}")
    if not profile:
        return "A retired site is not asked any more."
    gateway, unit = asked.texts.get("try.gateway", ""), asked.texts.get("try.unit", "").strip()
    if not gateway or not unit.isdecimal():
        return "Choose a site to try it at, or a gateway and a unit address."
    there = (one for one in network.sites if (one.gateway, one.unit) == (gateway, int(unit)))
    return Where(gateway, int(unit), next(there, None), f"unit {int(unit)} behind {gateway}")


def _trial(asked: Asked, done: Attempt, where: Where) -> Trial | str:
    thing = asked.form.thing
    own: list[Written] = []
    profile = str(done.body.get("key", thing.key)) if not thing.is_point else thing.key
    if thing.table == "site":
        body = find(done.after, Thing("site", thing.key)) or {}
        own, profile = body.get("point", []), str(body.get("profile"))
    elif not (find(done.after, Thing("profile", profile)) or {}).get("point"):
        return NO_POINTS
    return trial_of(done.after, profile, where.gateway, where.unit, where.site, own)


def _ask(asked: Asked, trial: Trial, where: Where, texts: dict[str, str]) -> Job:
    given, person = asked.given, asked.person
    plan = given.network().gateway(where.gateway)
    if plan is None:
        raise Problem(409, "This gateway was made only now; try again in a moment.")
    params = {
        "unit": where.unit,
        "blocks": [[str(one.table), one.start, one.count] for one in trial.blocks],
        "timeout_s": trial.site.reply_timeout_s,
        "draft": trial.written,
        "where": where.words,
        "form": asked.form.path,
        "typed": texts,
    }
    after = {"unit": where.unit}
    act = Act("profile.try", "gateway", where.gateway, {}, after, plan.gateway.name)
    with given.database.writing() as connection:
        tell(connection, given, person, act)
        return jobs.ask(
            connection,
            "try",
            gateway_id=plan.gateway_id,
            actor=person.name,
            at_ms=given.now_ms(),
            params=params,
        )


def _job(given: Services, number: int) -> Job:
    with given.database.reading() as connection:
        job = jobs.job(connection, number)
    if job is None or job.kind != "try" or "draft" not in job.params:
        raise Problem(404, "There is no such trial; it may have been cleared away. Try again.")
    return job


def _fragment(given: Services, show: Screens, job: Job) -> HTMLResponse:
    context = {**_context(given, job), "clock": show.clock()}
    return HTMLResponse(show.fragment("partials/setup_tried.html", context))


def _context(given: Services, job: Job) -> dict[str, object]:
    with given.database.reading() as connection:
        found = jobs.rows(connection, job.id)
    trial = trial_again(job.params["draft"], job.params["blocks"])
    at_ms = job.done_ms or given.now_ms()
    rows = [_row(one) for one in tried(trial, found, at_ms)]
    return {
        "number": job.id,
        "where": job.params["where"],
        "state": job.state.value,
        "asked_ms": job.asked_ms,
        "is_over": job.done_ms is not None,
        "result": job.result,
        "rows": rows,
        "answered": len([row for row in found if row.get("heard") == "answer"]),
        "blocks": len(trial.blocks),
    }


def _row(one: Tried) -> Row:
    point, reading = one.point, one.reading
    is_known = reading is not None and reading.quality is not Quality.NONE
    note = one.said or (reading.reason if reading is not None else "")
    return Row(
        point,
        wire_of(point),
        notation(point.table, point.register),
        one.raw,
        value_words(reading, point) if reading is not None else "",
        note,
        bool(one.said) or (reading is not None and not is_known),
    )
