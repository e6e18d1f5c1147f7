"""A tank between a demand and a pump: level, pumped volume and run contact from one balance.

The pump starts at the start level and stops at the stop level. Once a day the controller
begins a fill so that the tank is exactly full at a fixed hour: there the past is forgotten,
so a level needs no history but its own day's.
"""

from functools import lru_cache

import numpy as np

from tallymast.simulator.chance import Floats
from tallymast.simulator.flow import DAY_S, EPOCH_S, Flow


class PumpedTank:
    """Level and pump of one tank.

    Args:
        demand: what is drawn.
        inflow_per_s: what the pump brings while it runs; above any demand [units/s].
        start: level at which the pump starts.
        stop: level at which it stops.
        volume: drawn between the two [units].
        full_at_s: seconds after midnight UTC at which the tank is full each day.

    """

    def __init__(
        self,
        demand: Flow,
        inflow_per_s: float,
        start: float,
        stop: float,
        volume: float,
        full_at_s: float,
    ) -> None:
        self._demand = demand
        self._inflow = inflow_per_s
        self._start = start
        self._stop = stop
        self._volume = volume
        self._origin_s = EPOCH_S + full_at_s
        self._switchings = lru_cache(maxsize=8)(self._switchings_of)

    def level(self, at_s: Floats) -> Floats:
        """Return the level at each instant."""
        missing = self._demand.total(at_s) - self.pumped(at_s)
        return self._stop - missing / self._volume * (self._stop - self._start)

    def pumped(self, at_s: Floats) -> Floats:
        """Return the volume pumped since 2020 [units]: what was drawn, less what is missing."""
        times, volumes = self._pumped_corners(at_s)
        return np.interp(at_s, times, volumes)

    def runs(self, at_s: Floats) -> np.ndarray:
        """Return whether the pump runs at each instant."""
        times, _ = self._pumped_corners(at_s)
        return np.asarray(np.searchsorted(times, at_s, side="right") % 2 == 1)

    def run_hours(self, at_s: Floats) -> Floats:
        """Return the hours the pump ran since 2020."""
        return self.pumped(at_s) / self._inflow / 3600.0

    def _pumped_corners(self, at_s: Floats) -> tuple[Floats, Floats]:
        """Return where the pumped volume bends, from the day of the first instant on.

        The pump rests before the first corner, runs up to the second, rests up to the third.
        """
        first = int(np.floor((at_s.min() - self._origin_s) / DAY_S))
        last = int(np.floor((at_s.max() - self._origin_s) / DAY_S))
        days = [self._switchings(day) for day in range(first, last + 1)]
        return (
            np.concatenate([times for times, _ in days]),
            np.concatenate([volumes for _, volumes in days]),
        )

    def _switchings_of(self, day: int) -> tuple[Floats, Floats]:
        """Return a day's starts and stops in turn, with the volume pumped by then."""
        full, next_full = self._origin_s + day * DAY_S, self._origin_s + (day + 1) * DAY_S
        times, drawn = self._demand.corners(full, next_full)
        surplus = self._inflow * (times - times[0]) - drawn  # grows while the pump runs
        drawn_at_end = float(np.interp(next_full, times, drawn))
        switched: list[float] = []
        pumped: list[float] = []
        balance = float(np.interp(full, times, drawn))
        while True:
            # The last fill begins so early that the tank is full at the hour.
            last = next_full - (drawn_at_end - balance) / self._inflow
            started = float(np.interp(balance + self._volume, drawn, times))
            start = min(last, started)
            pumped += [balance]
            switched += [start]
            if last <= started:
                return np.array([*switched, next_full]), np.array([*pumped, drawn_at_end])
            goal = float(np.interp(start, times, surplus)) + self._volume
            stopped = float(np.interp(goal, surplus, times))
            balance = float(np.interp(stopped, times, drawn))
            pumped += [balance]
            switched += [stopped]
