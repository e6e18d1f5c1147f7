"""The page of one finding: why a cause is named, where to see it, which check decides."""

import re
from typing import Annotated, Final

from fastapi import APIRouter, Path, Request, Response
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from tallymast.domain.health.diagnosis.model import Diagnosis
from tallymast.routes.evidence_figure import figure
from tallymast.routes.evidence_reading import read_picture
from tallymast.routes.evidence_view import evidence_view
from tallymast.routes.finding_rows import words_panel
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.security import CHARTS, extend_policy
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.still_clock import StillClock
from tallymast.routes.who import Person, ThePerson
from tallymast.storage.findings import KeptFinding, of_id, open_one

_KEY: Final = re.compile(r"[a-z][a-z-]*?-(gateway-)?(\d{1,9})(-.{1,60})?")

Number = Annotated[int, Path(ge=1, lt=2**62)]

router = APIRouter(include_in_schema=False)


@router.get("/findings/{key}")
def finding_page(
    request: Request, key: str, given: Given, person: ThePerson, show: Show
) -> HTMLResponse:
    """Show one finding that is named now; of one that is over, that it is."""
    one = _named(given, key)
    if one is None:
        return _over(request, key, given, show)
    with given.database.reading() as conn:
        kept = open_one(conn, one)
        context = _context(conn, given, show, one, kept, person)
        view = evidence_view(conn, given.network(), one, _clock(given, show), _figure_of(key))
    return _page(request, show, {**context, "view": view})


@router.get("/findings/{key}/chart.json")
def finding_chart(key: str, given: Given) -> Response:
    """Return the figure of a finding that is named now."""
    one = _named(given, key)
    if one is None:
        raise Problem(404, f"The finding {key!r} is not named any more; there is no chart of it.")
    return _figure(given, one)


@router.get("/findings/past/{number}")
def past_finding_page(
    request: Request, number: Number, given: Given, person: ThePerson, show: Show
) -> HTMLResponse:
    """Show one finding as it was told when it was named last."""
    kept = _kept(given, number)
    with given.database.reading() as conn:
        context = _context(conn, given, show, kept.told, kept, person)
        address = _figure_of(f"past/{number}")
        clock = _clock(given, show)
        view = evidence_view(conn, given.network(), kept.told, clock, address, kept.until_ms)
    return _page(request, show, {**context, "view": view})


@router.get("/findings/past/{number}/chart.json")
def past_finding_chart(number: Number, given: Given) -> Response:
    """Return the figure of a finding that was kept."""
    kept = _kept(given, number)
    return _figure(given, kept.told, kept.until_ms)


# --- what they share ------------------------------------------------------------------------


def _named(given: Services, key: str) -> Diagnosis | None:
    return next((one for one in given.causes() if one.key == key), None)


def _kept(given: Services, number: int) -> KeptFinding:
    with given.database.reading() as conn:
        kept = of_id(conn, number)
    if kept is None:
        raise Problem(404, f"There is no finding {number} in the history.")
    return kept


def _context(
    conn: Connection,
    given: Services,
    show: Screens,
    one: Diagnosis,
    kept: KeptFinding | None,
    person: Person,
) -> dict[str, object]:
    """Return the page's clock, and what visitors said of a finding."""
    clock = _clock(given, show)
    panel = words_panel(
        conn,
        kept,
        site_id=one.site_ids[0] if one.site_ids else None,
        network=given.network(),
        clock=clock,
        may_write=person.may("note"),
    )
    return {**panel, "clock": clock}


def _clock(given: Services, show: Screens) -> StillClock:
    return StillClock(show.clock().zone, given.now_ms())


def _figure_of(page: str) -> str:
    return f"/findings/{page}/chart.json"


def _page(request: Request, show: Screens, context: dict[str, object]) -> HTMLResponse:
    extend_policy(request, CHARTS)
    return show.page(request, "finding.html", context)


def _figure(given: Services, one: Diagnosis, ended_ms: int | None = None) -> Response:
    with given.database.reading() as conn:
        picture, what = read_picture(conn, given.network(), one, given.now_ms(), ended_ms)
    return Response(figure(picture, what.zone), media_type="application/json")


# --- over -----------------------------------------------------------------------------------


def _over(request: Request, key: str, given: Services, show: Screens) -> HTMLResponse:
    """Say calmly that a finding is not named any more."""
    place = _KEY.fullmatch(key)
    context = _place(given.network(), place) if place else None
    if context is None:
        raise Problem(404, f"There is no finding {key!r}, and never was one: look at the round.")
    return show.page(request, "finding_over.html", context)


def _place(network: NetworkView, place: re.Match[str]) -> dict[str, object] | None:
    """Return where a finding was, None where there is no such place."""
    number = int(place[2])
    if place[1]:
        gateways = [one.gateway for one in network.gateways if one.gateway_id == number]
        return {"site": None, "gateway": gateways[0]} if gateways else None
    sites = [plan.site for plan in network.sites if plan.site_id == number]
    return {"site": sites[0], "gateway": None} if sites else None
