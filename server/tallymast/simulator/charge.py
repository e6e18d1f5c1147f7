"""How full a battery is at any instant, stepped on a fixed grid from midsummer on.

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
from tallymast.simulator.battery import CHARGING, cold_share, rest_drift, rest_slopes
from tallymast.simulator.chance import Floats

STEP_S = 900.0
ABSORBED_A = 0.25  # Ours: a discharged battery takes a quarter of its capacity in an hour
_YEAR_STEPS = 366 * 96 + 1
_BLOCK_STEPS = 16 * 96  # a year is computed as far as it is needed, in blocks
_SURFACE_V, _SURFACE_S = 0.35, 5400.0  # Ours: surface charge of lead-acid and how it fades
_SURFACE_LEFT = math.exp(-STEP_S / _SURFACE_S)
_FULL = 0.995  # Ours: here the controller goes to float
_BEND = 9.0  # Ours: how soon a charging current lifts the terminals, see ``lifted``
_LOG_BEND = math.log1p(_BEND)

Cell = tuple[float, float, float, float]  # charge, surface volts, floating 0/1, load on 0/1


@dataclass(frozen=True, slots=True)
class ChargeRules:
    """What decides a battery's course; voltages as of a 12 V pack."""

    chemistry: Chemistry
    load_a: float
    disconnect_v: float
    reconnect_v: float


@dataclass(frozen=True, slots=True)
class Conditions:
    """What works on a battery at some instants.

    Attributes:
        charge_a: what the charger could give [A].
        capacity_ah: what the battery holds when full and warm [Ah].
        temperature_c: of the battery [°C].

    """

    charge_a: Floats
    capacity_ah: Floats
    temperature_c: Floats


@dataclass(frozen=True, slots=True)
class ChargeState:
    """A battery at some instants.

    Attributes:
        charge: share of the full charge, 0..1.
        surface_v: what surface charge adds to the rest voltage [V of a 12 V pack].
        floating: how far the controller has gone from absorption to float, 0..1.
        is_on: whether the load is connected.

    """

    charge: Floats
    surface_v: Floats
    floating: Floats
    is_on: np.ndarray


class Charge:
    """One battery through the years.

    Args:
        rules: battery, load and controller.
        conditions: what works on it at each instant.
        latitude: of the site; its sign says when midsummer is.

    """

    def __init__(
        self, rules: ChargeRules, conditions: Callable[[Floats], Conditions], latitude: float
    ) -> None:
        self._rules = rules
        self._conditions = conditions
        self._month = 7 if latitude >= 0 else 1
        self._slopes = rest_slopes(rules.chemistry)
        self._year = lru_cache(maxsize=3)(self._new_year)

    def at(self, at_s: Floats) -> ChargeState:
        """Return the battery at each instant [s since 1970 UTC]."""
        rows = np.empty((4, len(at_s)))
        first, last = self._year_of(float(at_s.min())), self._year_of(float(at_s.max()))
        for year in range(first, last + 1):
            course = self._year(year)
            here = (at_s >= course.begin_s) & (at_s < self._begin_s(year + 1))
            rows[:, here] = course.at(at_s[here])
        return ChargeState(rows[0], rows[1], rows[2], rows[3] > 0.5)

    def dark_spans(self, upto_s: float) -> list[tuple[float, float]]:
        """Return when the load was off in the year's course, up to an instant [s UTC].

        A span that has not ended by then ends at infinity.
        """
        return self._year(self._year_of(upto_s)).dark_spans(upto_s)

    def _year_of(self, at_s: float) -> int:
        year = datetime.fromtimestamp(at_s, UTC).year
        return year if at_s >= self._begin_s(year) else year - 1

    def _begin_s(self, year: int) -> float:
        return datetime(year, self._month, 1, tzinfo=UTC).timestamp()

    def _new_year(self, year: int) -> "_Course":
        return _Course(self._begin_s(year), self._block)

    def _block(self, begin_s: float, before: Cell) -> tuple[Floats, Cell]:
        """Step a block of the year on from the battery as it was before it."""
        at_s: Floats = begin_s + STEP_S * np.arange(_BLOCK_STEPS, dtype=np.float64)
        now = self._conditions(at_s)
        chemistry = self._rules.chemistry
        usable = now.capacity_ah * slow_share(chemistry, now.temperature_c)
        held = CHARGING[chemistry].absorption_v + CHARGING[chemistry].drift_v * (
            now.temperature_c - 25.0
        )
        columns = (
            now.charge_a.tolist(),
            now.capacity_ah.tolist(),
            (STEP_S / 3600.0 / usable).tolist(),
            rest_drift(chemistry, now.temperature_c).tolist(),
            held.tolist(),
        )
        rows = _steps(self._rules, self._slopes, columns, before)
        return np.array(rows, dtype=np.float64).T, rows[-1]


def _steps(
    rules: ChargeRules,
    slopes: list[tuple[float, float]],
    columns: tuple[list[float], ...],
    cell: Cell,
) -> list[Cell]:
    """Return the battery after each step; one loop without calls, it runs 35 000 times a year.

    Args:
        rules: battery, load and controller.
        slopes: rest voltage at the start of each tenth of charge and its rise over it.
        columns: at each step what the charger could give [A], the capacity [Ah], the share of
            the charge one ampere moves, what temperature adds to the rest voltage [V], and
            where the controller holds the terminals [V].
        cell: the battery before the first step.

    """
    charge, surface_v, floating, is_on = cell
    load_a, off_v, on_v = rules.load_a, rules.disconnect_v, rules.reconnect_v
    efficiency = CHARGING[rules.chemistry].efficiency
    has_surface = rules.chemistry is not Chemistry.LIFEPO4
    steps: list[Cell] = []
    for panel_a, capacity_ah, gain, drift_v, held_v in zip(*columns, strict=True):
        net = panel_a - load_a * is_on
        lifted_v = 0.0
        if net > 0.0:
            left = 1.0 - charge
            takes = capacity_ah * (ABSORBED_A * (left / 0.15 if left < 0.15 else 1.0) + 0.001)
            taken = net if net < takes else takes
            charge = min(1.0, charge + taken * efficiency * gain)
            surface_v = min(_SURFACE_V, surface_v + 0.1) if has_surface else 0.0
            if charge >= _FULL:
                floating = 1.0
            lifted_v = math.log1p(_BEND * taken / takes) / _LOG_BEND
        else:
            charge = max(0.0, charge + net * gain)
            surface_v *= _SURFACE_LEFT
            floating = 0.0
        tenth = min(9, int(charge * 10.0))
        low, rise = slopes[tenth]
        rest_v = low + rise * (charge * 10.0 - tenth) + drift_v
        if is_on and net <= 0.0 and rest_v + surface_v - load_a * 0.1 < off_v:
            is_on = 0.0
        elif not is_on and rest_v + max(0.0, held_v - rest_v) * lifted_v >= on_v:
            is_on = 1.0
        steps.append((charge, surface_v, floating, is_on))
    return steps


class _Course:
    """One battery's way through a year, computed as far as somebody looked."""

    def __init__(self, begin_s: float, block: Callable[[float, Cell], tuple[Floats, Cell]]) -> None:
        self.begin_s = begin_s
        self._block = block
        self._rows = np.empty((4, _YEAR_STEPS + _BLOCK_STEPS))
        self._known = 0
        self._cell: Cell = (1.0, 0.0, 0.0, 1.0)

    def at(self, at_s: Floats) -> Floats:
        """Return charge, surface volts, floating and load at each instant: (4, n)."""
        if not len(at_s):
            return np.empty((4, 0))
        place = (at_s - self.begin_s) / STEP_S
        left = np.floor(place).astype(np.int64)
        self._extend(int(left.max()) + 2)
        low, high = self._rows[:, left], self._rows[:, left + 1]
        found = low + (high - low) * (place - left)
        found[3] = low[3]
        return np.asarray(found)

    def dark_spans(self, upto_s: float) -> list[tuple[float, float]]:
        """Return when the load was off, up to an instant."""
        steps = int((upto_s - self.begin_s) // STEP_S) + 1
        self._extend(steps + 1)
        is_on = np.concatenate(([True], self._rows[3, :steps] > 0.5))
        edges = np.flatnonzero(np.diff(is_on))  # the first of each pair switches it off
        times = [self.begin_s + STEP_S * int(edge) for edge in edges]
        if len(times) % 2:
            times.append(math.inf)
        return list(zip(times[::2], times[1::2], strict=True))

    def _extend(self, steps: int) -> None:
        while self._known < steps:
            begin_s = self.begin_s + self._known * STEP_S
            rows, self._cell = self._block(begin_s, self._cell)
            self._rows[:, self._known : self._known + _BLOCK_STEPS] = rows
            self._known += _BLOCK_STEPS


def slow_share(chemistry: Chemistry, temperature_c: Floats) -> Floats:
    """Return the share of the capacity that the cold leaves to a station's small load.

    Ours: the published shares are for a discharge within a day; at a station's load, twenty
    times smaller, half of the loss shows.
    """
    return 1.0 - 0.5 * (1.0 - cold_share(chemistry, temperature_c))


def accepted_a(capacity_ah: Floats, charge: Floats) -> Floats:
    """Return the current a battery takes at its absorption voltage [A]; Ours: C/4, tapering."""
    tapering = np.minimum(1.0, (1.0 - charge) / 0.15)
    return np.asarray(capacity_ah * (ABSORBED_A * tapering + 0.001))


def lifted(current_a: Floats, capacity_ah: Floats, charge: Floats) -> Floats:
    """Return how far a charging current lifts the terminals from rest to where they are held.

    Ours: the logarithm of the share of the accepted current, as an overpotential grows
    (Tafel's law in form); 0 without current, 1 where the battery takes no more.
    """
    share = np.clip(current_a / accepted_a(capacity_ah, charge), 0.0, 1.0)
    return np.asarray(np.log1p(_BEND * share) / _LOG_BEND)
