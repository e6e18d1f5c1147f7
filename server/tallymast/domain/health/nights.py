"""What a night says about a battery: its voltage before dawn, its deepest sag, the day's peak.

The voltage before dawn is the median of the two hours before sunrise: a station's load is so
small that this is nearly the battery's voltage at rest. The lowest reading of the night is kept
apart, because it is mostly the sag of a transmitter or a solenoid.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import lru_cache

import numpy as np
from astral import Observer
from astral.sun import sunrise, sunset
from numpy.typing import NDArray

PRE_DAWN_MS = 2 * 3_600_000
NIGHT_MS = 12 * 3_600_000  # ours: the lowest reading is looked for in the last half day
DAY_MS = 86_400_000
_EPOCH = date(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class Night:
    """The night that ends with a local day's sunrise.

    Attributes:
        day: the local day, counted from 1970-01-01.
        predawn_v: median of the two hours before sunrise [V], None without a reading.
        low_v: lowest reading of the twelve hours before sunrise [V], None without a reading.
        low_ms: when that was.
        peak_v: highest reading of the twenty-four hours before sunrise [V].
        peak_ms: when that was.
        n: readings in the two hours.

    """

    day: int
    predawn_v: float | None
    low_v: float | None
    low_ms: int | None
    peak_v: float | None
    peak_ms: int | None
    n: int


def day_number(day: date) -> int:
    """Return a day as its count from 1970-01-01."""
    return (day - _EPOCH).days


def day_of(number: int) -> date:
    """Return the day of a count from 1970-01-01."""
    return _EPOCH + timedelta(days=number)


@lru_cache(maxsize=8192)  # asked again at every look for the same weeks
def sunrise_ms(day: date, latitude: float, longitude: float, zone: tzinfo) -> int:
    """Return when the sun rises on a local day [ms since 1970 UTC].

    Where it does not rise that day, 06:00 on the local clock stands for it.

    Source: the astral library, after NOAA's solar calculations; compared in the tests with pvlib.
    """
    try:
        at = sunrise(Observer(latitude, longitude), date=day, tzinfo=zone)
    except ValueError:
        at = datetime.combine(day, time(6), zone)
    return round(at.astimezone(UTC).timestamp() * 1000)


@lru_cache(maxsize=8192)
def sunset_ms(day: date, latitude: float, longitude: float, zone: tzinfo) -> int:
    """Return when the sun sets on a local day [ms since 1970 UTC].

    Where it does not set that day, 18:00 on the local clock stands for it.

    Source: as of the sunrise.
    """
    try:
        at = sunset(Observer(latitude, longitude), date=day, tzinfo=zone)
    except ValueError:
        at = datetime.combine(day, time(18), zone)
    return round(at.astimezone(UTC).timestamp() * 1000)


def night_of(
    day: date, sunrise_at_ms: int, at_ms: NDArray[np.int64], volts: NDArray[np.float64]
) -> Night:
    """Return what the readings say about the night before a sunrise.

    Args:
        day: the local day of the sunrise.
        sunrise_at_ms: the sunrise.
        at_ms: when each reading was made, ascending; others than the day before it are left out.
        volts: the readings [V], NaN in gaps.

    """
    known = ~np.isnan(volts) & (at_ms >= sunrise_at_ms - DAY_MS) & (at_ms < sunrise_at_ms)
    at_ms, volts = at_ms[known], volts[known]
    before_dawn = volts[at_ms >= sunrise_at_ms - PRE_DAWN_MS]
    dark = at_ms >= sunrise_at_ms - NIGHT_MS
    low, peak = _extreme(at_ms[dark], -volts[dark]), _extreme(at_ms, volts)
    return Night(
        day_number(day),
        float(np.median(before_dawn)) if len(before_dawn) else None,
        None if low is None else -low[1],
        None if low is None else low[0],
        None if peak is None else peak[1],
        None if peak is None else peak[0],
        len(before_dawn),
    )


def _extreme(at_ms: NDArray[np.int64], numbers: NDArray[np.float64]) -> tuple[int, float] | None:
    if not len(numbers):
        return None
    place = int(np.argmax(numbers))
    return int(at_ms[place]), float(numbers[place])
