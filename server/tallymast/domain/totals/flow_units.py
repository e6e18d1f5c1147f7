"""Units of flow as a volume and the hours it is told in: ``m³/h``, ``L/s``, ``gal/min``.

Exact, as the units of volume are (units.py). Mgd and the like are not guessed: what is not a unit
of volume over a unit of time is none.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from tallymast.domain.totals.units import unit_name

_HOURS: Final[Mapping[str, Fraction]] = {
    "s": Fraction(1, 3600),
    "sec": Fraction(1, 3600),
    "min": Fraction(1, 60),
    "h": Fraction(1),
    "hr": Fraction(1),
    "hour": Fraction(1),
    "d": Fraction(24),
    "day": Fraction(24),
}
_SHORT: Final[Mapping[str, str]] = {
    "gpm": "US gal/min",
    "cfs": "ft³/s",
    "cfm": "ft³/min",
    "lps": "L/s",
    "bpd": "bbl/d",
    "bbl/day": "bbl/d",
}


@dataclass(frozen=True, slots=True)
class FlowUnit:
    """A unit of flow.

    Attributes:
        volume: its unit of volume.
        per_hour: how many of these an hour one of it is.

    """

    volume: str
    per_hour: Fraction


def flow_unit(written: str) -> FlowUnit | None:
    """Return the unit of flow a person meant, None where it is none."""
    text = _SHORT.get(written.strip().casefold(), written)
    volume, slash, time = text.rpartition("/")
    name, hours = unit_name(volume), _HOURS.get(time.strip().casefold())
    return FlowUnit(name, 1 / hours) if slash and name is not None and hours else None
