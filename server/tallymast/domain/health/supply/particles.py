"""A fixed cloud of possible batteries: curve, meter, load, capacity, charge at the start.

The same cloud stands for every site, so that a forecast is the same whenever it is asked for.
Each particle is one way a battery may be; readings decide later which are likely.
"""

from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.supply.chemistry import FLOODED_TABLES, SEALED_V, rest_curve
from tallymast.domain.model import Chemistry

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

COUNT = 1024
_LOW_Q, _HIGH_Q, _STEPS = -0.1, 1.05, 230  # the charge grid, in half per cents
_LOW_V, _HIGH_V, _STEPS_V = 10.4, 13.2, 280  # the voltage grid, in steps of 10 mV
# Ours: how much a table is believed. Tables of eleven points show the knee that a forecast needs;
# those of quarters and the coarse one are straight there.
_BELIEF = (0.45, 0.15, 0.15, 0.10, 0.15)
_MIXES = 32  # curves between the tables
_DIMENSIONS = 11
_BENT = 0.3  # Ours: how far a mixed curve leans to a second table at most


@dataclass(frozen=True, slots=True)
class Cloud:
    """Even draws, one row a particle.

    Attributes:
        curve: which rest curve of ``curves()``.
        sealed_v: how much higher than a flooded battery it rests [V of 12].
        even: even draws, 0..1.
        normal: standard normal draws, a column a quantity: (COUNT, 8).

    """

    curve: Places
    sealed_v: Floats
    even: Floats
    normal: Floats


@lru_cache(maxsize=4)
def cloud(chemistry: Chemistry) -> Cloud:
    """Return the cloud of a lead-acid chemistry."""
    even = _even(COUNT, _DIMENSIONS)
    low, high = SEALED_V[chemistry]
    to_normal = np.vectorize(NormalDist().inv_cdf, otypes=[float])
    curve = np.minimum((even[:, 0] * _MIXES).astype(np.intp), _MIXES - 1)
    return Cloud(curve, low + (high - low) * even[:, 1], even[:, 2], to_normal(even[:, 3:]))


def _even(count: int, dimensions: int) -> Floats:
    """Return points spread evenly over the unit cube: (count, dimensions).

    Source: the additive recurrence on the generalized golden ratio (M. Roberts, 2018), from
    memory; any even spread would do.
    """
    golden = 2.0
    for _ in range(40):
        golden = (1.0 + golden) ** (1.0 / (dimensions + 1))
    steps = golden ** -np.arange(1.0, dimensions + 1.0)
    return np.asarray((0.5 + np.arange(1, count + 1)[:, None] * steps) % 1.0).clip(1e-9, 1 - 1e-9)


@lru_cache(maxsize=1)
def _curves() -> tuple[Floats, Floats]:
    """Return volts by charge and charge by volts, one row a mixed curve."""
    charge = np.linspace(_LOW_Q, _HIGH_Q, _STEPS + 1)
    plain = np.array([rest_curve(table, charge) for table in FLOODED_TABLES])
    plain[:, charge > 1.0] += 0.2 * (charge[charge > 1.0] - 1.0)
    even = _even(_MIXES, 2)
    places = np.searchsorted(np.cumsum(_BELIEF), (np.arange(_MIXES) + 0.5) / _MIXES)
    others = (even[:, 0] * len(FLOODED_TABLES)).astype(int)
    lean = _BENT * even[:, 1:]
    volts = (1 - lean) * plain[places] + lean * plain[others]
    grid = np.linspace(_LOW_V, _HIGH_V, _STEPS_V + 1)
    back = np.array([np.interp(grid, row + 1e-9 * charge, charge) for row in volts])
    return volts, back


def volts_and_slope(curve: Places, charge: Floats) -> tuple[Floats, Floats]:
    """Return each particle's rest voltage and its slope at a charge [V of 12, V a whole charge]."""
    volts = _curves()[0]
    step = (_HIGH_Q - _LOW_Q) / _STEPS
    place = np.clip((charge - _LOW_Q) / step, 0.0, _STEPS - 1e-6)
    left = place.astype(np.intp)
    flat = curve * (_STEPS + 1) + left
    low, high = volts.ravel()[flat], volts.ravel()[flat + 1]
    return low + (high - low) * (place - left), (high - low) / step


def charge_of(curve: Places, volts: Floats) -> Floats:
    """Return each particle's charge at a rest voltage, -0.1 to 1.05."""
    back = _curves()[1]
    step = (_HIGH_V - _LOW_V) / _STEPS_V
    place = np.clip((volts - _LOW_V) / step, 0.0, _STEPS_V - 1e-6)
    left = place.astype(np.intp)
    flat = curve * (_STEPS_V + 1) + left
    low, high = back.ravel()[flat], back.ravel()[flat + 1]
    return np.asarray(low + (high - low) * (place - left))
