"""Judges batteries: lead-acid and lithium on the sun, and those that mains keep floating."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tallymast.domain.health.nights import Night
from tallymast.domain.health.supply.charging import uncharged_run
from tallymast.domain.health.supply.dark import dark_nights
from tallymast.domain.health.supply.decline import UNCHARGED_NIGHTS, forecast_now, forecast_of
from tallymast.domain.health.supply.limits import MAINS_LOST_V, Limits, band_c, overcharge_from_v
from tallymast.domain.health.supply.model import SupplyHealth, Verdict
from tallymast.domain.health.supply.seen import LATELY, Seen, plain_health
from tallymast.domain.health.supply.trend import LEAST_NIGHTS, mann_kendall_z, trend_of
from tallymast.domain.model import Chemistry

# Ours, all of them: nights a thing must have gone on before it is said.
_UNCHARGED_LITHIUM = 10  # it refuses charge in frost
_OVER, _STUCK = 2, 5
_AGED_V = 0.15  # of a 12 V pack; a summer's warmth alone moves a rest voltage by half of it
_SURELY = -2.58  # standard score of a trend: one in two hundred comes so by chance
_WEAK_V = 0.6  # of a 12 V pack: a sound panel lifts it more than this on one day in five


def judge_lead_acid(
    seen: Seen, limits: Limits, dark: Sequence[tuple[int, int | None]]
) -> SupplyHealth:
    """Judge a lead-acid battery on the sun."""
    health = plain_health(seen)
    if _is_stuck(seen):
        return _since(health, Verdict.STUCK, seen.nights[-_STUCK].peak_ms)
    if _is_overcharged(seen, limits):
        return replace(health, verdict=Verdict.OVERCHARGING)
    nights = dark_nights(
        dark, seen.nights, limits.disconnect_v, seen.packs, seen.place, seen.now_ms
    )
    if _uncharged(seen) >= UNCHARGED_NIGHTS and _is_low(seen, limits):
        health = replace(health, forecast=forecast_now(seen, limits), dark=nights)
        return _since(health, Verdict.NOT_CHARGING, health.charged_ms)
    if nights is not None:
        return replace(health, verdict=Verdict.DARK_AT_NIGHT, dark=nights)
    if len(seen.dawns) < LEAST_NIGHTS:
        return replace(health, verdict=Verdict.FEW_NIGHTS)
    return _gently(seen, limits, health)


def judge_lithium(seen: Seen, limits: Limits) -> SupplyHealth:
    """Judge lithium iron phosphate on the sun: its voltage tells little, its charging more."""
    health = plain_health(seen)
    if _is_stuck(seen):
        return _since(health, Verdict.STUCK, seen.nights[-_STUCK].peak_ms)
    if _is_overcharged(seen, limits):
        return replace(health, verdict=Verdict.OVERCHARGING)
    if _uncharged(seen) >= _UNCHARGED_LITHIUM:
        return _since(health, Verdict.NOT_CHARGING, health.charged_ms)
    return replace(health, verdict=Verdict.TELLS_LITTLE)


def judge_floated(seen: Seen, limits: Limits) -> SupplyHealth:
    """Judge a battery that mains keep floating: steady for a year is how it should be."""
    health = plain_health(seen)
    if _is_overcharged(seen, limits):
        return replace(health, verdict=Verdict.OVERCHARGING)
    if health.predawn_v is None:
        return health
    floating = [_is_floating(seen, night) for night in seen.dawns]
    if floating[-1]:
        few = len(seen.dawns) < LEAST_NIGHTS
        return replace(health, verdict=Verdict.FEW_NIGHTS if few else Verdict.STEADY)
    last = max((place for place, floats in enumerate(floating) if floats), default=None)
    charged_ms = None if last is None else _dawn_ms(seen, seen.dawns[last])
    health = replace(health, charged_ms=charged_ms)
    forecast = forecast_of(seen, limits, charges=False, start=last)
    return replace(_since(health, Verdict.NOT_CHARGING, charged_ms), forecast=forecast)


def _is_floating(seen: Seen, night: Night) -> bool:
    """Whether mains held the battery up before a dawn.

    Gel is floated as low as 13.05 V and meters err by 0.12 V: what always read so low floats.
    """
    lost_v = MAINS_LOST_V * seen.packs
    if night.predawn_v is None or night.predawn_v >= lost_v:
        return night.predawn_v is not None
    usual = float(np.median(seen.volts()))
    always_low = lost_v - 0.12 * seen.packs <= usual < lost_v
    return always_low and usual - night.predawn_v < 0.1 * seen.packs + seen.resolution_v


def _dawn_ms(seen: Seen, night: Night) -> int:
    return seen.place.sunrise_ms(night.day)


def _since(health: SupplyHealth, verdict: Verdict, since_ms: int | None) -> SupplyHealth:
    return replace(health, verdict=verdict, since_ms=since_ms)


def _uncharged(seen: Seen) -> int:
    return 0 if seen.charging is None else uncharged_run(seen.charging.charged)


def _is_low(seen: Seen, limits: Limits) -> bool:
    """Whether the newest pre-dawn voltage has left where a full battery rests."""
    volts = seen.volts()
    if not volts:
        return False
    full_v = max(*volts[-2 * LATELY :], limits.warn_v)
    return volts[-1] < full_v - 0.03 * seen.packs or volts[-1] < limits.warn_v


def _is_stuck(seen: Seen) -> bool:
    """Whether the reading of a battery that should move has not moved for nights."""
    newest = seen.nights[-_STUCK:]
    if len(newest) < _STUCK:
        return False
    shown = {value for night in newest for value in (night.low_v, night.peak_v, night.predawn_v)}
    return len(shown - {None}) == 1


def _is_overcharged(seen: Seen, limits: Limits) -> bool:
    newest = seen.nights[-_OVER:]
    return len(newest) == _OVER and all(
        night.peak_v is not None
        and night.peak_v
        > overcharge_from_v(
            seen.supply, limits, band_c(night.day, seen.place.latitude, seen.temperature_c)
        )
        + seen.resolution_v
        for night in newest
    )


# --- what goes slowly ----------------------------------------------------------------------


def _gently(seen: Seen, limits: Limits, health: SupplyHealth) -> SupplyHealth:
    """Judge a battery that is charged: declining, ageing or steady."""
    low = seen.volts()[-1] <= limits.urgent_v
    if low or _charges_weakly(seen, limits):
        return replace(health, verdict=Verdict.DECLINING, forecast=forecast_now(seen, limits))
    if _is_ageing(seen) or health.sag_grows:
        return replace(health, verdict=Verdict.AGEING)
    return replace(health, verdict=Verdict.STEADY)


def _charges_weakly(seen: Seen, limits: Limits) -> bool:
    """Whether it falls beyond doubt while no day has brought a good charge."""
    chosen = seen.dawns[-LATELY:]
    trend = trend_of([night.day for night in chosen], seen.volts(chosen), seen.resolution_v)
    if not trend.falls or seen.charging is None or any(seen.charging.absorbed[-LEAST_NIGHTS:]):
        return False
    lifts = [
        after.peak_v - before.predawn_v
        for before, after in zip(seen.nights[-6:-1], seen.nights[-5:], strict=True)
        if after.peak_v is not None and before.predawn_v is not None
    ]
    is_weak = bool(lifts) and max(lifts) < _WEAK_V * seen.packs
    fallen = max(seen.volts()[-2 * LATELY :]) - seen.volts()[-1]
    return is_weak and fallen >= _AGED_V * seen.packs and seen.volts()[-1] <= limits.warn_v


def _is_ageing(seen: Seen) -> bool:
    """Whether the pre-dawn voltage has fallen though the battery is full each day."""
    if len(seen.dawns) < 3 * LEAST_NIGHTS or seen.charging is None:
        return False
    full = seen.charging.absorbed[-LEAST_NIGHTS:]
    if sum(full) < LEAST_NIGHTS - 1 or seen.supply.chemistry is Chemistry.LIFEPO4:
        return False
    volts = seen.volts()
    before, now = volts[: -2 * LEAST_NIGHTS], volts[-LEAST_NIGHTS:]
    if float(np.median(before) - np.median(now)) < _AGED_V * seen.packs:
        return False
    days = [night.day for night in seen.dawns]
    surely = mann_kendall_z(np.array(volts)) < _SURELY
    return surely and trend_of(days, volts, seen.resolution_v).falls
