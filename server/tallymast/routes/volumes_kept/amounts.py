"""How exact volumes are written for people: with as many decimals as one pulse deserves."""

import math
from collections.abc import Sequence
from fractions import Fraction
from typing import Final

from tallymast.domain.totals.factors import Factor
from tallymast.domain.totals.month_figures import NO_UNIT, Figures
from tallymast.routes.formats import number

_MOST: Final = 3  # decimals of a volume
_WRITTEN: Final = 8  # of what people typed


def amount_words(amount: Fraction | float, unit: str, each: Fraction | None = None) -> str:
    """Return an amount with its unit; decimals by the volume of a pulse where it is given."""
    decimals = 0 if unit == NO_UNIT else decimals_for(each)
    return f"{number(float(amount), decimals)}\u00a0{unit}"


def signed_words(amount: Fraction | float, unit: str, each: Fraction | None = None) -> str:
    """Return an amount with its sign, also where it is above 0."""
    return f"{'+' if amount > 0 else ''}{amount_words(amount, unit, each)}"


def decimals_for(each: Fraction | None) -> int:
    """Return how many decimals volumes deserve whose pulse stands for ``each``."""
    if not each:
        return 1
    return min(_MOST, max(0, math.ceil(-math.log10(abs(float(each))) - 1e-9)))


def plain_number(amount: Fraction) -> str:
    """Return an exact number with the decimals it has; of a fraction about what it is."""
    for decimals in range(_WRITTEN + 1):
        if (amount * 10**decimals).denominator == 1:
            return number(float(amount), decimals)
    return f"about {number(float(amount))}"


def factor_words(one: Factor) -> str:
    """Return what a pulse stands for, both ways: ``0.1 m³ a pulse (10 a m³)``."""
    each, back = plain_number(one.per_pulse), plain_number(1 / one.per_pulse)
    return f"{each}\u00a0{one.unit} a pulse ({back} pulses a {one.unit})"


def known_percent(share: float) -> str:
    """Return a known share; never 100 % where anything is not known, nor 0 % where anything is."""
    if share >= 1:
        return "100\u00a0%"
    if share <= 0:
        return "nothing"
    return f"{min(99.9, max(0.1, 100 * share)):.1f}\u00a0%"


def unknown_words(figures: Figures, each: Fraction | None = None) -> str:
    """Return the most that passed besides what is known; ``none`` where nothing may have."""
    if figures.unknown is None or figures.unproven is None:
        return "no bound is known"
    most = figures.unknown + figures.unproven
    if most:
        return f"0 to {amount_words(most, figures.unit, each)}"
    return "none" if figures.known_share >= 1 else "not counted: no reading told of that time"


def each_of(factors: Sequence[Fraction]) -> Fraction | None:
    """Return the volume of a pulse that decides how many decimals are shown."""
    return factors[-1] if factors else None
