"""What runs, fills and flows at one site, by what its points are.

Ours throughout: typical tanks, wells, gates and meters. A total and its rate come of one flow,
a pump's contact, volume and pressure of one balance, so the values of a site fit together.
"""

from collections.abc import Callable, Sequence

import numpy as np

from tallymast.domain.model import Point, PointKind, Site
from tallymast.simulator.chance import Chance, Floats
from tallymast.simulator.counting import (
    counted,
    forgetting,
    is_inside,
    joined,
    off_spans,
    selector_spans,
    shown,
)
from tallymast.simulator.faults import Faults
from tallymast.simulator.flow import DAY_S, Flow, Shape, household, irrigation, steady
from tallymast.simulator.tank import PumpedTank

_FALLBACK_PULSES_PER_S = 0.4
_SHARE_OF_MAX_RATE = 0.03
_FULL_AT_S = 12.0 * 3600.0


class Process:
    """The flows, the pump and the levels of one site.

    Args:
        site: whose.
        seed: the network's.
        shift_s: local solar time minus UTC [s].
        faults: ordered troubles.
        dark_spans: when the station had no power, up to an instant [s since 1970 UTC].

    """

    def __init__(
        self,
        site: Site,
        seed: int,
        shift_s: float,
        faults: Faults,
        dark_spans: Callable[[float], Sequence[tuple[float, float]]],
    ) -> None:
        self._site = site
        self._dark_spans = dark_spans
        self._stopped = joined(off_spans(faults, site), selector_spans(faults, site))
        self._restarts = forgetting(faults, site)
        self._seed = seed
        self._shift_s = shift_s
        self._totals = [p for p in site.points if p.kind is PointKind.TOTALIZER]
        self._rates = [p for p in site.points if p.kind is PointKind.RATE]
        self._flows: dict[str, Flow] = {}
        self.has_pump = any(p.kind is PointKind.DURATION for p in site.points)
        self._tank = self._pumped_tank()

    # --- pumps ------------------------------------------------------------------------

    def runs(self, at_s: Floats) -> np.ndarray:
        """Return whether the site's pump runs."""
        return np.asarray(self._tank.runs(at_s) & ~is_inside(self._stopped, at_s))

    def run_hours(self, at_s: Floats) -> Floats:
        """Return the hours the pump has run since 2020."""
        return counted(self._tank.run_hours, self._stopped, at_s)

    def full_share(self, at_s: Floats) -> Floats:
        """Return how full the site's tank is between its start and stop levels, 0..1."""
        return self._tank.level(at_s)

    # --- meters -----------------------------------------------------------------------

    def pulses(self, point: Point, at_s: Floats) -> Floats:
        """Return a totalizer's count, within its modulus."""
        flowed = self._gross(point)
        stopped = self._stopped if self._is_pumped(point) else ()
        uncounted = joined(self._dark_spans(float(at_s.max())), stopped)
        return shown(lambda when: counted(flowed, uncounted, when), self._restarts, point, at_s)

    def flowed(self, point: Point, at_s: Floats) -> Floats:
        """Return what really flowed through a totalizer's meter since 2020 [pulses].

        Whether or not its station counted it; not rounded to whole pulses.
        """
        stopped = self._stopped if self._is_pumped(point) else ()
        return counted(self._gross(point), stopped, at_s)

    def rate(self, point: Point, at_s: Floats) -> Floats:
        """Return a rate in the unit of its point, from the flow of the total beside it."""
        place = self._rates.index(point)
        if place >= len(self._totals):
            return self._flow(point).rate_per_s(at_s)
        total = self._totals[place]
        volume = total.volume_per_pulse or 1.0 / (total.k_factor or 1.0)
        return self._flow(total).rate_per_s(at_s) * volume * _per_unit_of_time(point.unit)

    def _gross(self, point: Point) -> Callable[[Floats], Floats]:
        return self._pumped if self._is_pumped(point) else self._flow(point).total

    def _is_pumped(self, point: Point) -> bool:
        return self.has_pump and point == self._totals[0]

    def _pumped(self, at_s: Floats) -> Floats:
        return self._tank.pumped(at_s) * _pulses_per_s(self._totals[0])

    def _flow(self, point: Point) -> Flow:
        if point.tag not in self._flows:
            chance = Chance(self._seed, self._site.key, "flow", point.tag)
            mean = _pulses_per_s(point) * chance.between(0.8, 1.2)
            self._flows[point.tag] = Flow(chance, mean, _shape(self._site), self._shift_s, 0.08)
        return self._flows[point.tag]

    def _pumped_tank(self) -> PumpedTank:
        chance = Chance(self._seed, self._site.key, "demand")
        demand = Flow(chance, 1.0, household, self._shift_s, 0.08)
        filling_h = chance.between(5.0, 9.0)
        full_at_s = _FULL_AT_S + chance.between(0.0, 2.0, 1) * 3600.0
        return PumpedTank(demand, 4.0, 0.0, 1.0, filling_h * 3600.0, full_at_s % DAY_S)


def _pulses_per_s(point: Point) -> float:
    return _SHARE_OF_MAX_RATE * point.max_rate if point.max_rate else _FALLBACK_PULSES_PER_S


def _per_unit_of_time(unit: str) -> float:
    return {"h": 3600.0, "min": 60.0, "d": DAY_S}.get(unit.rpartition("/")[2], 1.0)


def _shape(site: Site) -> Shape:
    if "Turnout" in site.name:
        return irrigation
    return household if "Tank" in site.name else steady
