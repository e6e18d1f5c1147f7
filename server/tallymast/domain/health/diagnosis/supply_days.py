"""A supply day by day: how far the sun lifted it above dawn, how fast it fell in the night.

Read from the clock hours of its voltage, so that the day under way counts too. All voltages
are as of a 12 V pack.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.nights import DAY_MS, day_number
from tallymast.domain.health.supply.dark import Place
from tallymast.domain.local_times import local_time
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.spans import SpanSeries

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_EVERY: Final = 4  # days between sunrises that are worked out; between them a straight line
_SETTLED_H: Final = 4  # ours: hours after sunset in which what charging left behind fades
_NIGHT_H: Final = 8  # ours: of a long night its last hours tell
_LEAST_H: Final = 3  # ours: fewer hours show no fall
_TOLD_H: Final = 1  # ours: hours after solar noon from which a day without lift is one
_HELD_H: Final = 4  # ours: a full battery needs no absorption of so many hours
_KNOWN: Final = 0.6  # ours: share of a morning's hours that must be known
_STALE_DAYS: Final = 3  # so far back a dawn is looked for where the nearest is missing


@dataclass(frozen=True, slots=True)
class Day:
    """A local day of a supply, and the night before it.

    Attributes:
        day: counted from 1970-01-01.
        dawn_v: mean of the two hours before sunrise, None without a reading.
        peak_v: highest hour of daylight so far, None without a reading.
        peak_ms: its beginning.
        lift_v: the peak above the dawn; None where that is not known, or too early to say.
        fall_v_h: how fast the voltage fell in the settled hours of the night [V/h].
        held_ms: the end of the last hour in which it was lifted more than half as far.
        held_v: what it was at or above for four hours of daylight.

    """

    day: int
    dawn_v: float | None = None
    peak_v: float | None = None
    peak_ms: int | None = None
    lift_v: float | None = None
    fall_v_h: float | None = None
    held_ms: int | None = None
    held_v: float | None = None


@dataclass(frozen=True, slots=True)
class Sun:
    """Sunrise, solar noon and sunset of some days, UTC milliseconds."""

    days: Ints
    rise_ms: Floats
    noon_ms: Floats

    @property
    def set_ms(self) -> Floats:
        """Return sunset, as far after noon as sunrise was before; right to half an hour."""
        return np.asarray(2 * self.noon_ms - self.rise_ms)


def sun_of(place: Place, now_ms: int, count: int) -> Sun:
    """Return the sun of the newest local days, today last."""
    today = day_number(local_time(now_ms, place.zone).date())
    days = np.arange(today - count + 1, today + 1)
    some = np.arange(days[0], today + _EVERY, _EVERY)
    rises = np.array([place.sunrise_ms(int(day)) for day in some], np.float64)
    rise_ms = np.interp(days, some, rises)
    if place.longitude is None:
        return Sun(days, rise_ms, rise_ms + 6 * HOUR_MS)
    noon_ms = days * float(DAY_MS) + (12 - place.longitude / 15) * HOUR_MS
    whole = np.round((rise_ms + 6 * HOUR_MS - noon_ms) / DAY_MS)
    return Sun(days, rise_ms, noon_ms + whole * DAY_MS)


def days_of(volts: SpanSeries, packs: float, place: Place, now_ms: int, count: int) -> list[Day]:
    """Return a supply's newest local days, those without any reading left out.

    Args:
        volts: the supply voltage by clock hour.
        packs: 12 V packs in a row.
        place: where the sun rises for it.
        now_ms: the instant.
        count: of days, today among them.

    """
    sun = sun_of(place, now_ms, count)
    known = volts.n > 0
    hours = (volts.at_ms[known].astype(np.float64), volts.mean[known] / packs)
    found: list[Day] = []
    for n, day in enumerate(sun.days.tolist()):
        dusk_ms = float(sun.set_ms[n - 1]) if n else float(sun.rise_ms[n] - 12 * HOUR_MS)
        one = _night(Day(day), hours, dusk_ms, float(sun.rise_ms[n]))
        bounds = (float(sun.rise_ms[n]), float(sun.noon_ms[n]), float(sun.set_ms[n]))
        one = _daylight(one, hours, bounds, found, now_ms)
        if one != Day(day):
            found.append(one)
    return found


def _night(one: Day, hours: tuple[Floats, Floats], dusk_ms: float, rise_ms: float) -> Day:
    at_ms, volts = hours
    begin_ms = max(dusk_ms + _SETTLED_H * HOUR_MS, rise_ms - _NIGHT_H * HOUR_MS)
    edges = (rise_ms - 3 * HOUR_MS, begin_ms, rise_ms - 0.8 * HOUR_MS)
    late, first, end = np.searchsorted(at_ms, edges).tolist()
    last, settled = slice(late, end), slice(first, end)
    dawn = float(volts[last].mean()) if late < end else None
    return replace(one, dawn_v=dawn, fall_v_h=_fall(at_ms[settled], volts[settled]))


def _fall(at_ms: Floats, volts: Floats) -> float | None:
    """Return how fast voltages fall by a straight line through them [V/h]."""
    if len(at_ms) < _LEAST_H:
        return None
    hours = (at_ms - at_ms.mean()) / HOUR_MS
    return -float((hours * (volts - volts.mean())).sum() / (hours**2).sum())


def _daylight(
    one: Day,
    hours: tuple[Floats, Floats],
    sun_ms: tuple[float, float, float],
    before: Sequence[Day],
    now_ms: int,
) -> Day:
    at_ms, volts = hours
    rise_ms, noon_ms, set_ms = sun_ms
    first, end = np.searchsorted(at_ms, (rise_ms, set_ms)).tolist()
    if first == end:
        return one
    at_ms, volts = at_ms[first:end], volts[first:end]
    place = int(np.argmax(volts))
    peak = float(volts[place])
    held_v = float(np.sort(volts)[-_HELD_H]) if len(volts) >= _HELD_H else None
    one = replace(one, peak_v=peak, peak_ms=int(at_ms[place]), held_v=held_v)
    low = one.dawn_v if one.dawn_v is not None else _last_dawn(one.day, before)
    told_ms = noon_ms + _TOLD_H * HOUR_MS
    wanted = (told_ms - rise_ms) / HOUR_MS
    if low is None or now_ms < told_ms or (at_ms < told_ms).sum() < _KNOWN * wanted:
        return one
    held = at_ms[volts >= low + 0.6 * (peak - low)]
    held_ms = int(held[-1]) + HOUR_MS if peak > low else None
    return replace(one, lift_v=peak - low, held_ms=held_ms)


def _last_dawn(day: int, before: Sequence[Day]) -> float | None:
    for earlier in reversed(before):
        if day - earlier.day > _STALE_DAYS:
            return None
        if earlier.dawn_v is not None:
            return earlier.dawn_v
    return None
