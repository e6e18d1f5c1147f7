"""Voltages at which a supply is worth a word, by chemistry, season and the maker's own figures.

A charge peak says nothing without the battery's temperature: where nobody measures it the
limits widen to all that the season of the latitude allows.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tallymast.domain.health.supply.chemistry import CELLS, LEAD_ACID, REFERENCE_C
from tallymast.domain.model import Chemistry, Supply

MAINS_LOST_V = 13.0  # of a 12 V pack: below it charger or mains are lost; common practice
# Published: -3 to -5 mV a cell and degree.
_LEAST_PER_K, _MOST_PER_K = 0.003 * CELLS, 0.005 * CELLS


@dataclass(frozen=True, slots=True)
class Limits:
    """What a battery's voltages mean, at 25 °C, of the pack as it is [V].

    Attributes:
        warn_v: pre-dawn: worth a word.
        urgent_v: pre-dawn: soon.
        disconnect_v: the load is disconnected here.
        reconnect_v: and connected again here.
        absorption_v: where a charge controller holds it until it is full, least and most.
        overcharge_v: more than any controller should hold.

    """

    warn_v: float
    urgent_v: float
    disconnect_v: float
    reconnect_v: float
    absorption_v: tuple[float, float]
    overcharge_v: float


# Flooded 14.8 V absorption stands in a battery maker's data sheet, some sealed blocks allow 14.4 V
# at most; the rest is common practice and from memory. The maker's figure wins over all of it.
_OF_TWELVE: Mapping[Chemistry, Limits] = {
    Chemistry.FLOODED: Limits(12.2, 12.0, 11.5, 12.6, (14.4, 14.8), 15.2),
    Chemistry.AGM: Limits(12.3, 12.1, 11.5, 12.8, (14.2, 14.7), 15.0),
    Chemistry.GEL: Limits(12.3, 12.1, 11.6, 12.8, (14.0, 14.2), 14.5),
    Chemistry.LIFEPO4: Limits(13.0, 12.7, 11.8, 13.0, (14.0, 14.4), 14.6),
}


def packs_of(supply: Supply) -> float:
    """Return how many 12 V packs in a row a supply is, in halves.

    People write 12.8 V of lithium and 14.4 V of a primary pack: each is one.
    """
    return max(round(supply.nominal_v / 6.0) / 2.0, 0.5)


def limits_of(supply: Supply) -> Limits | None:
    """Return a supply's limits, its own disconnect and reconnect first; None for a primary pack.

    A battery of unknown chemistry is taken for AGM, as most at stations are (common practice).
    """
    usual = _OF_TWELVE.get(supply.chemistry or Chemistry.AGM)
    if usual is None:
        return None
    packs = packs_of(supply)
    low, high = usual.absorption_v
    return Limits(
        usual.warn_v * packs,
        usual.urgent_v * packs,
        usual.disconnect_v * packs if supply.disconnect_v is None else supply.disconnect_v,
        usual.reconnect_v * packs if supply.reconnect_v is None else supply.reconnect_v,
        (low * packs, high * packs),
        usual.overcharge_v * packs,
    )


def absorption_from_v(supply: Supply, limits: Limits, band_c: tuple[float, float]) -> float:
    """Return the least peak that counts as absorption [V].

    Args:
        supply: whose.
        limits: its limits at 25 °C.
        band_c: the coldest and the warmest the battery may be [°C].

    Source: the compensation is -3 to -5 mV a cell and degree in published figures.

    """
    return limits.absorption_v[0] + _least_shift(supply, band_c[1])


def overcharge_from_v(supply: Supply, limits: Limits, band_c: tuple[float, float]) -> float:
    """Return the peak above which the controller is wrong at any temperature of the band [V]."""
    return limits.overcharge_v + _most_shift(supply, band_c[0])


def _least_shift(supply: Supply, warmest_c: float) -> float:
    return min(_shifts(supply, warmest_c))


def _most_shift(supply: Supply, coldest_c: float) -> float:
    return max(_shifts(supply, coldest_c))


def _shifts(supply: Supply, temperature_c: float) -> tuple[float, float]:
    """Return by how much compensation may move a charge voltage, both published ends [V]."""
    if (supply.chemistry or Chemistry.AGM) not in LEAD_ACID:
        return 0.0, 0.0
    colder = (REFERENCE_C - temperature_c) * packs_of(supply)
    return _LEAST_PER_K * colder, _MOST_PER_K * colder


# --- how warm a battery may be where nobody measures it ------------------------------------

# Mean over the year and half the swing of the seasons, over land, by latitude [°C]; rounded, from
# memory. Ours: weather and the box move a battery by 12 K either way.
_LATITUDES = (0.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0)
_MEAN_C = (26.0, 25.0, 20.0, 13.0, 6.0, 0.0, -9.0)
_SWING_C = (1.0, 5.0, 9.0, 12.0, 15.0, 18.0, 18.0)
_AROUND_C = 12.0
_ANYWHERE_C = (-20.0, 45.0)
_YEAR, _WARMEST = 365.2425, 201  # days; a month after midsummer


def season_c(day: int, latitude: float) -> float:
    """Return the temperature usual for a day and latitude [°C]; rough, from memory."""
    far = abs(latitude)
    way = math.cos((day % _YEAR - _WARMEST) / _YEAR * 2 * math.pi)
    swing = float(np.interp(far, _LATITUDES, _SWING_C)) * (1.0 if latitude >= 0 else -1.0)
    return float(np.interp(far, _LATITUDES, _MEAN_C)) + way * swing


def band_c(
    day: int, latitude: float | None, temperature_c: Mapping[int, float] | None = None
) -> tuple[float, float]:
    """Return the coldest and the warmest a battery may be on a local day [°C].

    Args:
        day: counted from 1970-01-01.
        latitude: of the site, None where nobody wrote it down: then anything between -20 and 45.
        temperature_c: measured, by day; believed to 3 K.

    """
    measured = None if temperature_c is None else temperature_c.get(day)
    if measured is not None:
        return measured - 3.0, measured + 3.0
    if latitude is None:
        return _ANYWHERE_C
    middle = season_c(day, latitude)
    return middle - _AROUND_C, middle + _AROUND_C
