"""Units of volume as exact fractions of a cubic metre.

Sources: the international inch is 25.4 mm (1959); 1 US gallon = 231 in³, 1 oil barrel = 42 US
gallons, 1 acre-foot = 43 560 ft³ of the international foot (NIST Handbook 44, appendix C; the
survey acre-foot is 6 parts in a million larger). Mcf and MMcf count cubic feet as the meter
passed them: no pressure, temperature or heating value is applied.
"""

from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Final

_INCH: Final = Fraction(254, 10_000)  # [m]
_FOOT3: Final = (12 * _INCH) ** 3
_US_GALLON: Final = 231 * _INCH**3
_IMPERIAL_GALLON: Final = Fraction(454_609, 100_000_000)  # 4.54609 L, UK Weights and Measures Act

_M3: Mapping[str, Fraction] = {
    "m³": Fraction(1),
    "L": Fraction(1, 1000),
    "mL": Fraction(1, 1_000_000),
    "kL": Fraction(1),
    "ML": Fraction(1000),
    "US gal": _US_GALLON,
    "imp gal": _IMPERIAL_GALLON,
    "bbl": 42 * _US_GALLON,
    "ft³": _FOOT3,
    "Mcf": 1000 * _FOOT3,
    "MMcf": 1_000_000 * _FOOT3,
    "acre-ft": 43_560 * _FOOT3,
}
_ALSO: Mapping[str, str] = {
    "m3": "m³",
    "cubic metre": "m³",
    "cubic meter": "m³",
    "l": "L",
    "litre": "L",
    "liter": "L",
    "gal": "US gal",
    "usgal": "US gal",
    "gallon": "US gal",
    "gallons": "US gal",
    "us gallon": "US gal",
    "imperial gallon": "imp gal",
    "barrel": "bbl",
    "barrels": "bbl",
    "ft3": "ft³",
    "cf": "ft³",
    "cubic foot": "ft³",
    "cubic feet": "ft³",
    "mcf": "Mcf",
    "mmcf": "MMcf",
    "acre-foot": "acre-ft",
    "acre-feet": "acre-ft",
    "acre foot": "acre-ft",
    "acre feet": "acre-ft",
    "acft": "acre-ft",
    "ac-ft": "acre-ft",
    "af": "acre-ft",
}
NAMES: Final = tuple(_M3)


def unit_name(written: str | None) -> str | None:
    """Return the unit a person meant, None where it is none of volume."""
    text = (written or "").strip()
    if text in _M3:
        return text
    if text.casefold() in _ALSO:
        return _ALSO[text.casefold()]
    near = [name for name in _M3 if name.casefold() == text.casefold()]
    return near[0] if len(near) == 1 else None


def in_m3(unit: str) -> Fraction | None:
    """Return what one of a unit is in m³, exactly; None for a unit of something else."""
    name = unit_name(unit)
    return None if name is None else _M3[name]


def converted(amount: Fraction, unit: str, to: str) -> Fraction | None:
    """Return an amount in another unit, exactly; None where one of them is none of volume."""
    if unit == to:
        return amount
    have, want = in_m3(unit), in_m3(to)
    return None if have is None or want is None else amount * have / want


def spoken(amount: float) -> str:
    """Return an amount with four figures, whole and grouped where it has more."""
    if abs(amount) < 1000:
        return f"{amount:.4g}"
    return f"{amount:,.0f}".replace(",", "\u202f")


def exact(number: float | str | Fraction) -> Fraction:
    """Return a number as people wrote it: 0.1 is a tenth, not the double next to it.

    Raises:
        ValueError: it is none.

    """
    if isinstance(number, Fraction):
        return number
    text = repr(number) if isinstance(number, float) else str(number)
    if "/" in text:
        return Fraction(text)
    decimal = Decimal(text.strip())
    if not decimal.is_finite():
        raise ValueError(text)
    return Fraction(decimal)
