"""Words a volume as people read it: a number, a range, or that it is not known."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from tallymast.domain.totals.factors import Factor
from tallymast.domain.totals.segments import Segment
from tallymast.domain.totals.written import as_typed, decimals_of, written
from tallymast.routes.formats import lasting, number, with_unit
from tallymast.storage.volume_days import Told
from tallymast.storage.volumes import Booked

UNKNOWN: Final = "unknown"


@dataclass(frozen=True, slots=True)
class Figure:
    """A volume in words.

    Attributes:
        words: number or range with its unit, or that it is unknown.
        known: what share of the time is known; empty where all of it is.
        notes: what else is to be said of it, in short.
        is_whole: whether all of it is known.

    """

    words: str
    known: str = ""
    notes: tuple[str, ...] = ()
    is_whole: bool = True


@dataclass(frozen=True, slots=True)
class Reach:
    """Between what a volume lies [unit]; high None: nothing bounds it; low None: unknown."""

    low: Fraction | None
    high: Fraction | None


def reach(one: Told, *, both_ways: bool = False) -> Reach:
    """Return between what a volume lies, as far as it is sure that the station had power."""
    booked, counted = one.booked, one.counted
    most = _of(booked, "unknown")
    if counted.known_ms <= 0 and (one.loose_ms > 0 or most is None):
        return Reach(None, None)
    if one.loose_ms > 0 or most is None:
        return Reach(None if both_ways else booked.total, None)
    return Reach(booked.total - most if both_ways else booked.total, booked.total + most)


def figure(one: Told, *, both_ways: bool = False) -> Figure:
    """Return a span's volume in words."""
    booked, counted, found = one.booked, one.counted, reach(one, both_ways=both_ways)
    is_whole = counted.known_ms >= counted.span_ms
    known = "" if is_whole else f"{share_words(counted)} known"
    if counted.known_ms <= 0 and found.high is None:
        return Figure(UNKNOWN, "nothing known" if counted.span_ms else "", (), is_whole=False)
    places = decimals(booked)
    if found.high is None:
        words = f"at least {amount(booked.total, booked.unit, places)}"
        if both_ways:
            words = f"{amount(booked.total, booked.unit, places)} and an unknown part"
    else:
        words = between(found, booked.unit, places)
    return Figure(words, known, _notes(one, places), is_whole)


def share_words(one: Segment) -> str:
    """Return the share of a span that is known, as ``known_words`` rounds it."""
    return f"{min(99, max(1, round(100 * one.known_share)))}\u00a0%"


def between(found: Reach, unit: str, places: int) -> str:
    """Return a range with its unit, rounded outwards; one number where it is none."""
    if found.low is None or found.high is None:
        return UNKNOWN
    if found.low == found.high:
        return amount(found.low, unit, places)
    step = 10**places
    low = Fraction(math.floor(found.low * step), step)
    high = Fraction(math.ceil(found.high * step), step)
    return f"{written(low, places)} to {amount(high, unit, places)}"


def amount(value: Fraction, unit: str, places: int) -> str:
    """Return a volume with its unit."""
    return with_unit(written(value, places), unit)


def decimals(one: Booked) -> int:
    """Return how many decimals a volume deserves."""
    return decimals_of(one.factors if one.volume is not None else (), one.adjusted)


def _of(one: Booked, name: str) -> Fraction | None:
    """Return a part of a volume by its name, of pulses where there is no volume."""
    found = getattr(one.volume if one.volume is not None else one.counted, name)
    return None if found is None else Fraction(found)


def parts(one: Booked) -> tuple[Fraction | None, Fraction | None, Fraction]:
    """Return what is unknown, what is unproven and what is estimated of a volume [unit]."""
    estimated = _of(one, "estimated")
    return _of(one, "unknown"), _of(one, "unproven"), estimated or Fraction(0)


def _notes(one: Told, places: int) -> tuple[str, ...]:
    booked, told = one.booked, []
    _, unproven, estimated = parts(booked)
    if one.loose_ms > 0:
        told.append(f"{lasting(one.loose_ms)} not known")
    if unproven is None:
        told.append("no bound if the station had no power")
    elif unproven > 0:
        told.append(f"up to {amount(unproven, booked.unit, places)} more if it had no power")
    if estimated:
        told.append(f"{amount(abs(estimated), booked.unit, places)} estimated")
    if booked.adjusted:
        sign = "+" if booked.adjusted > 0 else "\u2212"
        told.append(f"adjusted {sign}{amount(abs(booked.adjusted), booked.unit, places)}")
    return tuple(told)


def count_of(value: float | None) -> str:
    """Return what a register showed, ``unknown`` where that is not known."""
    return UNKNOWN if value is None else number(value, 0 if float(value).is_integer() else None)


def ends(pieces: Sequence[Segment], span: tuple[int, int]) -> tuple[float | None, float | None]:
    """Return what a register showed at both ends of a span, None where that is not known."""
    if not pieces:
        return None, None
    opened = pieces[0].open if pieces[0].from_ms == span[0] else None
    return opened, pieces[-1].close if pieces[-1].to_ms == span[1] else None


def factors_words(one: Booked) -> str:
    """Return what a pulse stands for, ``0.5 m³ a pulse``; empty where no factor holds."""
    if one.volume is None:
        return ""
    return ", then ".join(pulse_words(each, one.unit) for each in dict.fromkeys(one.factors))


def factor_words(one: Factor) -> str:
    """Return what a pulse stands for from a date on."""
    return pulse_words(one.per_pulse, one.unit)


def pulse_words(each: Fraction, unit: str) -> str:
    """Return what a pulse stands for, both ways: ``0.1 m³ a pulse (10 pulses a m³)``."""
    told = f"{as_typed(each)}\u00a0{unit} a pulse"
    return told if each == 1 else f"{told} ({as_typed(1 / each)} pulses a {unit})"
