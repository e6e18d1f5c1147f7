"""What a rested battery's voltage says of its charge, as published tables disagree about it.

No table is taken for the truth: each question is answered by all of them, and their spread is
the uncertainty. Voltages are of a 12 V pack at 25 °C; other packs scale by their nominal voltage.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.model import Chemistry

Floats = NDArray[np.float64]

CELLS = 6  # of a 12 V lead-acid pack
REFERENCE_C = 25.0
# 12.53 V at -1.1 °C and 12.698 V at 37.8 °C, a battery maker's figure for flooded batteries.
REST_DRIFT_V = 0.00072 * CELLS
"""What a degree adds to a lead-acid pack's rest voltage [V/K]."""


@dataclass(frozen=True, slots=True)
class RestTable:
    """A published table of rest voltages.

    Attributes:
        source: where it stands.
        charge: share of the charge left, ascending.
        volts: of a 12 V pack, ascending.

    """

    source: str
    charge: tuple[float, ...]
    volts: tuple[float, ...]


_TENTHS = tuple(tenth / 10 for tenth in range(11))
_QUARTERS = (0.0, 0.25, 0.5, 0.75, 1.0)

FLOODED_TABLES = (
    RestTable(
        "11 points, widely reprinted, here from public code",
        _TENTHS,
        (10.50, 11.31, 11.58, 11.75, 11.90, 12.06, 12.20, 12.32, 12.42, 12.50, 12.60),
    ),
    RestTable(
        "quarters with acid density 1.120 to 1.265, an encyclopaedia's article on car batteries",
        _QUARTERS,
        (11.89, 12.06, 12.24, 12.45, 12.65),
    ),
    RestTable("quarters, a rule of thumb", _QUARTERS, (11.6, 12.0, 12.2, 12.4, 12.6)),
    RestTable(
        "quarters with acid density 1.170 to 1.280, a vehicle magazine",
        _QUARTERS[1:],
        (12.15, 12.30, 12.45, 12.66),
    ),
    RestTable(
        "11 points, coarse, a builder's notes",
        _TENTHS,
        (11.6, 11.7, 11.8, 11.9, 12.0, 12.1, 12.2, 12.3, 12.5, 12.6, 12.7),
    ),
)
"""Flooded lead-acid; they put 12.2 V anywhere from 33 to 60 % of the charge."""

LIFEPO4_TABLES = (
    RestTable(
        "a voltage chart, here from public code",
        _TENTHS,
        (10.0, 12.0, 12.8, 12.9, 13.0, 13.0, 13.1, 13.2, 13.3, 13.4, 13.6),
    ),
    RestTable(
        "open-circuit table of a 1.6 Ah cell (Zephyr RTOS dt-bindings/battery/battery.h), 4 cells",
        _TENTHS,
        (
            *(8.052, 12.272, 12.636, 12.776, 12.840, 12.884),
            *(12.916, 12.984, 13.024, 13.048, 13.392),
        ),
    ),
)
"""Lithium iron phosphate; 13.0 V is anywhere from 40 to 74 % there."""

# Sealed batteries rest higher than flooded ones, full AGM at 12.8 to 12.9 V and gel at 12.85 to
# 12.95 V against 12.6 to 12.7 V. No definite public table exists; from memory.
SEALED_V: Mapping[Chemistry, tuple[float, float]] = {
    Chemistry.FLOODED: (0.0, 0.0),
    Chemistry.AGM: (0.12, 0.27),
    Chemistry.GEL: (0.18, 0.32),
}
"""What is added to the flooded tables, least and most [V]."""

LEAD_ACID = frozenset(SEALED_V)

# Below a table's zero the voltage breaks down to the 10.5 V at which a discharge is ended (1.75 V
# a cell): a station's small load gets a few per cent more out of a battery than the twenty-hour
# rate its zero is counted from. Ours: 8 %, between nothing and the 10 % that is usually allowed.
_KNEE, _KNEE_V = 0.08, 10.5


def spread(chemistry: Chemistry, volts: float) -> tuple[float, float]:
    """Return the least and the most charge that the tables read out of a rest voltage, 0..1.

    Args:
        chemistry: lead-acid or lithium iron phosphate.
        volts: of a rested 12 V pack at 25 °C [V].

    """
    if chemistry in LEAD_ACID:
        found = [
            float(np.interp(volts - sealed, *_whole(table)[::-1]))
            for table in FLOODED_TABLES
            for sealed in SEALED_V[chemistry]
        ]
    else:
        found = [charge_at(table, volts) for table in LIFEPO4_TABLES]
    return max(min(found), 0.0), min(max(found), 1.0)


def charge_at(table: RestTable, volts: float) -> float:
    """Return the share of the charge at a rest voltage by one table, straight between its points.

    Outside of the table its nearest end stands.
    """
    return float(np.interp(volts, table.volts, table.charge))


def volts_at(table: RestTable, charge: float) -> float:
    """Return the rest voltage at a share of the charge by one table [V]."""
    return float(np.interp(charge, table.charge, table.volts))


def rest_curve(table: RestTable, charge: Floats) -> Floats:
    """Return rest voltages by a lead-acid table, its knee below zero charge included [V].

    Args:
        table: one of FLOODED_TABLES.
        charge: shares of the charge; below 0 what a small load still gets out of it.

    """
    return np.asarray(np.interp(charge, *_whole(table)), dtype=np.float64)


def _whole(table: RestTable) -> tuple[Floats, Floats]:
    charge, volts = list(table.charge), list(table.volts)
    if charge[0] > 0.0:  # the slope of its lowest two points leads on to zero
        slope = (volts[1] - volts[0]) / (charge[1] - charge[0])
        volts.insert(0, volts[0] - slope * charge[0])
        charge.insert(0, 0.0)
    if volts[0] > _KNEE_V:
        charge.insert(0, -_KNEE)
        volts.insert(0, _KNEE_V)
    return np.array(charge), np.array(volts)
