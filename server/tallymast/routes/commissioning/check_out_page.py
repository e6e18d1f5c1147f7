"""The point check-out: every point live, beside what is applied, expected, and said of it."""

from typing import Annotated, Literal

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from markupsafe import Markup

from tallymast.domain.commissioning.loop_check import NotApplicable
from tallymast.domain.commissioning.point_tests import cautions_for
from tallymast.domain.commissioning.taking import (
    NOTE_LONGEST,
)
from tallymast.routes.api.acts import open_act
from tallymast.routes.api.finding import the_site
from tallymast.routes.commissioning import check_out
from tallymast.routes.commissioning.beginning import begin_form, begin_proof
from tallymast.routes.commissioning.check_out import CheckOut, tell_of
from tallymast.routes.commissioning.check_rows import Typed, Waiting, point_row, point_rows
from tallymast.routes.commissioning.live_points import (
    live_readings,
)
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import ThePerson
from tallymast.storage import proofs

router = APIRouter(include_in_schema=False)


@router.get("/sites/{key}/check-out")
def check_out_page(
    request: Request,
    key: str,
    given: Given,
    person: ThePerson,
    show: Show,
    tag: Annotated[str, Query(max_length=60)] = "",
    job: Annotated[int, Query(ge=0)] = 0,
    take: Annotated[str, Query(max_length=20)] = "",
    amount: Annotated[str, Query(max_length=40)] = "",
    unit: Annotated[str, Query(max_length=40)] = "",
) -> HTMLResponse:
    """Show the check-out that goes on, or the form that begins one."""
    plan = the_site(given.network(), key)
    found = check_out.going_on(given, plan)
    if found is None or not found.proof.at_site:  # without names: begun by what came before
        return begin_form(request, given, plan, person, show, None)
    if found.proof.made_ms is not None:
        return begin_form(request, given, plan, person, show, found.proof)
    waiting = Waiting(job, take, amount, unit) if job else None
    return show_check_out(request, given, show, found, tag=tag, waiting=waiting)


@router.get("/sites/{key}/check-out/live")
def live_part(key: str, given: Given, show: Show) -> HTMLResponse:
    """Answer what is read now of each point, and which states of contacts were seen."""
    plan = the_site(given.network(), key)
    found = check_out.going_on(given, plan)
    if found is None:
        return HTMLResponse("")
    clock, readings = show.clock(), live_readings(given, plan)
    parts = []
    for row in point_rows(found, readings):
        for name in ("now", *(("seen",) if row.states and not row.is_done else ())):
            html = show.fragment(f"partials/check_out_{name}.html", {"row": row, "clock": clock})
            parts.append(partial_of(f"{name}-{row.tag}", html))
    return HTMLResponse(Markup("").join(parts))


@router.post("/sites/{key}/check-out")
def begin(
    request: Request,
    key: str,
    given: Given,
    person: ThePerson,
    show: Show,
    at_site: Annotated[str, Form(max_length=80)],
    kind: Annotated[Literal["commissioning", "repair", "return"], Form()] = "commissioning",
    at_base: Annotated[str, Form(max_length=80)] = "",
    alone: Annotated[str, Form(max_length=NOTE_LONGEST)] = "",
) -> Response:
    """Begin a proof of all points of a site."""
    plan = the_site(given.network(), key)
    try:
        begin_proof(given, plan, person, kind, at_site=at_site, at_base=at_base, alone=alone)
    except NotApplicable as wrong:
        typed = {"kind": kind, "at_site": at_site, "at_base": at_base, "alone": alone}
        return begin_form(request, given, plan, person, show, None, str(wrong), typed)
    return RedirectResponse(f"/sites/{key}/check-out", 303)


@router.post("/sites/{key}/check-out/leave")
def leave(
    key: str, given: Given, person: ThePerson, sure: Annotated[bool, Form()] = False
) -> Response:
    """Give the proof up that goes on; it is kept and proves nothing."""
    plan = the_site(given.network(), key)
    if not sure:
        raise Problem(422, "Tick that you are sure; nothing was changed.")
    with given.database.writing() as connection:
        proof = proofs.open_of(connection, plan.site_id)
        if proof is None:
            raise Problem(409, f"No check-out of {plan.site.name} is going on.")
        proofs.leave(connection, proof, at_ms=given.now_ms())
        tell_of(connection, given, person, plan, "proof.leave", {"n": proof.id})
    return RedirectResponse(f"/sites/{key}/proofs", 303)


def partial_of(name: str, html: Markup) -> Markup:
    """Return markup that replaces the element of this name on an open page."""
    wrapped = Markup('<hx-partial hx-target="#{}" hx-swap="outerMorph">{}</hx-partial>')
    return wrapped.format(name, html)


def show_check_out(
    request: Request,
    given: Services,
    show: Screens,
    found: CheckOut,
    *,
    tag: str = "",
    wrong: str = "",
    waiting: Waiting | None = None,
    typed: Typed | None = None,
) -> HTMLResponse:
    """Show a check-out; one point perhaps with what was wrong or is waited for."""
    readings = live_readings(given, found.plan)
    person = request.state.person
    rows = [
        point_row(
            found,
            sheet,
            readings.get(sheet.point.tag),
            wrong=wrong if sheet.point.tag == tag else "",
            waiting=waiting if sheet.point.tag == tag else None,
            typed=typed if sheet.point.tag == tag else None,
        )
        for sheet in found.sheets
    ]
    context = {
        "key": found.plan.site.key,
        "site": found.plan.site,
        "found": found,
        "proof": found.proof,
        "rows": rows,
        "may": person.may("prove"),
        "act": open_act(given, found.plan),
        "cautions": cautions_for(found.plan.site),
        "noted": found.plan.site.cautions,
    }
    return show.page(request, "check_out.html", context, 422 if wrong else 200)
