"""Judges every site's last weeks beside polling and pages: supply, contact, gateway losses.

What is judged here changes slowly; it is read from days, hours and nights, never from the
newest readings, which the pages judge by themselves.
"""

import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from tallymast.beginnings import Beginnings, newest_standings
from tallymast.domain.errors import DecodeError, StorageError
from tallymast.domain.health.attention import Standing
from tallymast.domain.health.comms.common import common_causes, explained
from tallymast.domain.health.comms.model import Outage
from tallymast.domain.health.diagnosis.diagnose import diagnose
from tallymast.domain.health.diagnosis.evidence import SiteEvidence
from tallymast.domain.health.diagnosis.experience import with_experience
from tallymast.domain.health.diagnosis.gather import gather
from tallymast.domain.health.diagnosis.model import Diagnosis
from tallymast.domain.health.losses import Fell, GatewayWas, fell
from tallymast.domain.health.nights import Night, day_number
from tallymast.domain.health.record import ContactHours
from tallymast.domain.health.since import Since
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.health.together import placed
from tallymast.domain.health.weighing import BASELINE_MS, DAY_MS, NIGHTS, OUTAGES_MS, weigh
from tallymast.domain.life.replacing import without_replacements
from tallymast.domain.local_times import local_time
from tallymast.domain.model import GatewayPlan
from tallymast.domain.record.days import Contract
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.spans import SpanSeries
from tallymast.domain.watchdogs import falling
from tallymast.domain.zones import find_zone
from tallymast.finding_keeper import FindingKeeper
from tallymast.routes.services import LiveView, NetworkView
from tallymast.storage import count_events, episodes, nights
from tallymast.storage.engine import Database
from tallymast.storage.outages import outages
from tallymast.storage.readings import raw_series
from tallymast.storage.reliability import SiteHours, answers_by_day, site_hours
from tallymast.storage.span_readings import OpenHours, hour_series
from tallymast.storage.spoiled import NOT_SPOILED, Spoiled, spoiled_hours

log = logging.getLogger(__name__)

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

EVERY_S: Final = 600.0  # ours: what changes within weeks is looked at every ten minutes
LOOK_S: Final = 15.0  # how soon a new finding is looked after, and weeks still being written


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
        names: whether causes are named and kept; one process does that.

    """

    def __init__(
        self,
        database: Database,
        live: LiveView,
        view: Callable[[], NetworkView],
        now_ms: Callable[[], int],
        *,
        names: bool = True,
    ) -> None:
        super().__init__(name="health", daemon=True)
        self._database = database
        self._live = live
        self._view = view
        self._now_ms = now_ms
        self._names = names
        self._ended = threading.Event()
        self._beginnings = Beginnings(database, live, view)
        self._keeper = FindingKeeper(database)
        self._known, self._due_s = -1, 0.0
        self._revision: int | None = None  # of the network that was judged last
        self.judged = Judged()
        self.causes: tuple[Diagnosis, ...] = ()

    @property
    def began(self) -> Mapping[str, Since]:
        """Since when findings about points hold, by their keys."""
        return self._beginnings.known

    def run(self) -> None:
        """Judge until stopped; soon again while older days are still being written."""
        while True:
            self.look()
            if self._ended.wait(LOOK_S):
                return

    def look(self) -> None:
        """Judge what is due now; what is refused is tried again at the next look."""
        for look in (self._judge, self._look_now) if self._names else (self._judge,):
            try:
                look()
            except (StorageError, DecodeError) as error:
                log.warning("judging waits: %s", error)

    def _look_now(self) -> None:
        """Look at the newest states: since when points are so, and what causes can be named."""
        now_ms, view = self._now_ms(), self._view()
        standings = newest_standings(self._live, view, now_ms)
        self._beginnings.look(now_ms, standings.values())
        if self.judged.at_ms is None:
            return
        sites = evidence(view, self._live, standings, self.judged, now_ms)
        named = diagnose(sites)
        self.causes = with_experience(named, self._keeper.experience())
        self._keeper.look(now_ms, self.causes, sites, view.gateways)

    def _judge(self) -> None:
        """Judge all sites' weeks when that is due, and after every change of the network."""
        view = self._view()
        if view.revision_id == self._revision and time.monotonic() < self._due_s:
            return
        self.judged = judge(self._database, view, self._now_ms(), stop=self._ended.is_set)
        self._revision = view.revision_id
        before, self._known = self._known, self.judged.nights
        self._due_s = time.monotonic() + (LOOK_S if self._known != before else EVERY_S)

    def stop(self) -> None:
        """End after what is in hand."""
        self._ended.set()
        self.join()


def evidence(
    view: NetworkView,
    live: LiveView,
    standings: Mapping[int, Standing],
    judged: Judged,
    now_ms: int,
) -> tuple[SiteEvidence, ...]:
    """Return all that causes may be told from at an instant."""
    return gather(view.gateways, live.gateways(), standings, judged.sites, now_ms)


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
                    record = weeks.of(conn, plan.site_id)
                    weighed = weigh(gateway.gateway, plan.site, record, now_ms, weeks.zone)
                    exchanged = weeks.replaced.get(plan.site_id, ())
                    sites[plan.site_id] = without_replacements(weighed, exchanged)
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
    spoiled: Mapping[int, Spoiled]
    nights: Mapping[int, Sequence[Night]]
    answers: Mapping[int, Sequence[tuple[int, Mapping[int, int]]]]
    outages: Mapping[int, Sequence[Outage]]
    gateway_losses: Sequence[episodes.Episode]
    replaced: Mapping[int, Sequence[int]]

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
            spoiled_hours(conn, now_ms - BASELINE_MS, now_ms),
            nights.load_nights(conn, today - NIGHTS + 1, today),
            answers_by_day(conn, now_ms - BASELINE_MS, now_ms),
            explained(known, common_causes(known, placed(network.gateways))),
            episodes.between(conn, begin_ms, now_ms, kind="gateway"),
            count_events.replaced_since(conn, now_ms - BASELINE_MS),
        )

    def of(self, conn: Connection, site_id: int) -> "_Record":
        """Return one site's record."""
        hours, spoiled = self.hours.get(site_id), self.spoiled.get(site_id, NOT_SPOILED)
        return _Record(
            conn,
            site_id,
            self.now_ms,
            None
            if hours is None
            else ContactHours(hours.at_ms, hours.cells, spoiled.garbled, spoiled.refused),
            self.nights.get(site_id, ()),
            self.answers.get(site_id, ()),
            self.outages.get(site_id, ()),
        )


def _until(some: Sequence[Outage], now_ms: int) -> list[Outage]:
    """Return outages as they were known at an instant."""
    return [
        replace(one, to_ms=None) if one.to_ms is not None and one.to_ms > now_ms else one
        for one in some
        if one.from_ms < now_ms
    ]


# --- one site -------------------------------------------------------------------------


@dataclass(frozen=True)
class _Record:
    """One site's last weeks, read when they are asked for."""

    conn: Connection
    site_id: int
    now_ms: int
    contact: ContactHours | None
    nights: Sequence[Night]
    answers: Sequence[tuple[int, Mapping[int, int]]]
    outages: Sequence[Outage]

    def hours(self, tag: str, from_ms: int, to_ms: int) -> SpanSeries:
        to_ms = min(to_ms, self.now_ms)
        return hour_series(self.conn, self.site_id, tag, from_ms, to_ms, self._opened)

    @cached_property
    def _opened(self) -> OpenHours:
        return OpenHours(self.conn, self.site_id, 0, self.now_ms)

    def readings(self, tag: str, from_ms: int, to_ms: int) -> tuple[Ints, Floats]:
        series = raw_series(self.conn, self.site_id, tag, from_ms, min(to_ms, self.now_ms))
        return series.at_ms, series.value


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
