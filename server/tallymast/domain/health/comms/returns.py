"""Silence that comes every day at about the same time, and by when contact is back."""

from collections.abc import Callable, Sequence
from datetime import datetime, tzinfo
from math import ceil
from statistics import median
from typing import Final

from tallymast.domain.health.comms.model import Outage, Returns
from tallymast.domain.local_times import local_time

LEAST_DAYS: Final = 3  # Ours: twice may be chance
BAND_MIN: Final = 180  # Ours: a battery at its end fails a little earlier every night
_DAY_MIN: Final = 1440
_MOST_A_DAY: Final = 2
_USUAL: Final = 0.9
_EPOCH: Final = datetime(1970, 1, 1)

Began = tuple[int, Outage]  # the local minute it began at, counted from 1970-01-01


def returns_of(
    outages: Sequence[Outage],
    sunrise_ms: Callable[[int], int] | None,
    zone: tzinfo,
    now_ms: int,
) -> Returns | None:
    """Return when a site that falls silent day after day does so, None if it does not.

    Ours: it does when outages began on three or more days in a row, within three hours of the
    local day, the newest no longer ago than a day and those three hours, and contact came back
    within the day at least twice; and when it fell silent no more than twice a day meanwhile, so
    that a site which comes and goes has no habit. The time by which it is back is that of nine
    days of ten, the later one of two days where it lies between them.

    Args:
        outages: the site's, oldest first.
        sunrise_ms: when the sun rises on a local day, counted from 1970-01-01 [ms].
        zone: the site's time zone.
        now_ms: now [ms].

    """
    row = _row([(_local_min(one.from_ms, zone), one) for one in outages], now_ms)
    backs = [pair for pair in row if _came_back(pair[1])]
    if len(row) < LEAST_DAYS or len(backs) < LEAST_DAYS - 1:
        return None
    if sum(one.from_ms >= row[-1][1].from_ms for one in outages) > _MOST_A_DAY * len(row):
        return None
    newest = row[0][0]
    offs = [_on_the_newest_day(minute, newest) for minute, _ in row]
    late = [
        _on_the_newest_day(minute, newest) + _local_min(one.to_ms or 0, zone) - minute
        for minute, one in backs
    ]
    return Returns(
        days=len(row),
        off_minute=round(median(offs)) % _DAY_MIN,
        back_minute=_usual_most(late) % _DAY_MIN,
        after_sunrise_min=_after_sunrise([one for _, one in backs], sunrise_ms, zone),
    )


def _row(began: Sequence[Began], now_ms: int) -> list[Began]:
    """Return one outage a day, newest first, as far back as they come without a day between."""
    if not began or now_ms - began[-1][1].from_ms > (_DAY_MIN + BAND_MIN) * 60_000:
        return []
    newest_ms = began[-1][1].from_ms
    # On the newest day it may have fallen silent more than once; each may be the one that returns.
    starts = [pair for pair in began if newest_ms - pair[1].from_ms < _DAY_MIN * 60_000]
    days = (newest_ms - began[0][1].from_ms) // (_DAY_MIN * 60_000) + 2
    if len(starts) > _MOST_A_DAY * days:
        return []  # more than any row of days would allow: it comes and goes
    return max((_row_from(start, began) for start in starts), key=len)


def _row_from(start: Began, began: Sequence[Began]) -> list[Began]:
    row, least, most = [start], 0, 0
    for day in range(1, len(began) + 1):
        aside = [(pair[0] + day * _DAY_MIN - start[0], pair) for pair in began]
        fitting = [
            (shift, pair)
            for shift, pair in aside
            if max(most, shift) - min(least, shift) <= BAND_MIN
        ]
        if not fitting:
            break
        shift, pair = min(fitting, key=lambda each: abs(each[0]))
        row, least, most = [*row, pair], min(least, shift), max(most, shift)
    return row


def _came_back(one: Outage) -> bool:
    return one.to_ms is not None and one.to_ms - one.from_ms < _DAY_MIN * 60_000


def _on_the_newest_day(minute: int, newest: int) -> int:
    """Return a local minute moved by whole days to within half a day of the newest."""
    return minute + round((newest - minute) / _DAY_MIN) * _DAY_MIN


def _after_sunrise(
    backs: Sequence[Outage], sunrise_ms: Callable[[int], int] | None, zone: tzinfo
) -> int | None:
    if sunrise_ms is None:
        return None
    waits = [
        round((one.to_ms - sunrise_ms(_local_min(one.to_ms, zone) // _DAY_MIN)) / 60_000)
        for one in backs
        if one.to_ms is not None
    ]
    latest = _usual_most(waits)
    return latest if latest >= 0 else None


def _usual_most(minutes: Sequence[int]) -> int:
    """Return what nine of ten stay within: the upper one of two where it lies between."""
    ordered = sorted(minutes)
    return ordered[ceil(_USUAL * len(ordered)) - 1]


def _local_min(at_ms: int, zone: tzinfo) -> int:
    """Return an instant as minutes of the local clock since 1970-01-01 00:00 on it."""
    local = local_time(at_ms, zone).replace(tzinfo=None)
    return int((local - _EPOCH).total_seconds()) // 60
