"""What the points of an area come to: what flows in and what flows out are never one number.

Balances say which way a point flows. Where none names a point of an area, all of them are added
up as they are, and the page says so.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction

from tallymast.routes.formats import plural
from tallymast.routes.volumes.words import Reach, between, decimals, reach
from tallymast.storage.balances import Group
from tallymast.storage.volume_days import Told


class Way(Enum):
    """Which way a point flows, by the balances in force."""

    IN = "Flows in"
    OUT = "Flows out"
    BOTH = "out of one balance and into another, so a flow within"
    NEITHER = "no balance says which way"


@dataclass(frozen=True, slots=True)
class Part:
    """A point's volume with which way it flows."""

    point_id: int
    told: Told
    both_ways: bool


@dataclass(frozen=True, slots=True)
class Total:
    """What some points come to: which ones, how much, what else is to be said."""

    head: str
    words: str
    note: str = ""


def ways_of(groups: Iterable[Group]) -> Mapping[int, Way]:
    """Return which way points flow, by their number; those no balance names are left out."""
    found: dict[int, Way] = {}
    for group in groups:
        for way, side in ((Way.IN, group.inflows), (Way.OUT, group.outflows)):
            for number in side:
                found[number] = way if found.get(number, way) is way else Way.BOTH
    return found


def totals(some: Sequence[Part], ways: Mapping[int, Way]) -> tuple[tuple[Total, ...], str]:
    """Return what the points of an area come to, and what is to be said of it; maybe nothing.

    Args:
        some: the area's points.
        ways: from ``ways_of``.

    """
    parted = defaultdict[Way, list[Part]](list)
    for one in some:
        parted[ways.get(one.point_id, Way.NEITHER)].append(one)
    if set(parted) <= {Way.NEITHER}:
        return _all_together(some)
    told = [
        Total(f"{way.value}, {plural(len(parted[way]), 'point')}", *_together(parted[way]))
        for way in (Way.IN, Way.OUT)
        if parted[way]
    ]
    return tuple(told), " ".join(_left_out(parted))


def _all_together(some: Sequence[Part]) -> tuple[tuple[Total, ...], str]:
    if len(some) < 2:
        return (), ""
    words, note = _together(some)
    if not words:
        return (), f"{note[:1].upper()}{note[1:]}."
    whole = Total(f"All {plural(len(some), 'point')} together", words, note)
    return (whole,), "Added up as they are: no balance says which of them flow in or out."


def _left_out(parted: Mapping[Way, Sequence[Part]]) -> list[str]:
    """Return in sentences by what points were parted, and which are in no figure."""
    told = ["Which way is as the balances say."]
    for way in (Way.BOTH, Way.NEITHER):
        if some := parted.get(way, ()):
            is_in = "is in neither figure" if len(some) == 1 else "are in neither figure"
            told.append(f"{plural(len(some), 'point')} {is_in}: {way.value}.")
    return told


def _together(some: Sequence[Part]) -> tuple[str, str]:
    """Return a sum with what is unknown of it, and a note; only where units agree."""
    units = {one.told.booked.unit for one in some}
    if len(units) != 1:
        return "", "units differ: " + ", ".join(sorted(units)) + "; not added up"
    (unit,) = units
    reaches = [reach(one.told, both_ways=one.both_ways) for one in some]
    places = max(decimals(one.told.booked) for one in some)
    lows = [one.low for one in reaches if one.low is not None]
    if not lows:
        return "unknown", ""
    low, lacking = sum(lows, Fraction(0)), len(reaches) - len(lows)
    highs = [one.high for one in reaches if one.high is not None]
    if len(highs) < len(reaches):
        words = f"at least {between(Reach(low, low), unit, places)}"
        return words, f"of {lacking} of {len(some)} points nothing is known" if lacking else ""
    return between(Reach(low, sum(highs, Fraction(0))), unit, places), ""
