"""What a supply's nights show before anybody judges them: figures, trends, charge."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from tallymast.domain.health.nights import Night, day_number
from tallymast.domain.health.supply.charging import Charging, charging_of, last_true
from tallymast.domain.health.supply.dark import Place
from tallymast.domain.health.supply.limits import Limits, limits_of, packs_of
from tallymast.domain.health.supply.model import SupplyHealth, Trend, Verdict
from tallymast.domain.health.supply.trend import LEAST_NIGHTS, steps_of, trend_of
from tallymast.domain.local_times import local_time
from tallymast.domain.model import Site, Supply

LATELY = 14
"""Ours: nights the trend of a supply is drawn through."""
_FINEST_V = 0.1  # of a 12 V pack: few nights show no steps finer than this
_SAG_V = 0.1  # Ours: of a 12 V pack; sags grow by so much before a word is said


@dataclass(frozen=True, slots=True)
class Seen:
    """A site's supply and its nights.

    Attributes:
        site: whose.
        supply: of the site.
        limits: None for a primary pack.
        nights: with any reading, ascending, up to now.
        dawns: those of them with a pre-dawn voltage.
        charging: one entry a night; None without limits.
        resolution_v: steps of the meter [V].
        place: where the site stands.
        now_ms: when it is judged.
        temperature_c: of the battery by day, None where nobody measures it.

    """

    site: Site
    supply: Supply
    limits: Limits | None
    nights: tuple[Night, ...]
    dawns: tuple[Night, ...]
    charging: Charging | None
    resolution_v: float
    place: Place
    now_ms: int
    temperature_c: Mapping[int, float] | None = None

    @property
    def packs(self) -> float:
        """How many 12 V packs in a row it is."""
        return packs_of(self.supply)

    @property
    def today(self) -> int:
        """The local day it is judged on."""
        return day_number(local_time(self.now_ms, self.place.zone).date())

    def volts(self, dawns: Sequence[Night] | None = None) -> list[float]:
        """Return the pre-dawn voltages, of some nights or of all [V]."""
        chosen = self.dawns if dawns is None else dawns
        return [night.predawn_v for night in chosen if night.predawn_v is not None]


def see(
    site: Site,
    supply: Supply,
    nights: Sequence[Night],
    place: Place,
    now_ms: int,
    temperature_c: Mapping[int, float] | None,
    resolution_v: float | None,
) -> Seen:
    """Return what the nights show."""
    kept = tuple(sorted((n for n in nights if n.peak_v is not None), key=lambda n: n.day))
    steps = resolution_v
    if steps is None:
        steps = min(steps_of(kept), _FINEST_V * packs_of(supply))
    limits = limits_of(supply)
    charging = None
    if limits is not None:
        charging = charging_of(supply, limits, kept, place.latitude, temperature_c, steps)
    dawns = tuple(night for night in kept if night.predawn_v is not None)
    return Seen(site, supply, limits, kept, dawns, charging, steps, place, now_ms, temperature_c)


def plain_health(seen: Seen) -> SupplyHealth:
    """Return everything a judgement says but its verdict, which is UNKNOWN."""
    newest = seen.dawns[-1] if seen.dawns else None
    charging = seen.charging or Charging((), ())
    charged, absorbed = last_true(charging.charged), last_true(charging.absorbed)
    return SupplyHealth(
        Verdict.UNKNOWN,
        nights=len(seen.dawns),
        predawn_v=None if newest is None else newest.predawn_v,
        predawn_day=None if newest is None else newest.day,
        trend=lately(seen),
        sag_v=None if newest is None else _sag(newest),
        sag_grows=_sag_grows(seen),
        charged_ms=None if charged is None else seen.nights[charged].peak_ms,
        absorbed_ms=None if absorbed is None else seen.nights[absorbed].peak_ms,
        age_days=_age_days(seen.supply.installed, seen.today),
        peak_v=seen.nights[-1].peak_v if seen.nights else None,
    )


def lately(seen: Seen) -> Trend | None:
    """Return the trend of the last two weeks' pre-dawn voltages, None under seven nights."""
    if len(seen.dawns) < LEAST_NIGHTS:
        return None
    chosen = seen.dawns[-LATELY:]
    return trend_of([night.day for night in chosen], seen.volts(chosen), seen.resolution_v)


def _sag(night: Night) -> float | None:
    if night.predawn_v is None or night.low_v is None:
        return None
    return max(night.predawn_v - night.low_v, 0.0)


def _sag_grows(seen: Seen) -> bool:
    """Whether the last week's sags are beyond doubt deeper than those of the weeks before.

    Ours: by a tenth of a volt and by half, with a slope whose interval lies above nothing.
    """
    found = [(night.day, sag) for night in seen.dawns if (sag := _sag(night)) is not None]
    if len(found) < 3 * LEAST_NIGHTS:
        return False
    sags = [sag for _, sag in found]
    before, now = np.median(sags[: -2 * LEAST_NIGHTS]), np.median(sags[-LEAST_NIGHTS:])
    if now - before < max(_SAG_V * seen.packs, 0.5 * before) + seen.resolution_v:
        return False
    return trend_of([day for day, _ in found], sags, seen.resolution_v).low_v > 0.0


def _age_days(installed: date | None, today: int) -> int | None:
    return None if installed is None else max(today - day_number(installed), 0)
