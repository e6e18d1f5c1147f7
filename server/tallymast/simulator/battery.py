"""What a battery shows at its terminals: rest, charge and load, by chemistry.

Voltages are for a 12 V pack (lead-acid 6 cells, lithium iron phosphate 4) and scale with the
nominal voltage.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tallymast.domain.model import Chemistry
from tallymast.simulator.chance import Floats

_TENTHS = np.linspace(0.0, 1.0, 11)
# Flooded lead-acid, 0 to 100 % in tens: the 11-point table reprinted in public code
# (a secondary restatement).
_FLOODED = np.array([10.50, 11.31, 11.58, 11.75, 11.90, 12.06, 12.20, 12.32, 12.42, 12.50, 12.60])
# Lithium iron phosphate: 4 cells of the open-circuit table in Zephyr RTOS
# include/zephyr/dt-bindings/battery/battery.h (data sheet of a 1.6 Ah cell).
_LIFEPO4 = 4 * np.array(
    [2.013, 3.068, 3.159, 3.194, 3.210, 3.221, 3.229, 3.246, 3.256, 3.262, 3.348]
)
# Sealed batteries rest a little higher than flooded ones: full AGM 12.75 V, gel 12.85 V. No
# definite public table exists; from memory.
_REST = {
    Chemistry.FLOODED: _FLOODED,
    Chemistry.AGM: _FLOODED + 0.15,
    Chemistry.GEL: _FLOODED + 0.25,
    Chemistry.LIFEPO4: _LIFEPO4,
}
# What is left of the capacity in the cold: °F 80 70 60 50 40 30 20 as °C, and the divisors of
# three public sizing worksheets with one table; below 20 °F by the same slope.
_COLD_C = np.array([-17.8, -6.67, -1.11, 4.44, 10.0, 15.56, 21.11, 26.67])
_COLD_DIVISOR = np.array([1.95, 1.59, 1.40, 1.30, 1.19, 1.11, 1.04, 1.00])


@dataclass(frozen=True, slots=True)
class Charging:
    """How a chemistry is charged; voltages of a 12 V pack at 25 °C.

    Attributes:
        absorption_v: where the controller holds it until it is full.
        float_v: where it holds it then.
        drift_v: change of both with temperature [V/K].
        efficiency: charge kept of charge put in.

    """

    absorption_v: float
    float_v: float
    drift_v: float
    efficiency: float


# Absorption 14.4 V and −4 mV/K and cell lie inside the published 2.35–2.47 V a cell and −3 to
# −5 mV; float: encyclopaedia figures (AGM 13.6, flooded 13.4), gel from a block's data sheet.
CHARGING = {
    Chemistry.FLOODED: Charging(14.6, 13.4, -0.024, 0.88),
    Chemistry.AGM: Charging(14.4, 13.6, -0.024, 0.92),
    Chemistry.GEL: Charging(14.2, 13.5, -0.024, 0.92),
    Chemistry.LIFEPO4: Charging(14.2, 13.5, 0.0, 0.98),
}
_REST_DRIFT_V = 0.00072 * 6  # [V/K], a battery maker's figure: 12.53 V at −1.1 °C, 12.70 at 37.8


def rest_voltage(chemistry: Chemistry, charge: Floats) -> Floats:
    """Return the voltage of a rested 12 V pack at 25 °C [V].

    Args:
        chemistry: not lithium-primary, which keeps no table.
        charge: share of the capacity that is left, 0..1.

    """
    return np.asarray(np.interp(charge, _TENTHS, _REST[chemistry]))


def rest_drift(chemistry: Chemistry, temperature_c: Floats) -> Floats:
    """Return what temperature adds to the rest voltage of a 12 V pack [V]."""
    if chemistry is Chemistry.LIFEPO4:
        return np.zeros_like(temperature_c)
    return _REST_DRIFT_V * (temperature_c - 25.0)


def cold_share(chemistry: Chemistry, temperature_c: Floats) -> Floats:
    """Return the share of the rated capacity that a temperature leaves, at most 1."""
    if chemistry is Chemistry.LIFEPO4:
        return np.clip(1.0 - 0.004 * (25.0 - temperature_c), 0.7, 1.0)
    return np.asarray(1.0 / np.interp(temperature_c, _COLD_C, _COLD_DIVISOR))


def held_voltage(charging: Charging, temperature_c: Floats, floating: Floats) -> Floats:
    """Return where the controller holds a 12 V pack [V].

    Args:
        charging: how the chemistry is charged.
        temperature_c: of the battery.
        floating: how far the controller has gone from absorption to float, 0..1.

    """
    held = charging.absorption_v + (charging.float_v - charging.absorption_v) * floating
    return np.asarray(held + charging.drift_v * (temperature_c - 25.0))


def rest_slopes(chemistry: Chemistry) -> list[tuple[float, float]]:
    """Return (voltage at the start, rise over a tenth of charge) for each tenth.

    For step-by-step integration, where a plain list is faster than an array.
    """
    return [(low, high - low) for low, high in pairwise(float(v) for v in _REST[chemistry])]
