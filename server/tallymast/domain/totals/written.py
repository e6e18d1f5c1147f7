"""How exact numbers of volumes are written for people: one rule for every page and paper.

A volume has as many decimals as one pulse of it shows, and as what people added to it; what
people typed keeps the digits it was typed with.
"""

from collections.abc import Iterable
from fractions import Fraction
from typing import Final

_MOST: Final = 3  # ours: decimals of a volume
_TYPED: Final = 12  # of what people typed: more are not taken


def decimals_of(factors: Iterable[Fraction], adjusted: Fraction = Fraction(0)) -> int:
    """Return how many decimals volumes deserve, 3 at most; none where no factor holds.

    Args:
        factors: volumes of a pulse.
        adjusted: what people added.

    """
    return max((_ends_within(one, _MOST) for one in (*factors, adjusted)), default=0)


def written(value: Fraction | float, decimals: int) -> str:
    """Return a number with so many decimals, grouped digits and a true minus sign."""
    text = f"{float(value):,.{decimals}f}"
    if text.startswith("-") and not text.strip("-0.,"):
        text = text[1:]  # a tiny negative rounds to 0, not to minus 0
    return text.replace(",", "\u202f").replace("-", "\u2212")


def as_typed(value: Fraction) -> str:
    """Return an exact number with all its decimals; of one that never ends about what it is."""
    decimals = _ends_within(value, _TYPED)
    if (value * 10**decimals).denominator == 1:
        return written(value, decimals)
    return f"about {float(value):.4g}".replace("-", "\u2212")


def signed(text: str, value: Fraction | float) -> str:
    """Return a number's words with their sign, also where it is above 0."""
    return f"+{text}" if value > 0 else text


def _ends_within(value: Fraction, most: int) -> int:
    """Return with how many decimals a number ends, ``most`` where it takes more."""
    for decimals in range(most):
        if (value * 10**decimals).denominator == 1:
            return decimals
    return most
