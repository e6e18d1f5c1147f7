"""The page of one finding: why a cause is named, where to see it, which check decides."""

import re
from typing import Final

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from tallymast.domain.health.diagnosis.model import Diagnosis
from tallymast.routes.evidence_figure import figure
from tallymast.routes.evidence_reading import read_picture
from tallymast.routes.evidence_view import evidence_view
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.security import CHARTS, extend_policy
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.still_clock import StillClock

_KEY: Final = re.compile(r"[a-z][a-z-]*?-(gateway-)?(\d{1,9})(-.{1,60})?")

router = APIRouter(include_in_schema=False)


@router.get("/findings/{key}")
def finding_page(request: Request, key: str, given: Given, show: Show) -> HTMLResponse:
    """Show one finding that is named now; of one that is over, that it is."""
    one = named(given, key)
    if one is None:
        return _over(request, key, given, show)
    return page_of(request, given, show, one, f"/findings/{key}/chart.json")


@router.get("/findings/{key}/chart.json")
def finding_chart(key: str, given: Given) -> Response:
    """Return the figure of a finding that is named now."""
    one = named(given, key)
    if one is None:
        raise Problem(404, f"The finding {key!r} is not named any more; there is no chart of it.")
    return figure_of(given, one)


def named(given: Services, key: str) -> Diagnosis | None:
    """Return the finding of this key, None where it is not named now."""
    return next((one for one in given.causes() if one.key == key), None)


def page_of(
    request: Request,
    given: Services,
    show: Screens,
    one: Diagnosis,
    address: str,
    ended_ms: int | None = None,
) -> HTMLResponse:
    """Return the page of a finding, named now or once.

    Args:
        request: the request.
        given: what the application was created with.
        show: renders.
        one: the finding.
        address: where its figure is answered.
        ended_ms: when it was named no more; None: it is named now.

    """
    extend_policy(request, CHARTS)
    clock = StillClock(show.clock().zone, given.now_ms())
    with given.database.reading() as conn:
        view = evidence_view(conn, given.network(), one, clock, address, ended_ms)
    return show.page(request, "finding.html", {"clock": clock, "view": view, "diagnosis": one})


def figure_of(given: Services, one: Diagnosis, ended_ms: int | None = None) -> Response:
    """Return the answer with a finding's figure."""
    now_ms = given.now_ms() if ended_ms is None else ended_ms
    with given.database.reading() as conn:
        picture, what = read_picture(conn, given.network(), one, now_ms)
    return Response(figure(picture, what.zone), media_type="application/json")


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
