"""What a site's supply tells of a cause beyond its verdict."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Final

import numpy as np

from tallymast.domain.health.comms.model import Cause
from tallymast.domain.health.diagnosis.supply_days import Day, days_of
from tallymast.domain.health.nights import DAY_MS
from tallymast.domain.health.record import SiteRecord
from tallymast.domain.health.supply.dark import Place
from tallymast.domain.health.supply.limits import (
    MAINS_LOST_V,
    band_c,
    limits_of,
    overcharge_from_v,
    packs_of,
    season_c,
)
from tallymast.domain.health.supply.model import SupplyHealth
from tallymast.domain.health.supply.trend import steps_of
from tallymast.domain.model import Chemistry, PointKind, Site, Supply, SupplyKind
from tallymast.domain.record.spans import SpanSeries

DAYS: Final = 40
"""Ours: local days a supply is looked at."""
_FINEST_V: Final = 0.1  # of a 12 V pack: few nights show no steps finer than this
_METER_V: Final = 0.12  # of a 12 V pack: a meter's error of one per cent
_FROST_AROUND_C: Final = 8.0  # ours: weather and box move a battery so far from its season


_LEAST_DAYS: Final = 5  # ours: fewer have no usual lift
_GOOD: Final = 0.85  # ours: the lift of a good day, of all days
_PER_K: Final = 0.024  # of a 12 V pack: compensation of -4 mV a cell and degree, as published


@dataclass(frozen=True, slots=True)
class SupplyClues:
    """Clues from the supply's voltage; voltages as of a 12 V pack.

    Attributes:
        nights: that are known.
        days: the newest local days, ascending; the last may be under way.
        usual_lift_v: how far a good day lifts it, None under five known days.
        step_v: steps of the meter.
        newest_v: mean of the newest hour with a reading.
        newest_ms: when that hour began.
        low_hours: hours in a row, the newest among them, below where mains hold a battery.
        low_ms: when the first of them began.
        held_v: what mains usually hold it at.
        limits_v: by day: what no controller should exceed at any temperature,
            and where it holds at the temperature usual for the season.
        frosty: local days on which it may have been below freezing.
        ran_down: when silences began of which the supply was the cause, the last fortnight's.

    """

    nights: int = 0
    days: tuple[Day, ...] = ()
    usual_lift_v: float | None = None
    step_v: float = 0.0
    newest_v: float | None = None
    newest_ms: int | None = None
    low_hours: int = 0
    low_ms: int | None = None
    held_v: float | None = None
    limits_v: tuple[tuple[int, float, float], ...] = ()
    frosty: frozenset[int] = frozenset()
    ran_down: tuple[int, ...] = ()

    def share(self, one: Day) -> float | None:
        """Return how far a day lifted it, as a share of a good day's."""
        if one.lift_v is None or not self.usual_lift_v:
            return None
        return one.lift_v / self.usual_lift_v


def supply_clues(
    site: Site,
    record: SiteRecord,
    supply: SupplyHealth | None,
    *,
    now_ms: int,
    zone: tzinfo,
    place: tuple[float, float] | None,
) -> SupplyClues | None:
    """Return what the supply tells, None where nothing measures it."""
    point = site.point_of(PointKind.SUPPLY_VOLTAGE)
    if supply is None or point is None:
        return None
    described = site.supply
    found = SupplyClues(len(record.nights))
    if described is None or described.kind is SupplyKind.PRIMARY:
        return found
    volts = record.hours(point.tag, now_ms - DAYS * DAY_MS, now_ms)
    packs = packs_of(described)
    found = replace(
        _newest(found, volts, packs),
        step_v=min(steps_of(tuple(record.nights)) / packs, _FINEST_V),
        ran_down=tuple(one.from_ms for one in record.outages if one.cause is Cause.SUPPLY),
    )
    latitude, longitude = place or (None, None)
    where = Place(latitude, longitude, zone)
    return _by_day(found, described, days_of(volts, packs, where, now_ms, DAYS), where)


def _newest(found: SupplyClues, volts: SpanSeries, packs: float) -> SupplyClues:
    """Add the newest hour, and how many in a row lie below where mains hold a battery."""
    known = np.flatnonzero(volts.n > 0)
    if not len(known):
        return found
    means = volts.mean[known] / packs
    held = float(np.median(means))
    lost = MAINS_LOST_V
    if lost - _METER_V <= held < lost:  # gel is floated so low, and meters err
        lost = held - 0.1
    above = np.flatnonzero(means >= lost)
    first = int(above[-1]) + 1 if len(above) else 0
    return replace(
        found,
        newest_v=float(means[-1]),
        newest_ms=int(volts.at_ms[known[-1]]),
        low_hours=len(means) - first,
        low_ms=int(volts.at_ms[known[first]]) if first < len(means) else None,
        held_v=held,
    )


def _by_day(found: SupplyClues, supply: Supply, days: Sequence[Day], where: Place) -> SupplyClues:
    limits, packs = limits_of(supply), packs_of(supply)
    lifts = [one.lift_v for one in days if one.lift_v is not None]
    bands = {one.day: band_c(one.day, where.latitude) for one in days}
    if limits is None:
        return found
    held = limits.absorption_v[1] / packs
    over = [
        (
            day,
            overcharge_from_v(supply, limits, band) / packs,
            held
            + (_PER_K if supply.chemistry is not Chemistry.LIFEPO4 else 0.0)
            * (25.0 - sum(band) / 2),
        )
        for day, band in bands.items()
    ]
    return replace(
        found,
        days=tuple(days),
        usual_lift_v=float(np.quantile(lifts, _GOOD)) if len(lifts) >= _LEAST_DAYS else None,
        limits_v=tuple(over),
        frosty=frozenset(day for day in bands if _may_freeze(day, where.latitude)),
    )


def _may_freeze(day: int, latitude: float | None) -> bool:
    return latitude is None or season_c(day, latitude) < _FROST_AROUND_C
