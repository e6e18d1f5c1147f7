"""Flows: the least of each night, analog flows added up from polls, counts beside own rates."""

from dataclasses import dataclass
from datetime import timedelta
from statistics import median
from typing import Annotated, Final

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from tallymast.domain.local_times import local_time
from tallymast.domain.model import SitePlan
from tallymast.domain.record.days import Contract, begin_of, date_of
from tallymast.domain.totals.balance import Integrated
from tallymast.domain.totals.written import decimals_of, written
from tallymast.domain.zones import find_zone
from tallymast.routes.api.finding import the_site
from tallymast.routes.formats import number
from tallymast.routes.life.typed import day_words
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.volumes_kept.amounts import known_percent
from tallymast.routes.volumes_kept.places import every_point
from tallymast.storage import k_factors
from tallymast.storage.days import load_contract
from tallymast.storage.flow_readings import (
    Night,
    OwnRate,
    flow_points,
    integrated_flow,
    night_flows,
    own_rate,
    rate_point_of,
)
from tallymast.storage.volume_hours import Counted

NIGHTS: Final = 7

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class NightRow:
    """A point's least flows of the last nights, the newest first."""

    point: Counted
    nights: tuple[Night, ...]
    decimals: int = 0

    @property
    def known(self) -> list[float]:
        """The flows of the nights that are known."""
        return [one.per_hour for one in self.nights if one.per_hour is not None]

    @property
    def usual(self) -> str:
        """The median of the nights that are known, with how many there are."""
        if not self.known:
            return "not known: no night of these has a wholly known hour"
        return f"{self._told(median(self.known))}, {len(self.known)} of {NIGHTS} nights"

    @property
    def newest(self) -> str:
        """The newest night's, or that it is not known."""
        one = self.nights[0]
        return "not known" if one.per_hour is None else self._told(one.per_hour)

    def _told(self, per_hour: float) -> str:
        """Return a flow with as many decimals as all of the row's nights ask for."""
        return f"{written(per_hour, self.decimals)}\u00a0{self.nights[0].unit}/h"


@dataclass(frozen=True, slots=True)
class FlowRow:
    """An analog flow's day: added up from polled values, with what of the day was seen."""

    name: str
    tag: str
    amount: str
    seen: str
    is_whole: bool


@router.get("/volumes/flow")
def flow_page(
    request: Request, given: Given, show: Show, site: Annotated[str, Query(max_length=200)] = ""
) -> HTMLResponse:
    """Show night flows of the network, or all of one site's flows."""
    plan = the_site(given.network(), site) if site else None
    zone = find_zone(given.network().time_zone)
    today = local_time(given.now_ms(), zone).date()
    days = [today - timedelta(days=n) for n in reversed(range(NIGHTS))]
    with given.database.reading() as conn:
        contract = load_contract(conn)
        points = [
            one
            for one in every_point(conn, given.network())
            if plan is None or one.plan.site_id == plan.site_id
        ]
        rows = [
            NightRow(
                one,
                tuple(reversed(night_flows(conn, one, days, zone, contract))),
                decimals_of(
                    factor.per_pulse for factor in k_factors.factors(conn, one.point_id, one.point)
                ),
            )
            for one in points
        ]
        flows = _flows(conn, plan, contract, given) if plan is not None else []
        rates = _rates(conn, points, given) if plan is not None else []
    context = {
        "rows": [row for row in rows if row.nights[0].unit],
        "plan": plan,
        "flows": flows,
        "rates": rates,
        "sites": [one.site for one in given.network().sites if flow_points(one)],
        "day": day_words(date_of(given.now_ms(), contract) - timedelta(days=1)),
        "night": day_words(today),
        "number": number,
    }
    return show.page(request, "volumes_flow.html", context)


def _flows(conn: Connection, plan: SitePlan, contract: Contract, given: Services) -> list[FlowRow]:
    """Return yesterday's contract day of every analog flow of a site."""
    today = date_of(given.now_ms(), contract)
    span = begin_of(today - timedelta(days=1), contract), begin_of(today, contract)
    found = []
    for point in flow_points(plan):
        told = integrated_flow(conn, plan, point, span)
        if told is not None:
            found.append(_flow_row(point.name, point.tag, *told))
    return found


def _flow_row(name: str, tag: str, one: Integrated, unit: str) -> FlowRow:
    is_whole = one.known_ms >= one.span_ms
    if not one.known_ms:
        return FlowRow(name, tag, "not known", "nothing of the day was seen", is_whole=False)
    amount = f"{number(one.amount)}\u00a0{unit}"
    if is_whole:
        return FlowRow(name, tag, amount, "all of the day was seen", is_whole)
    seen = f"{known_percent(one.known_share)} of the day was seen; nothing is added for the rest"
    return FlowRow(name, tag, f"at least {amount}", seen, is_whole)


def _rates(
    conn: Connection, points: list[Counted], given: Services
) -> list[tuple[Counted, OwnRate | None]]:
    found = []
    for one in points:
        point = rate_point_of(one.plan, one.point)
        if point is not None:
            found.append((one, own_rate(conn, one, point, given.now_ms())))
    return found
