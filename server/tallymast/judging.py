"""Judges every site's last weeks beside polling and pages: supply, contact, gateway losses.

What is judged here changes slowly; it is read from days, hours and nights, never from the
newest readings, which the pages judge by themselves.
"""

import logging
import math
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from typing import Final

import numpy as np
from sqlalchemy import Connection

from tallymast.beginnings import Beginnings
from tallymast.domain.bearings import place_of
from tallymast.domain.errors import DecodeError, StorageError
from tallymast.domain.health.comms.answers import slower
from tallymast.domain.health.comms.changes import contact_change, signal_step, step_between
from tallymast.domain.health.comms.common import Placed, common_causes, explained
from tallymast.domain.health.comms.model import (
    Cause,
    CommHealth,
    ContactChange,
    Outage,
    SignalStep,
)
from tallymast.domain.health.comms.returns import returns_of
from tallymast.domain.health.comms.supply_caused import supply_caused
from tallymast.domain.health.losses import Fell, GatewayWas, fell
from tallymast.domain.health.nights import Night, day_number, day_of, sunrise_ms
from tallymast.domain.health.since import Since
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.health.supply.verdict import judge_supply
from tallymast.domain.health.together import placed_sites
from tallymast.domain.local_times import local_time
from tallymast.domain.model import GatewayPlan, PointKind, SitePlan
from tallymast.domain.record.days import Contract
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.watchdogs import falling
from tallymast.domain.zones import find_zone
from tallymast.routes.services import LiveView, NetworkView
from tallymast.storage import episodes, nights
from tallymast.storage.engine import Database
from tallymast.storage.outages import outages
from tallymast.storage.readings import raw_series
from tallymast.storage.reliability import SiteHours, answers_by_day, site_hours
from tallymast.storage.span_readings import SpanSeries, hour_series

log = logging.getLogger(__name__)

DAY_MS: Final = 24 * HOUR_MS
EVERY_S: Final = 600.0  # ours: what changes within weeks is looked at every ten minutes
LOOK_S: Final = 15.0  # how soon a new finding is looked after, and weeks still being written
NIGHTS: Final = 45
BASELINE_MS: Final = 30 * DAY_MS
OUTAGES_MS: Final = 14 * DAY_MS
_LONG_MS: Final = 600_000  # ours: whether a shorter outage was the supply's is not looked for
_ROUND_STEP_MS: Final = 2 * HOUR_MS


@dataclass(frozen=True, slots=True)
class Judged:
    """What was judged, and when; by site id."""

    at_ms: int | None = None
    sites: Mapping[int, SiteHealth] = field(default_factory=dict)
    losses: tuple[GatewayWas, ...] = ()

    @property
    def nights(self) -> int:
        """How many nights of all sites it rests on."""
        supplies = [one.supply for one in self.sites.values() if one.supply is not None]
        return sum(supply.nights for supply in supplies)


class Judge(threading.Thread):
    """Judges again every few minutes.

    Args:
        database: what is read.
        live: the newest states.
        view: the network as it is now.
        now_ms: the wall clock.

    """

    def __init__(
        self,
        database: Database,
        live: LiveView,
        view: Callable[[], NetworkView],
        now_ms: Callable[[], int],
    ) -> None:
        super().__init__(name="health", daemon=True)
        self._database = database
        self._view = view
        self._now_ms = now_ms
        self._ended = threading.Event()
        self._beginnings = Beginnings(database, live, view)
        self._known, self._due_s = -1, 0.0
        self.judged = Judged()

    @property
    def began(self) -> Mapping[str, Since]:
        """Since when findings about points hold, by their keys."""
        return self._beginnings.known

    def run(self) -> None:
        """Judge until stopped; soon again while older days are still being written."""
        while True:
            for look in (self._judge, self._look_at_points):
                try:
                    look()
                except (StorageError, DecodeError) as error:
                    log.warning("judging waits: %s", error)
            if self._ended.wait(LOOK_S):
                return

    def _look_at_points(self) -> None:
        self._beginnings.look(self._now_ms())

    def _judge(self) -> None:
        """Judge all sites' weeks when that is due."""
        if time.monotonic() < self._due_s:
            return
        self.judged = judge(self._database, self._view(), self._now_ms(), stop=self._ended.is_set)
        before, self._known = self._known, self.judged.nights
        self._due_s = time.monotonic() + (LOOK_S if self._known != before else EVERY_S)

    def stop(self) -> None:
        """End after what is in hand."""
        self._ended.set()
        self.join()


def judge(
    database: Database,
    network: NetworkView,
    now_ms: int,
    *,
    stop: Callable[[], bool] = lambda: False,
) -> Judged:
    """Return what the record says of every site at an instant.

    Of a site whose record cannot be read nothing is said.

    Args:
        database: what is read.
        network: whose sites.
        now_ms: the instant; what was recorded later is not looked at.
        stop: asked between sites; True ends early.

    Raises:
        StorageError: the database refused.

    """
    with database.reading() as conn:
        weeks = _Weeks.read(conn, network, now_ms)
    sites: dict[int, SiteHealth] = {}
    for gateway in network.gateways:
        for plan in gateway.sites:
            if stop():
                return Judged(now_ms, sites)
            try:
                with database.reading() as conn:  # a site at a time: nobody waits for all
                    sites[plan.site_id] = _site(conn, gateway, plan, weeks)
            except DecodeError as error:
                log.error("site not judged site=%s: %s", plan.site.key, error)
    try:
        with database.reading() as conn:
            return Judged(now_ms, sites, _losses(conn, network, weeks))
    except DecodeError as error:
        log.error("what fell in a gateway's loss cannot be read: %s", error)
        return Judged(now_ms, sites)


@dataclass(frozen=True)
class _Weeks:
    """What is read of all sites at once."""

    now_ms: int
    zone: tzinfo
    hours: Mapping[int, SiteHours]
    nights: Mapping[int, Sequence[Night]]
    answers: Mapping[int, Sequence[tuple[int, Mapping[int, int]]]]
    outages: Mapping[int, Sequence[Outage]]
    gateway_losses: Sequence[episodes.Episode]

    @staticmethod
    def read(conn: Connection, network: NetworkView, now_ms: int) -> "_Weeks":
        zone = find_zone(network.time_zone)
        today = day_number(local_time(now_ms, zone).date())
        contract = Contract(network.contract_zone, network.contract_hour)
        limits = {plan.site_id: plan.site.miss_limit for plan in network.sites}
        begin_ms = now_ms - OUTAGES_MS
        found = outages(conn, begin_ms, now_ms, miss_limits=limits)
        known = {number: _until(some, now_ms) for number, some in found.items()}
        return _Weeks(
            now_ms,
            zone,
            site_hours(conn, now_ms - BASELINE_MS, now_ms, contract),
            nights.load_nights(conn, today - NIGHTS + 1, today),
            answers_by_day(conn, now_ms - BASELINE_MS, now_ms),
            explained(known, common_causes(known, placed(network))),
            episodes.between(conn, begin_ms, now_ms, kind="gateway"),
        )


def placed(network: NetworkView) -> list[Placed]:
    """Return where every site stands, for finding what sites that fall silent share."""
    ids = {plan.site.key: plan.site_id for plan in network.sites}
    return [one for gateway in network.gateways for one in placed_sites(gateway, ids)]


def _until(some: Sequence[Outage], now_ms: int) -> list[Outage]:
    """Return outages as they were known at an instant."""
    return [
        replace(one, to_ms=None) if one.to_ms is not None and one.to_ms > now_ms else one
        for one in some
        if one.from_ms < now_ms
    ]


# --- one site -------------------------------------------------------------------------


def _site(conn: Connection, gateway: GatewayPlan, plan: SitePlan, weeks: _Weeks) -> SiteHealth:
    place = place_of(gateway.gateway, plan.site)
    found = weeks.outages.get(plan.site_id, ())
    found = _supply_apart(conn, plan, found, weeks, place)
    dark = [(one.from_ms, one.to_ms) for one in found if one.cause is not Cause.COMMON]
    supply = judge_supply(
        plan.site,
        weeks.nights.get(plan.site_id, ()),
        now_ms=weeks.now_ms,
        zone=weeks.zone,
        latitude=place[0] if place else None,
        longitude=place[1] if place else None,
        dark=dark,
        temperature_c=_temperature(conn, plan, weeks),
    )
    return SiteHealth(supply, _comm(conn, plan, found, weeks, place))


def _temperature(conn: Connection, plan: SitePlan, weeks: _Weeks) -> dict[int, float] | None:
    """Return the mean temperature beside the battery by local day, None where nobody measures it.

    An enclosure's is taken for the battery's: what it is wrong by is in how far it is believed.
    """
    point = plan.site.point_of(PointKind.TEMPERATURE)
    supply = plan.site.supply
    if point is None or supply is None or not supply.chemistry or plan.site_id not in weeks.nights:
        return None
    begin_ms = weeks.now_ms - NIGHTS * DAY_MS
    hours = hour_series(conn, plan.site_id, point.tag, begin_ms, weeks.now_ms)
    days: dict[int, list[float]] = {}
    for at_ms, mean in zip(hours.at_ms.tolist(), hours.mean.tolist(), strict=True):
        if not math.isnan(mean):
            days.setdefault(day_number(local_time(at_ms, weeks.zone).date()), []).append(mean)
    return {day: sum(some) / len(some) for day, some in days.items()}


def _supply_apart(
    conn: Connection,
    plan: SitePlan,
    found: Sequence[Outage],
    weeks: _Weeks,
    place: tuple[float, float] | None,
) -> list[Outage]:
    """Return outages with those named that were the supply's."""
    point = plan.site.point_of(PointKind.SUPPLY_VOLTAGE)
    long = [one for one in found if one.lasted_ms(weeks.now_ms) >= _LONG_MS]
    if point is None or plan.site.supply is None or not long:
        return list(found)
    begin_ms = min(one.from_ms for one in long) - _ROUND_STEP_MS
    volts = hour_series(conn, plan.site_id, point.tag, begin_ms, weeks.now_ms)
    return [_named(one, plan, volts, weeks, place) if one in long else one for one in found]


def _named(
    one: Outage,
    plan: SitePlan,
    volts: SpanSeries,
    weeks: _Weeks,
    place: tuple[float, float] | None,
) -> Outage:
    supply = plan.site.supply
    if supply is None or one.cause is Cause.COMMON:
        return one
    caused = supply_caused(
        one,
        _last_before(volts, one.from_ms),
        None if one.to_ms is None else _first_after(volts, one.to_ms),
        supply.disconnect_v,
        nominal_v=supply.nominal_v,
        back_after_sunrise_min=_after_sunrise(one.to_ms, weeks.zone, place),
    )
    return replace(one, cause=Cause.SUPPLY) if caused else one


def _last_before(volts: SpanSeries, at_ms: int) -> float | None:
    """Return the last reading of the hour in which a silence began, or of the one before."""
    known = np.flatnonzero((volts.n > 0) & (volts.at_ms <= at_ms))
    return float(volts.last[known[-1]]) if len(known) else None


def _first_after(volts: SpanSeries, at_ms: int) -> float | None:
    known = np.flatnonzero((volts.n > 0) & (volts.at_ms > at_ms - HOUR_MS))
    return float(volts.first[known[0]]) if len(known) else None


def _after_sunrise(
    at_ms: int | None, zone: tzinfo, place: tuple[float, float] | None
) -> float | None:
    if at_ms is None or place is None:
        return None
    risen_ms = sunrise_ms(local_time(at_ms, zone).date(), *place, zone)
    return (at_ms - risen_ms) / 60_000


def _comm(
    conn: Connection,
    plan: SitePlan,
    found: Sequence[Outage],
    weeks: _Weeks,
    place: tuple[float, float] | None,
) -> CommHealth:
    hours = weeks.hours.get(plan.site_id)
    if hours is None:
        return CommHealth(outages=tuple(found))
    change = contact_change(hours.at_ms, hours.cells, now_ms=weeks.now_ms, outages=found)
    sunrise = None
    if place is not None:
        sunrise = lambda day: sunrise_ms(day_of(day), *place, weeks.zone)  # noqa: E731
    return CommHealth(
        days=float(hours.at_ms[-1] - hours.at_ms[0]) / DAY_MS if len(hours.at_ms) else 0.0,
        change=change,
        signal=_signal(conn, plan, change, weeks),
        slow=slower(weeks.answers.get(plan.site_id, ())),
        returns=returns_of(found, sunrise, weeks.zone, weeks.now_ms),
        outages=tuple(found),
    )


def _signal(
    conn: Connection, plan: SitePlan, change: ContactChange | None, weeks: _Weeks
) -> SignalStep | None:
    """Return a step of the signal in the last fourteen days, between two readings."""
    point = plan.site.point_of(PointKind.SIGNAL)
    if point is None:
        return None
    begin_ms = weeks.now_ms - OUTAGES_MS
    hours = hour_series(conn, plan.site_id, point.tag, begin_ms, weeks.now_ms)
    place = signal_step(hours.at_ms, hours.mean)
    if place is None:
        return None
    at_ms = int(hours.at_ms[place])
    near = (at_ms - 2 * HOUR_MS, at_ms + 2 * HOUR_MS)
    series = raw_series(conn, plan.site_id, point.tag, *near)
    return step_between(series.at_ms, series.value)


# --- gateways -------------------------------------------------------------------------


def _losses(conn: Connection, network: NetworkView, weeks: _Weeks) -> tuple[GatewayWas, ...]:
    """Return the losses that ended since yesterday began, with the outputs that fell."""
    midnight = local_time(weeks.now_ms, weeks.zone).replace(
        hour=0, minute=0, second=0, microsecond=0
    )
    since_ms = round(midnight.timestamp() * 1000) - DAY_MS
    gateways = {one.gateway_id: one for one in network.gateways}
    return tuple(
        GatewayWas(
            gateways[one.gateway_id].gateway,
            one.from_ms,
            one.to_ms,
            sum(plan.is_polled for plan in gateways[one.gateway_id].sites),
            _fallen(conn, gateways[one.gateway_id], (one.from_ms, one.to_ms), weeks.now_ms),
        )
        for one in weeks.gateway_losses
        if one.gateway_id in gateways
        and one.to_ms is not None
        and since_ms <= one.to_ms <= weeks.now_ms
    )


def _fallen(
    conn: Connection, gateway: GatewayPlan, span: tuple[int, int], now_ms: int
) -> tuple[Fell, ...]:
    found = []
    for plan in gateway.sites:
        for point in (one.point for one in falling(plan)):
            begin_ms = span[0] - HOUR_MS
            series = raw_series(conn, plan.site_id, point.tag, begin_ms, now_ms)
            found.append(fell(plan.site, point, series.at_ms, series.value, span))
    return tuple(one for one in found if one is not None)
