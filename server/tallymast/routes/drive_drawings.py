"""Draws what a technician reads before a drive: the nights against the disconnect, the hours.

Both are inline SVG with their scales, because the sheet has to stand alone on paper.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.nights import Night, day_of
from tallymast.domain.local_times import local_time
from tallymast.domain.model import Supply
from tallymast.routes.formats import number, plural
from tallymast.routes.nights import NIGHTS_SHOWN, join_places, lone_places

WIDTH, HEIGHT = 360, 112
_LEFT, _RIGHT, _TOP, _BOTTOM = 34.0, 352.0, 6.0, 94.0
_STEPS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
_MOST_TICKS = 5
HOUR_WIDTH, HOUR_HEIGHT = 13, 40
_LEAST_INK = 2  # Ours: one missed poll among many is still seen.


@dataclass(frozen=True, slots=True)
class NightChart:
    """The last nights' pre-dawn volts: a line between scales; places in units of the drawing.

    Attributes:
        ticks: y and words of the volts axis.
        days: x and words of the axis of days.
        line: SVG path commands.
        dots: nights without a neighbour.
        last: the newest night.
        disconnect: y and words of the load's disconnect, None where it is not known.
        words: the same for who does not see it.

    """

    ticks: tuple[tuple[float, str], ...]
    days: tuple[tuple[float, str], ...]
    line: str
    dots: tuple[tuple[float, float], ...]
    last: tuple[float, float] | None
    disconnect: tuple[float, str] | None
    words: str


def draw_night_chart(
    nights: Sequence[Night], today: int, supply: Supply | None
) -> NightChart | None:
    """Return the drawing of the last thirty nights, None where no night has a reading."""
    first = today - NIGHTS_SHOWN + 1
    known = {n.day: n.predawn_v for n in nights if n.predawn_v is not None and n.day >= first}
    if not known:
        return None
    drop_v = supply.disconnect_v if supply else None
    low, high, step = _scale([*known.values(), *([drop_v] if drop_v else [])])
    places = [
        (_x(day - first), _y(known[day], low, high)) if day in known else None
        for day in range(first, today + 1)
    ]
    ticks = [round(low + n * step, 3) for n in range(round((high - low) / step) + 1)]
    return NightChart(
        tuple((_y(volts, low, high), number(volts, 1)) for volts in ticks),
        tuple((_x(n), f"{day_of(first + n):%d %b}".lstrip("0")) for n in (0, 10, 20, 29)),
        join_places(places),
        lone_places(places),
        places[-1] or places[-2],
        None if drop_v is None else (_y(drop_v, low, high), f"disconnect {number(drop_v, 1)} V"),
        _night_words(known, drop_v),
    )


def _night_words(known: dict[int, float], drop_v: float | None) -> str:
    first, last = min(known), max(known)
    words = (
        f"Pre-dawn volts of {len(known)} nights: {number(known[first], 2)} V on "
        f"{day_of(first):%d %b}, {number(known[last], 2)} V on {day_of(last):%d %b}"
    )
    return words if drop_v is None else f"{words}; the load is dropped at {number(drop_v, 1)} V"


def _scale(volts: Sequence[float]) -> tuple[float, float, float]:
    """Return lowest and highest tick, and the step between ticks."""
    least, most = min(volts), max(*volts, min(volts) + 0.4)
    wanted = (most - least) / (_MOST_TICKS - 1)
    step = next((s for s in _STEPS if s >= wanted), float(ceil(wanted)))  # however wild a reading
    return floor(least / step) * step, ceil(most / step) * step, step


def _x(place: int) -> float:
    return round(_LEFT + 4 + place * (_RIGHT - _LEFT - 4) / (NIGHTS_SHOWN - 1), 1)


def _y(volts: float, low: float, high: float) -> float:
    return round(_BOTTOM - (volts - low) / (high - low) * (_BOTTOM - _TOP), 1)


# --- contact by the hour of the day ---------------------------------------------------------

Hours = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class HourChart:
    """A day in 24 hours: a line where polls were asked, ink as high as the share missed."""

    line: str
    ink: str
    words: str


@dataclass(frozen=True, slots=True)
class HourOfDay:
    """Of one hour of the local day: on how many days it was asked in, and the share missed.

    Each day counts alike. A silent site is asked less often, so that of the polls themselves
    too few fall into the hours in which it was silent.
    """

    days: int = 0
    missed: float = 0.0


def by_local_hour(begins_ms: Hours, hours: Hours, zone: tzinfo) -> tuple[HourOfDay, ...]:
    """Return contact by the hour of the local day, 24 of them.

    Args:
        begins_ms: when each hour begins, UTC milliseconds, shape (n,).
        hours: (n, 3) polls asked, answered at the first try, missed.
        zone: whose clock; an hour counts where its middle lies.

    """
    shares: list[list[float]] = [[] for _ in range(24)]
    for begin_ms, (asked, _, missed) in zip(begins_ms.tolist(), hours.tolist(), strict=True):
        if asked:
            shares[_local_hour(begin_ms + 1_800_000, zone)].append(missed / asked)
    return tuple(
        HourOfDay(len(some), sum(some) / len(some)) if some else HourOfDay() for some in shares
    )


def _local_hour(at_ms: int, zone: tzinfo) -> int:
    return local_time(at_ms, zone).hour


def draw_hours(day: Sequence[HourOfDay]) -> HourChart | None:
    """Return the drawing of the hours of the day, None where nobody asked."""
    if not any(hour.days for hour in day):
        return None
    line = ink = ""
    for place, hour in enumerate(day):
        x = place * HOUR_WIDTH
        if hour.days:
            line += f"M{x + 1} {HOUR_HEIGHT}h{HOUR_WIDTH - 2}"
        if hour.missed:
            high = max(round(HOUR_HEIGHT * hour.missed), _LEAST_INK)
            ink += f"M{x + 1} {HOUR_HEIGHT}v-{high}h{HOUR_WIDTH - 2}v{high}z"
    return HourChart(line, ink, _worst_words(day))


def _worst_words(day: Sequence[HourOfDay]) -> str:
    """Return when most is missed, as a sentence."""
    worst = max(range(24), key=lambda hour: day[hour].missed)
    hour = day[worst]
    if not hour.missed:
        return "Nothing was missed in any hour of the day."
    percent = "under 1" if hour.missed < 0.01 else f"{100 * hour.missed:.0f}"
    return (
        f"Most is missed from {worst:02d}:00 to {(worst + 1) % 24:02d}:00: "
        f"{percent}\u00a0% over {plural(hour.days, 'day')}."
    )
