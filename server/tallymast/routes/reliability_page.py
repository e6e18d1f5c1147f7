"""Reliability: can I trust it? All sites, one of them, some side by side; and as a file."""

from collections.abc import Mapping, Sequence
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse

from tallymast.domain.model import SitePlan
from tallymast.domain.record.days import date_of
from tallymast.domain.zones import find_zone
from tallymast.routes.api.finding import the_gateway, the_site
from tallymast.routes.log_book import read_log
from tallymast.routes.problems import Problem
from tallymast.routes.reliability_bars import draw_bars
from tallymast.routes.reliability_columns import columns_of, then_and_now
from tallymast.routes.reliability_crowds import crowds
from tallymast.routes.reliability_file import file_name, lines
from tallymast.routes.reliability_grid import Grid, draw_grid, scale_of
from tallymast.routes.reliability_periods import PERIODS, Period, Wish, the_period
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.reliability_report import Report, SiteReport
from tallymast.routes.reliability_rows import HEADS, SHOWN, ordered, row
from tallymast.routes.reliability_shelf import TheReports
from tallymast.routes.reliability_words import (
    apart,
    common_lines,
    headline,
    loss_words,
    outage_lines,
    site_headline,
    span_words,
    unknown,
)
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, NetworkView, Services

FEWEST, MOST = 2, 4  # sites side by side
Context = dict[str, object]

router = APIRouter(include_in_schema=False)
Asked = Annotated[Wish, Query()]


@router.get("/reliability")
def reliability_page(
    request: Request, given: Given, made: TheReports, show: Show, wish: Asked
) -> HTMLResponse:
    """Show every site's contact in a period against the one before."""
    network = given.network()
    own, places = sites_of(network, wish.where), _places(network)
    try:
        period = the_period(wish, contract_of(network), given.now_ms())
    except Problem as problem:
        return _refused(request, show, "reliability.html", given, wish, problem, places=places)
    report = made.of(period, own)
    sites = ordered(report.sites, wish.order)
    context = {
        **_frame(given, wish, period, places=places),
        "headline": headline(report),
        "apart": apart(report),
        "unknown": unknown(report),
        "before": period.before,
        "heads": _heads(wish),
        "rows": [row(one, period) for one in sites],
        "hidden": sorted(_query(wish, order="").items()),
        "common": common_lines(report),
        "losses": loss_words(report.losses),
        "crowds": crowds(report, find_zone(network.time_zone)),
        "grid": _grid(given, report),
        "outages": outage_lines(report, SHOWN),
        "outage_total": len(report.outages),
    }
    return show.page(request, "reliability.html", context)


@router.get("/reliability.csv")
def reliability_file(given: Given, made: TheReports, wish: Asked) -> Response:
    """Return the same figures as a table, a row a site."""
    network = given.network()
    period = the_period(wish, contract_of(network), given.now_ms())
    report = made.of(period, sites_of(network, wish.where))
    body = lines(report, ordered(report.sites, wish.order))
    headers = {"Content-Disposition": f'attachment; filename="{file_name(period)}"'}
    return Response(body, media_type="text/csv; charset=utf-8", headers=headers)


@router.get("/reliability/compare")
def compare_page(
    request: Request,
    given: Given,
    made: TheReports,
    show: Show,
    wish: Asked,
    site: Annotated[list[str], Query(max_length=300)] = [],  # noqa: B006 - read, never changed
) -> HTMLResponse:
    """Show two to four sites side by side."""
    keys = list(dict.fromkeys(site))
    try:
        own = [the_site(given.network(), key) for key in keys]
        if not FEWEST <= len(own) <= MOST:
            raise Problem(422, f"Two to four sites can stand side by side; {len(own)} are chosen.")
        period = the_period(wish, contract_of(given.network()), given.now_ms())
    except Problem as problem:
        context: Context = {"names": [], "chosen": keys}
        return _refused(request, show, "reliability_compare.html", given, wish, problem, **context)
    report = made.of(period, own)
    scale = scale_of([one.hours.cells for one in report.sites])
    context = {
        **_frame(given, wish, period, chosen=keys, action="/reliability/compare"),
        "names": [one.site.name for one in own],
        "columns": columns_of(report.sites, period),
        "grids": [(one.site.name, _site_grid(given, one, period, scale)) for one in report.sites],
    }
    return show.page(request, "reliability_compare.html", context)


@router.get("/reliability/{key}")
def site_reliability_page(
    key: str, request: Request, given: Given, made: TheReports, show: Show, wish: Asked
) -> HTMLResponse:
    """Show one site's contact in a period and in the one before."""
    plan = the_site(given.network(), key)
    action = f"/reliability/{key}"
    try:
        period = the_period(wish, contract_of(given.network()), given.now_ms())
    except Problem as problem:
        context: Context = {"site": plan.site, "action": action}
        return _refused(request, show, "reliability_site.html", given, wish, problem, **context)
    report = made.of(period, [plan])
    (one,) = report.sites
    context = {
        **_frame(given, wish, period, action=action),
        "site": plan.site,
        "headline": site_headline(one, report),
        "apart": apart(report),
        "unknown": unknown(report),
        "columns": then_and_now(one, period),
        "crowds": crowds(report, find_zone(given.network().time_zone)),
        "grid": _site_grid(given, one, period),
        "bars": draw_bars(one.hours.answers, one.now.answers),
        "outages": outage_lines(report, None, read_log(given, plan)),
        "export": _export(plan, period),
    }
    return show.page(request, "reliability_site.html", context)


# --- whose, and when --------------------------------------------------------------------


def sites_of(network: NetworkView, where: str) -> list[SitePlan]:
    """Return the sites a choice names: all, those of a gateway, those of an area.

    Raises:
        Problem: 404, no such gateway or area.

    """
    kind, _, name = where.partition(":")
    if not where:
        return list(network.sites)
    if kind == "gateway":
        return list(the_gateway(network, name).sites)
    found = [one for one in network.sites if kind == "area" and one.site.area == name]
    if not found:
        raise Problem(404, f"There is no area {name or where!r}.")
    return found


def _places(network: NetworkView) -> list[tuple[str, list[tuple[str, str]]]]:
    areas = sorted({one.site.area for one in network.sites if one.site.area})
    gateways = [(f"gateway:{one.gateway.key}", one.gateway.name) for one in network.gateways]
    return [("Gateways", gateways), ("Areas", [(f"area:{area}", area) for area in areas])]


# --- what every such page has -----------------------------------------------------------


def _frame(
    given: Services,
    wish: Wish,
    period: Period | None,
    *,
    places: Sequence[object] = (),
    chosen: Sequence[str] = (),
    action: str = "/reliability",
) -> Context:
    network = given.network()
    zone = find_zone(network.time_zone)
    return {
        "wish": wish,
        "wrong": "",
        "periods": PERIODS,
        "places": places,
        "chosen": chosen,
        "action": action,
        "today": date_of(given.now_ms(), contract_of(network)).isoformat(),
        "span_words": span_words(period, zone, given.now_ms()) if period else "",
        "query": urlencode(_query(wish, order="")),
        "file": f"/reliability.csv?{urlencode(_query(wish))}",
        "report": f"/reports/reliability?{urlencode(_query(wish, order=''))}",
    }


def _refused(
    request: Request,
    show: Screens,
    template: str,
    given: Services,
    wish: Wish,
    problem: Problem,
    **more: object,
) -> HTMLResponse:
    context = {**_frame(given, wish, None), **more, "wrong": problem.detail}
    return show.page(request, template, context, problem.status)


def _query(wish: Wish, **change: str) -> dict[str, str]:
    """Return what of a wish differs from what is shown unasked."""
    asked = {
        "period": wish.name,
        "from": wish.begin if wish.name == "days" else "",
        "to": wish.end if wish.name == "days" else "",
        "where": wish.where,
        "order": "" if wish.order == "worst" else wish.order,
        **change,
    }
    return {name: value for name, value in asked.items() if value}


def _heads(wish: Wish) -> list[Mapping[str, str]]:
    shown = "answered" if wish.order == "worst" else wish.order
    return [
        {
            "words": words,
            "order": order,
            "query": urlencode(_query(wish, order=order)),
            "sorted": _direction(order) if order == shown else "",
        }
        for words, order in HEADS
    ]


def _direction(order: str) -> str:
    return "descending" if order in ("outages", "p95") else "ascending"


def _grid(given: Services, report: Report) -> Grid:
    span = report.period.from_ms, report.period.to_ms
    return draw_grid(report.at_ms, report.cells, span, find_zone(given.network().time_zone))


def _site_grid(
    given: Services, one: SiteReport, period: Period, scale: float | None = None
) -> Grid:
    zone, span = find_zone(given.network().time_zone), (period.from_ms, period.to_ms)
    return draw_grid(one.hours.at_ms, one.hours.cells, span, zone, scale)


def _export(plan: SitePlan, period: Period) -> str:
    days = {"from": period.first.isoformat(), "to": period.last.isoformat()}
    chosen = {"site": plan.site.key, "period": "days", "resolution": "raw", **days}
    return f"/export?{urlencode(chosen)}"
