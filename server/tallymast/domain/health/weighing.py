"""Weighs one site's last weeks: its supply, its contact, and what may tell a cause.

Pure: the record is handed in (record.py). Only what concerns one site alone stands here; what
several sites share is found where all are known.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Final

import numpy as np

from tallymast.domain.bearings import place_of
from tallymast.domain.health.comms.answers import slower
from tallymast.domain.health.comms.changes import contact_change
from tallymast.domain.health.comms.model import Cause, CommHealth, Outage, SignalStep
from tallymast.domain.health.comms.returns import returns_of
from tallymast.domain.health.comms.supply_caused import supply_caused
from tallymast.domain.health.diagnosis.clues import Clues
from tallymast.domain.health.diagnosis.contact_clues import contact_clues
from tallymast.domain.health.diagnosis.point_clues import point_clues
from tallymast.domain.health.diagnosis.supply_clues import supply_clues
from tallymast.domain.health.nights import day_number, day_of, sunrise_ms
from tallymast.domain.health.record import SiteRecord
from tallymast.domain.health.signal_steps import step_in
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.health.supply.model import SupplyHealth
from tallymast.domain.health.supply.verdict import judge_supply
from tallymast.domain.local_times import local_time
from tallymast.domain.model import Gateway, PointKind, Site
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.spans import SpanSeries

DAY_MS: Final = 24 * HOUR_MS
NIGHTS: Final = 45
BASELINE_MS: Final = 60 * DAY_MS  # ours: what has been wrong for weeks still has a before
OUTAGES_MS: Final = 14 * DAY_MS
_LONG_MS: Final = 600_000  # ours: whether a shorter outage was the supply's is not looked for
_ROUND_STEP_MS: Final = 2 * HOUR_MS


@dataclass(frozen=True, slots=True)
class Scales:
    """What a site is weighed with: itself, when, whose clock, and where the sun rises for it."""

    site: Site
    now_ms: int
    zone: tzinfo
    place: tuple[float, float] | None


def weigh(
    gateway: Gateway, site: Site, record: SiteRecord, now_ms: int, zone: tzinfo
) -> SiteHealth:
    """Return what a site's record says of it at an instant.

    Args:
        gateway: through which it is reached; its place stands in where the site's is not known.
        site: whose record.
        record: up to the instant.
        now_ms: the instant, UTC milliseconds.
        zone: whose clock people read.

    Raises:
        DecodeError: the record cannot be read.

    """
    scales = Scales(site, now_ms, zone, place_of(gateway, site))
    found = _supply_apart(scales, record)
    supply = _supply(scales, record, found)
    comm = _comm(scales, record, found)
    return SiteHealth(supply, comm, _clues(scales, record, supply, comm))


def _clues(
    scales: Scales, record: SiteRecord, supply: SupplyHealth | None, comm: CommHealth
) -> Clues:
    site, now_ms, zone = scales.site, scales.now_ms, scales.zone
    return Clues(
        contact_clues(site, record, comm, now_ms=now_ms, zone=zone),
        supply_clues(site, record, supply, now_ms=now_ms, zone=zone, place=scales.place),
        point_clues(site, record, now_ms=now_ms),
    )


# --- supply ---------------------------------------------------------------------------


def _supply(scales: Scales, record: SiteRecord, found: Sequence[Outage]) -> SupplyHealth | None:
    place = scales.place
    return judge_supply(
        scales.site,
        record.nights,
        now_ms=scales.now_ms,
        zone=scales.zone,
        latitude=place[0] if place else None,
        longitude=place[1] if place else None,
        dark=[(one.from_ms, one.to_ms) for one in found if one.cause is not Cause.COMMON],
        temperature_c=_temperature(scales, record),
    )


def _temperature(scales: Scales, record: SiteRecord) -> dict[int, float] | None:
    """Return the mean temperature beside the battery by local day, None where nobody measures it.

    An enclosure's is taken for the battery's: what it is wrong by is in how far it is believed.
    """
    point = scales.site.point_of(PointKind.TEMPERATURE)
    supply = scales.site.supply
    if point is None or supply is None or not supply.chemistry or not record.nights:
        return None
    hours = record.hours(point.tag, scales.now_ms - NIGHTS * DAY_MS, scales.now_ms)
    days: dict[int, list[float]] = {}
    for at_ms, mean in zip(hours.at_ms.tolist(), hours.mean.tolist(), strict=True):
        if not math.isnan(mean):
            day = day_number(local_time(at_ms, scales.zone).date())
            days.setdefault(day, []).append(mean)
    return {day: sum(some) / len(some) for day, some in days.items()}


def _supply_apart(scales: Scales, record: SiteRecord) -> list[Outage]:
    """Return outages with those named that were the supply's."""
    found = list(record.outages)
    point = scales.site.point_of(PointKind.SUPPLY_VOLTAGE)
    long = [one for one in found if one.lasted_ms(scales.now_ms) >= _LONG_MS]
    if point is None or scales.site.supply is None or not long:
        return found
    begin_ms = min(one.from_ms for one in long) - _ROUND_STEP_MS
    volts = record.hours(point.tag, begin_ms, scales.now_ms)
    is_long = [one.lasted_ms(scales.now_ms) >= _LONG_MS for one in found]
    return [
        _named(scales, one, volts) if named else one
        for one, named in zip(found, is_long, strict=True)
    ]


def _named(scales: Scales, one: Outage, volts: SpanSeries) -> Outage:
    supply = scales.site.supply
    if supply is None or one.cause is Cause.COMMON:
        return one
    caused = supply_caused(
        one,
        _last_before(volts, one.from_ms),
        None if one.to_ms is None else _first_after(volts, one.to_ms),
        supply.disconnect_v,
        nominal_v=supply.nominal_v,
        back_after_sunrise_min=_after_sunrise(one.to_ms, scales),
    )
    return replace(one, cause=Cause.SUPPLY) if caused else one


def _last_before(volts: SpanSeries, at_ms: int) -> float | None:
    """Return the last reading of the hour in which a silence began, or of the one before."""
    known = np.flatnonzero((volts.n > 0) & (volts.at_ms <= at_ms))
    return float(volts.last[known[-1]]) if len(known) else None


def _first_after(volts: SpanSeries, at_ms: int) -> float | None:
    known = np.flatnonzero((volts.n > 0) & (volts.at_ms > at_ms - HOUR_MS))
    return float(volts.first[known[0]]) if len(known) else None


def _after_sunrise(at_ms: int | None, scales: Scales) -> float | None:
    if at_ms is None or scales.place is None:
        return None
    day = local_time(at_ms, scales.zone).date()
    return (at_ms - sunrise_ms(day, *scales.place, scales.zone)) / 60_000


# --- contact --------------------------------------------------------------------------


def _comm(scales: Scales, record: SiteRecord, found: Sequence[Outage]) -> CommHealth:
    hours, place, zone = record.contact, scales.place, scales.zone
    if hours is None:
        return CommHealth(outages=tuple(found))
    sunrise = None
    if place is not None:
        sunrise = lambda day: sunrise_ms(day_of(day), *place, zone)  # noqa: E731
    return CommHealth(
        days=float(hours.at_ms[-1] - hours.at_ms[0]) / DAY_MS if len(hours.at_ms) else 0.0,
        change=contact_change(hours.at_ms, hours.cells, now_ms=scales.now_ms, outages=found),
        signal=_signal(scales, record),
        slow=slower(record.answers),
        returns=returns_of(found, sunrise, zone, scales.now_ms),
        outages=tuple(found),
    )


def _signal(scales: Scales, record: SiteRecord) -> SignalStep | None:
    """Return a step of the signal in the last fourteen days, between two readings."""
    point = scales.site.point_of(PointKind.SIGNAL)
    if point is None:
        return None
    hours = record.hours(point.tag, scales.now_ms - OUTAGES_MS, scales.now_ms)
    return step_in(scales.site, record, hours)
