"""How full a solar battery is at any instant, stepped on a fixed grid from midsummer on.

Every sound battery is full at the beginning of July (of January south of the equator), so the
course through a year begins there and never depends on when somebody began to look.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np

from tallymast.domain.model import Chemistry
from tallymast.simulator.battery import (
    CHARGING,
    cold_share,
    rest_at,
    rest_drift,
    rest_slopes,
)
from tallymast.simulator.chance import Floats
from tallymast.simulator.weather import Weather

STEP_S = 900.0
_YEAR_STEPS = 366 * 96 + 1
_BLOCK_STEPS = 16 * 96  # a year is computed as far as it is needed, in blocks
_SURFACE_V, _SURFACE_S = 0.35, 5400.0  # Ours: surface charge of lead-acid and how it fades
_SURFACE_LEFT = math.exp(-STEP_S / _SURFACE_S)
_FULL = 0.985  # Ours: here the controller goes to float

_Cell = tuple[float, float, bool, bool]  # charge, surface volts, floating, load on


@dataclass(frozen=True, slots=True)
class ChargeRules:
    """What decides a battery's course; voltages as of a 12 V pack."""

    chemistry: Chemistry
    capacity_ah: float
    load_a: float
    disconnect_v: float
    reconnect_v: float


@dataclass(frozen=True, slots=True)
class ChargeState:
    """A battery at some instants.

    Attributes:
        charge: share of the full charge, 0..1.
        surface_v: what surface charge adds to the rest voltage [V of a 12 V pack].
        is_full: whether the controller floats.
        is_on: whether the load is connected.

    """

    charge: Floats
    surface_v: Floats
    is_full: np.ndarray
    is_on: np.ndarray


class Charge:
    """One battery through the years.

    Args:
        rules: battery, load and controller.
        charge_a: what the panel would give at each instant [A].
        weather: how warm the battery is.
        latitude: of the site; its sign says when midsummer is.

    """

    def __init__(
        self,
        rules: ChargeRules,
        charge_a: Callable[[Floats], Floats],
        weather: Weather,
        latitude: float,
    ) -> None:
        self._rules = rules
        self._charge_a = charge_a
        self._weather = weather
        self._month = 7 if latitude >= 0 else 1
        self._slopes = rest_slopes(rules.chemistry)
        self._efficiency = CHARGING[rules.chemistry].efficiency
        self._has_surface = float(rules.chemistry is not Chemistry.LIFEPO4)
        self._year = lru_cache(maxsize=3)(self._new_year)

    def at(self, at_s: Floats) -> ChargeState:
        """Return the battery at each instant [s since 1970 UTC]."""
        rows = np.empty((4, len(at_s)))
        first, last = self._year_of(float(at_s.min())), self._year_of(float(at_s.max()))
        for year in range(first, last + 1):
            course = self._year(year)
            here = (at_s >= course.begin_s) & (at_s < self._begin_s(year + 1))
            rows[:, here] = course.at(at_s[here])
        return ChargeState(rows[0], rows[1], rows[2] > 0.5, rows[3] > 0.5)

    def _year_of(self, at_s: float) -> int:
        year = datetime.fromtimestamp(at_s, UTC).year
        return year if at_s >= self._begin_s(year) else year - 1

    def _begin_s(self, year: int) -> float:
        return datetime(year, self._month, 1, tzinfo=UTC).timestamp()

    def _new_year(self, year: int) -> "_Course":
        return _Course(self._begin_s(year), self._block)

    def _block(self, begin_s: float, before: _Cell) -> tuple[Floats, _Cell]:
        """Step a block of the year on from the battery as it was before it."""
        at_s: Floats = begin_s + STEP_S * np.arange(_BLOCK_STEPS, dtype=np.float64)
        temperature = self._weather.daily_temperature_c(at_s)
        panel = self._charge_a(at_s).tolist()
        share = STEP_S / 3600.0 / self._rules.capacity_ah
        gain = (share / cold_share(self._rules.chemistry, temperature)).tolist()
        drift = rest_drift(self._rules.chemistry, temperature).tolist()
        cell = before
        steps: list[_Cell] = []
        for n in range(_BLOCK_STEPS):
            cell = self._step(cell, panel[n], gain[n], drift[n])
            steps.append(cell)
        return np.array(steps, dtype=np.float64).T, cell

    def _step(self, cell: _Cell, panel_a: float, gain: float, drift_v: float) -> _Cell:
        """Return the battery one step later.

        Args:
            cell: charge, surface volts, floating, load on.
            panel_a: what the panel would give [A].
            gain: share of the charge one ampere moves in a step.
            drift_v: what temperature adds to the rest voltage [V].

        """
        charge, surface_v, is_full, is_on = cell
        rules = self._rules
        net = panel_a - (rules.load_a if is_on else 0.0)
        if net > 0.0:
            taken = min(net, rules.capacity_ah * (0.25 * min(1.0, (1.0 - charge) / 0.15) + 0.001))
            charge = min(1.0, charge + taken * self._efficiency * gain)
            surface_v = min(_SURFACE_V, surface_v + 0.1) * self._has_surface
            is_full = is_full or charge >= _FULL
        else:
            charge = max(0.0, charge + net * gain)
            surface_v *= _SURFACE_LEFT
            is_full = False
        volts = rest_at(self._slopes, charge) + drift_v + surface_v
        if is_on and volts - rules.load_a * 0.1 < rules.disconnect_v and net <= 0.0:
            is_on = False
        elif not is_on and volts + (0.35 if net > 0.0 else 0.0) >= rules.reconnect_v:
            is_on = True
        return charge, surface_v, is_full, is_on


class _Course:
    """One battery's way through a year, computed as far as somebody looked."""

    def __init__(
        self, begin_s: float, block: Callable[[float, _Cell], tuple[Floats, _Cell]]
    ) -> None:
        self.begin_s = begin_s
        self._block = block
        self._rows = np.empty((4, _YEAR_STEPS + _BLOCK_STEPS))
        self._known = 0
        self._cell: _Cell = (1.0, 0.0, False, True)

    def at(self, at_s: Floats) -> Floats:
        """Return charge, surface volts, floating and load at each instant: (4, n)."""
        if not len(at_s):
            return np.empty((4, 0))
        place = (at_s - self.begin_s) / STEP_S
        left = np.floor(place).astype(np.int64)
        self._extend(int(left.max()) + 2)
        low, high = self._rows[:, left], self._rows[:, left + 1]
        found = low + (high - low) * (place - left)
        found[2:] = low[2:]
        return np.asarray(found)

    def _extend(self, steps: int) -> None:
        while self._known < steps:
            begin_s = self.begin_s + self._known * STEP_S
            rows, self._cell = self._block(begin_s, self._cell)
            self._rows[:, self._known : self._known + _BLOCK_STEPS] = rows
            self._known += _BLOCK_STEPS


def accepted_a(capacity_ah: float, charge: Floats) -> Floats:
    """Return the current a battery takes at its absorption voltage [A]; Ours: C/4, tapering."""
    return capacity_ah * (0.25 * np.minimum(1.0, (1.0 - charge) / 0.15) + 0.001)
