"""A flow whose total is exact: what has run through by any instant, and how fast it runs.

Each day has a volume, each ten minutes of it a share. The total is a straight line between
those corners, so a counter and a rate made of one flow always agree.
"""

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from tallymast.simulator.chance import Chance, Floats, Ints

DAY_S = 86400.0
BIN_S = 600.0
BINS = 144
EPOCH_S = 18262 * DAY_S  # 2020-01-01 00:00 UTC; totals count from that solar day on
_RATE_OVER_S = 60.0  # a meter shows the mean of its last minute

Shape = Callable[[Floats], Floats]


def household(hour: Floats) -> Floats:
    """Return a town's demand by local solar hour: morning and evening peaks, mean about 1."""
    morning = 0.9 * np.exp(-(((hour - 7.5) / 2.0) ** 2))
    evening = 0.8 * np.exp(-(((hour - 18.5) / 2.5) ** 2))
    return np.asarray(0.62 + morning + evening)


def irrigation(hour: Floats) -> Floats:
    """Return a turnout's demand by local solar hour: more by day than by night."""
    return np.asarray(1.0 + 0.45 * np.sin((hour - 8.0) / 24.0 * 2 * np.pi))


def steady(hour: Floats) -> Floats:
    """Return a demand that knows no hours, as of a well or a spring."""
    return np.ones_like(hour)


class Flow:
    """A flow in volume units a second, of mean ``mean_per_s`` over the days.

    Args:
        chance: where its days and minutes come from.
        mean_per_s: mean over many days [units/s].
        shape: relative demand by local solar hour.
        shift_s: local solar time minus UTC [s].
        restless: how much one ten minutes differs from the next, share.

    """

    def __init__(
        self, chance: Chance, mean_per_s: float, shape: Shape, shift_s: float, restless: float
    ) -> None:
        self._chance = chance
        self._mean = mean_per_s
        self._shift_s = shift_s
        self._restless = restless
        hours: Floats = (np.arange(BINS, dtype=np.float64) + 0.5) * BIN_S / 3600.0
        self._shape = shape(hours)
        self._corners = lru_cache(maxsize=4)(self._corners_of)

    def total(self, at_s: Floats) -> Floats:
        """Return the volume that has passed since 2020 [units]."""
        local = at_s + self._shift_s - EPOCH_S
        first = int(np.floor(local.min() / DAY_S))
        last = int(np.floor(local.max() / DAY_S))
        corners = self._corners(first, last - first + 1)
        times = first * DAY_S + BIN_S * np.arange(len(corners))
        return np.interp(local, times, corners)

    def rate_per_s(self, at_s: Floats) -> Floats:
        """Return the mean flow over the minute before each instant [units/s]."""
        return (self.total(at_s) - self.total(at_s - _RATE_OVER_S)) / _RATE_OVER_S

    def corners(self, from_s: float, to_s: float) -> tuple[Floats, Floats]:
        """Return the corners of the total that span from..to: instants [s UTC], volumes."""
        origin = EPOCH_S - self._shift_s
        first = int(np.floor((from_s - origin) / DAY_S))
        last = int(np.floor((to_s - origin) / DAY_S))
        volumes = self._corners(first, last - first + 1)
        times: Floats = origin + first * DAY_S + BIN_S * np.arange(len(volumes), dtype=np.float64)
        return times, volumes

    def _corners_of(self, first: int, days: int) -> Floats:
        """Return the total at every ten minutes of ``days`` solar days: days * 144 + 1."""
        day = np.arange(first, first + days, dtype=np.int64)
        step = day[:, None] * BINS + np.arange(BINS, dtype=np.int64)
        uneven = 1.0 + self._restless * self._chance.normal(step)
        weight = self._shape * np.maximum(uneven, 0.1)
        share = np.cumsum(weight, axis=1) / weight.sum(axis=1, keepdims=True)
        volume = self._volume(day)
        begun = self._before(first) + np.concatenate(([0.0], np.cumsum(volume)[:-1]))
        inner = begun[:, None] + share * volume[:, None]
        return np.concatenate((begun[:1], inner.ravel()))

    def _volume(self, day: Ints) -> Floats:
        """Return the volume of each day counted from the epoch [units]."""
        at_s: Floats = (day.astype(np.float64) + 0.5) * DAY_S
        swing = 0.18 * self._chance.smooth(at_s, 3.0 * DAY_S)
        return self._mean * DAY_S * (1.0 + swing)

    def _before(self, day: int) -> float:
        """Return the volume of all days before one."""
        if day <= 0:
            return -float(self._volume(np.arange(day, 0, dtype=np.int64)).sum())
        return float(self._volume(np.arange(0, day, dtype=np.int64)).sum())
