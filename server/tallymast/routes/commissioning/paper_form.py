"""A blank form for a site without coverage, and entering later what was written on it."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.commissioning.loop_check import (
    FIVE,
    NotApplicable,
    applied_at,
    expected_for,
    units_for,
)
from tallymast.domain.commissioning.paper import Mistaken, fields_of, steps_of
from tallymast.domain.commissioning.point_tests import (
    Method,
    Way,
    cautions_for,
    method_of,
    state_words,
)
from tallymast.domain.commissioning.steps import Phase
from tallymast.domain.local_times import local_time
from tallymast.domain.model import Point, SitePlan
from tallymast.domain.people import plain
from tallymast.domain.zones import find_zone
from tallymast.routes.api.finding import the_site
from tallymast.routes.commissioning.beginning import KINDS, begin_proof
from tallymast.routes.commissioning.step_rows import KIND_WORDS, amount_words, fine
from tallymast.routes.formats import iso
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.still_clock import StillClock
from tallymast.routes.who import LOCAL, Person, ThePerson

router = APIRouter(include_in_schema=False)

_MOST_TEXT: Final = 2000
_OWN: Final = ("kind", "made", "at_site", "at_base", "alone", "instruments", "note")


@dataclass(frozen=True, slots=True)
class Place:
    """One place for values: what is applied, what has to be shown, and the fields' names."""

    applied: str
    expected: str
    found: str
    left: str


@dataclass(frozen=True, slots=True)
class PaperPoint:
    """One point of a form."""

    point: Point
    kind: str
    method: Method
    unit: str
    states: tuple[str, ...]
    places: tuple[Place, ...]


@router.get("/sites/{key}/check-out/paper")
def paper(request: Request, key: str, given: Given, show: Show) -> HTMLResponse:
    """Show a blank form to be printed."""
    plan = the_site(given.network(), key)
    zone = find_zone(given.network().time_zone)
    context = {
        "key": key,
        "site": plan.site,
        "gateway": given.network().gateway_of(plan.site_id).gateway,
        "points": paper_points(plan),
        "cautions": cautions_for(plan.site),
        "clock": StillClock(zone, given.now_ms()),
        "zone": given.network().time_zone,
        "revision": given.network().revision_id,
    }
    return show.page(request, "paper_form.html", context)


@router.get("/sites/{key}/check-out/from-paper")
def from_paper(
    request: Request, key: str, given: Given, person: ThePerson, show: Show
) -> HTMLResponse:
    """Show the form by which a filled-in sheet is entered."""
    plan = the_site(given.network(), key)
    return _form(request, given, plan, person, show, {}, ())


async def written(request: Request) -> dict[str, str]:
    """Return what was typed into the form, by the names of its fields."""
    form = await request.form()
    return {name: value[:_MOST_TEXT] for name, value in form.items() if isinstance(value, str)}


Written = Annotated[dict[str, str], Depends(written)]


@router.post("/sites/{key}/check-out/from-paper")
async def enter(
    request: Request, key: str, given: Given, person: ThePerson, show: Show, typed: Written
) -> Response:
    """Keep a filled-in sheet as a proof that is still to be signed; nothing of it while wrong."""
    plan = the_site(given.network(), key)
    return await run_in_threadpool(_enter, request, given, plan, person, show, typed)


def _enter(
    request: Request,
    given: Services,
    plan: SitePlan,
    person: Person,
    show: Screens,
    typed: Mapping[str, str],
) -> Response:
    zone, wrong = find_zone(given.network().time_zone), []
    made_ms = 0
    try:
        made_ms = made_at(typed.get("made", ""), zone, given.now_ms())
    except NotApplicable as error:
        wrong.append(str(error))
    actor = plain(typed.get("at_site", ""), 60) or person.name
    try:
        steps = steps_of(plan.site.points, typed, at_ms=made_ms, actor=actor)
    except Mistaken as error:
        wrong += error.sentences
    if wrong:
        return _form(request, given, plan, person, show, typed, wrong)
    entered = {"by": person.name, "at": iso(given.now_ms())}
    more = {"entered": entered, "instruments": plain(typed.get("instruments", ""), 300)}
    try:
        proof = begin_proof(
            given,
            plan,
            person,
            typed["kind"] if typed.get("kind") in KINDS else "commissioning",
            at_site=typed.get("at_site", ""),
            at_base=typed.get("at_base", ""),
            alone=typed.get("alone", ""),
            more=more,
            made_ms=made_ms,
            steps=steps,
            note=plain(typed.get("note", ""), _MOST_TEXT),
        )
    except NotApplicable as error:
        return _form(request, given, plan, person, show, typed, [str(error)])
    return RedirectResponse(f"/proofs/{proof.id}", 303)


def made_at(text: str, zone: tzinfo, now_ms: int) -> int:
    """Return when a sheet was filled in [UTC ms], from ``2026-03-12T09:40`` on a wall clock.

    Raises:
        NotApplicable: no time, or one that has not come yet.

    """
    try:
        local = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise NotApplicable("Write when it was done: day and time at the site.") from error
    if local.tzinfo is not None or not 2000 <= local.year <= 9000:
        raise NotApplicable("Write when it was done as day and time on the site's wall clock.")
    at_ms = round(local.replace(tzinfo=zone).astimezone(UTC).timestamp() * 1000)
    if at_ms > now_ms:
        raise NotApplicable("What is written on paper was done before now; this time is to come.")
    return at_ms


def paper_points(plan: SitePlan) -> tuple[PaperPoint, ...]:
    """Return what a form has of each point."""
    return tuple(_paper_point(point) for point in plan.site.points)


def _paper_point(point: Point) -> PaperPoint:
    method = method_of(point)
    ends = zip(fields_of(point, Phase.AS_FOUND), fields_of(point, Phase.AS_LEFT), strict=True)
    names = [(found.name, left.name) for found, left in ends]
    if method.way is Way.FIVE:
        amounts = [applied_at(point, percent) for percent in FIVE]
        places = tuple(
            Place(amount_words(point, one), fine(expected_for(point, one), point), found, left)
            for one, (found, left) in zip(amounts, names, strict=True)
        )
    else:
        places = tuple(Place("", "", found, left) for found, left in names)
    return PaperPoint(
        point,
        KIND_WORDS[point.kind],
        method,
        "" if method.way is Way.COUNT else units_for(point)[0],
        state_words(point) if method.way is Way.STATES else (),
        places,
    )


def _form(
    request: Request,
    given: Services,
    plan: SitePlan,
    person: Person,
    show: Screens,
    typed: Mapping[str, str],
    wrong: object,
) -> HTMLResponse:
    zone = given.network().time_zone
    base = "" if person.name == LOCAL else person.name
    defaults = dict.fromkeys(_OWN, "") | {"kind": "commissioning", "at_base": base}
    latest = local_time(given.now_ms(), find_zone(zone))
    context = {
        "key": plan.site.key,
        "site": plan.site,
        "kinds": KINDS,
        "points": paper_points(plan),
        "typed": {**defaults, **typed},
        "wrong": wrong,
        "zone": zone,
        "latest": f"{latest:%Y-%m-%dT%H:%M}",
        "may": person.may("prove"),
    }
    return show.page(request, "paper_form_enter.html", context, 422 if wrong else 200)
