"""Sites as scripts see them: state, last answer, a day of polls, supply, every point."""

import math
from collections.abc import Mapping

from fastapi import APIRouter
from pydantic import BaseModel, Field

from tallymast.domain.health.attention import Standing
from tallymast.domain.health.diagnosis.model import Diagnosis
from tallymast.domain.health.site_health import NOT_JUDGED
from tallymast.domain.health.supply.model import Forecast, SupplyHealth
from tallymast.domain.model import HourCounts, Point, PointKind, Reading
from tallymast.domain.zones import find_zone
from tallymast.routes.api.finding import the_site
from tallymast.routes.cause_words import cause_words
from tallymast.routes.day_reading import read_counts
from tallymast.routes.formats import Clock, iso
from tallymast.routes.services import Given, Services
from tallymast.routes.standings import TheStandings

router = APIRouter(prefix="/api/v1", tags=["sites"])

Value = float | int | bool | str | None


class Polls(BaseModel):
    """Polls of the last 24 h, by quarter hour; asked = answered + missed.

    Polls due while the gateway is unreachable or the site is in maintenance are in none.
    """

    asked: int
    answered: int
    answered_first_try: int
    missed: int


class DisconnectIn(BaseModel):
    """When the load is disconnected if nothing is done: a range of days, never a day."""

    low_days: float = Field(description="one time in ten it comes sooner")
    high_days: float | None = Field(description="one time in ten later; null: maybe never")
    disconnect_v: float
    nights: int = Field(description="how many nights it rests on")
    at: str | None = Field(description="the newest of them")


class SupplyNow(BaseModel):
    """The supply voltage as last read, against where the load is disconnected."""

    voltage_v: float | None
    at: str | None
    quality: str
    disconnect_v: float | None
    kind: str | None = Field(description="solar, mains-with-battery, mains or primary")
    verdict: str | None = Field(description="null: not judged yet")
    nights: int | None = Field(description="nights it rests on")
    predawn_v: float | None = Field(description="median of the two hours before sunrise")
    disconnect_in: DisconnectIn | None = Field(description="null: not declining, or not known")


class PointNow(BaseModel):
    """A point's newest reading; value null where there is none."""

    tag: str
    name: str
    kind: str
    value: Value
    unit: str
    quality: str
    at: str | None
    reason: str = Field(description="why the quality is not good; empty where it is")


class CauseNow(BaseModel):
    """A probable cause named at the site; its words carry times of the network's zone."""

    key: str = Field(description="the same as long as it lasts; its page is /findings/KEY")
    cause: str
    title: str
    confidence: str = Field(description="all but certain, likely or possible")
    since: str | None
    says: str
    decides: str
    instead: list[str] = Field(description="titles of causes it cannot be parted from")


class SiteNow(BaseModel):
    """A site and the newest that is known of it."""

    key: str
    name: str
    area: str
    gateway: str
    unit: int
    state: str
    last_answer_at: str | None
    polls_24h: Polls
    supply: SupplyNow | None
    points: list[PointNow]
    causes: list[CauseNow] = Field(description="the surest first; empty: none is named")


@router.get("/sites")
def list_sites(given: Given, standings: TheStandings) -> list[SiteNow]:
    """List every site of the network."""
    now, day = standings.now(), read_counts(given, given.now_ms())
    sites = [plan for plan in given.network().sites if plan.site_id in now]
    return [_site_now(given, now[plan.site_id], day) for plan in sites]


@router.get("/sites/{key}")
def one_site(key: str, given: Given, standings: TheStandings) -> SiteNow:
    """Return one site."""
    plan = the_site(given.network(), key)
    return _site_now(given, standings.now()[plan.site_id], read_counts(given, given.now_ms()))


def polls_of(counts: HourCounts) -> Polls:
    """Return counts as the API names them."""
    return Polls(
        asked=counts.asked,
        answered=counts.answered,
        answered_first_try=counts.first_try,
        missed=counts.missed,
    )


def finite(value: Value) -> Value:
    """Return the value; null for what is no number, which JSON cannot say."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _site_now(given: Services, standing: Standing, counts: Mapping[int, HourCounts]) -> SiteNow:
    plan, state = standing.plan, standing.state
    return SiteNow(
        key=plan.site.key,
        name=plan.site.name,
        area=plan.site.area,
        gateway=given.network().gateway_of(plan.site_id).gateway.key,
        unit=plan.site.unit,
        state=standing.status.word,
        last_answer_at=iso(state.last_answer_ms) if state else None,
        polls_24h=polls_of(counts.get(plan.site_id, HourCounts())),
        supply=_supply(standing, given.health().get(plan.site_id, NOT_JUDGED).supply),
        points=[_point_now(point, standing.readings) for point in plan.site.points],
        causes=[_cause(given, one) for one in given.causes() if plan.site_id in one.site_ids],
    )


def _cause(given: Services, one: Diagnosis) -> CauseNow:
    clock = Clock(find_zone(given.network().time_zone), given.now_ms())
    return CauseNow(
        key=one.key,
        cause=one.cause,
        title=one.title,
        confidence=one.confidence.value,
        since=iso(one.since_ms),
        says=cause_words(one.says, clock).striptags(),
        decides=cause_words(one.decides, clock).striptags(),
        instead=list(one.rivals),
    )


def _point_now(point: Point, readings: Mapping[str, Reading]) -> PointNow:
    reading = readings.get(point.tag)
    return PointNow(
        tag=point.tag,
        name=point.name,
        kind=point.kind.value,
        value=finite(reading.value) if reading else None,
        unit=point.unit,
        quality=reading.quality.value if reading else "none",
        at=iso(reading.at_ms) if reading else None,
        reason=reading.reason if reading else "not read yet",
    )


def _supply(standing: Standing, health: SupplyHealth | None) -> SupplyNow | None:
    site = standing.plan.site
    point = site.point_of(PointKind.SUPPLY_VOLTAGE)
    if point is None and site.supply is None:
        return None
    shown = _point_now(point, standing.readings) if point else None
    volts = shown.value if shown else None
    return SupplyNow(
        voltage_v=volts if isinstance(volts, float | int) else None,
        at=shown.at if shown else None,
        quality=shown.quality if shown else "none",
        disconnect_v=site.supply.disconnect_v if site.supply else None,
        kind=site.supply.kind.value if site.supply else None,
        verdict=health.verdict.value if health else None,
        nights=health.nights if health else None,
        predawn_v=health.predawn_v if health else None,
        disconnect_in=_disconnect_in(health.forecast) if health and health.forecast else None,
    )


def _disconnect_in(forecast: Forecast) -> DisconnectIn:
    return DisconnectIn(
        low_days=round(forecast.low_days, 1),
        high_days=None if forecast.high_days is None else round(forecast.high_days, 1),
        disconnect_v=forecast.disconnect_v,
        nights=forecast.nights,
        at=iso(forecast.at_ms),
    )
