"""Volumes and shares as the pages of what people keep word them."""

from fractions import Fraction

from tallymast.domain.totals.month_figures import Figures
from tallymast.domain.totals.written import as_typed, signed
from tallymast.routes.formats import with_unit
from tallymast.routes.volumes.words import Reach, amount, between


def moved_words(value: Fraction, unit: str, places: int) -> str:
    """Return a change of a volume with its sign."""
    return signed(amount(value, unit, places), value)


def added_words(value: Fraction, unit: str) -> str:
    """Return what people added or took away, as they typed it, with its sign."""
    return with_unit(signed(as_typed(value), value), unit)


def known_percent(share: float) -> str:
    """Return a known share; never 100 % where anything is not known, nor 0 % where anything is."""
    if share >= 1:
        return "100\u00a0%"
    if share <= 0:
        return "nothing"
    return f"{min(99.9, max(0.1, 100 * share)):.1f}\u00a0%"


def unknown_words(figures: Figures) -> str:
    """Return the most that passed besides what is known; ``none`` where nothing may have."""
    if figures.unknown is None or figures.unproven is None:
        return "no bound is known"
    most = figures.unknown + figures.unproven
    if most:
        return between(Reach(Fraction(0), most), figures.unit, figures.decimals)
    return "none" if figures.known_share >= 1 else "not counted: no reading told of that time"
