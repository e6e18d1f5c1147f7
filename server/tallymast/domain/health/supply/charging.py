"""When a battery was last charged, and last full, as its nights show it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tallymast.domain.health.nights import Night
from tallymast.domain.health.supply.limits import Limits, absorption_from_v, band_c, packs_of
from tallymast.domain.model import Supply

# Ours: a charger lifts the terminals of a 12 V pack at least so far above the dawn before; noise,
# warmth and what a lost charger leaves behind stay below it.
_RISE_V = 0.15
_SURELY_V = 13.2  # of a 12 V pack: no lead-acid battery rests so high
_DAWN_NIGHTS = 3  # so far back a dawn is looked for where the nearest is missing


@dataclass(frozen=True, slots=True)
class Charging:
    """How the nights went, one entry a night.

    Attributes:
        charged: whether the day before its dawn brought charge; None where that is not known.
        absorbed: whether it reached absorption.

    """

    charged: tuple[bool | None, ...]
    absorbed: tuple[bool, ...]


def charging_of(
    supply: Supply,
    limits: Limits,
    nights: Sequence[Night],
    latitude: float | None,
    temperature_c: Mapping[int, float] | None,
    resolution_v: float,
) -> Charging:
    """Return which nights' days brought charge and which reached absorption."""
    rises = _RISE_V * packs_of(supply) + resolution_v / 2
    charged, absorbed = [], []
    for place, night in enumerate(nights):
        full_v = absorption_from_v(supply, limits, band_c(night.day, latitude, temperature_c))
        charged.append(_charged(nights, place, rises, _SURELY_V * packs_of(supply)))
        absorbed.append(night.peak_v is not None and night.peak_v >= full_v - resolution_v / 2)
    return Charging(tuple(charged), tuple(absorbed))


def _charged(nights: Sequence[Night], place: int, rises_v: float, surely_v: float) -> bool | None:
    night = nights[place]
    if night.peak_v is None:
        return None
    dawn = _dawn_before(nights, place)
    if night.peak_v >= surely_v:
        return True
    return None if dawn is None else night.peak_v - dawn >= rises_v


def _dawn_before(nights: Sequence[Night], place: int) -> float | None:
    """Return the pre-dawn voltage the day began with, the newest known of the nights before."""
    for earlier in reversed(nights[:place]):
        if nights[place].day - earlier.day > _DAWN_NIGHTS:
            return None
        if earlier.predawn_v is not None:
            return earlier.predawn_v
    return None


def last_true(marks: Sequence[bool | None]) -> int | None:
    """Return the place of the newest mark that is true."""
    return next((place for place in reversed(range(len(marks))) if marks[place]), None)


def uncharged_run(charged: Sequence[bool | None]) -> int:
    """Return how many nights in a row, the newest among them, are known to be without charge.

    Nights of which nothing is known neither count nor end the row.
    """
    count = 0
    for mark in reversed(charged):
        if mark:
            break
        count += mark is False
    return count
