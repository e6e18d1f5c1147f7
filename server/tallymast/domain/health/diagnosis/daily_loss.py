"""Polls that get lost at certain hours of the day.

Every stretch of the local day is tried, and every day it may have begun on; thousands are, so
chance finds something good in any record. What is left over for a cause is ``evidence`` less the
logarithm of how many were tried (``LOOKED``).
"""

from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.baselines import log_likelihood
from tallymast.domain.health.diagnosis.lost_hours import (
    DAY_H,
    LIKE,
    Floats,
    Found,
    HourGrid,
    Ints,
    Loss,
    counted_in,
)

LOOKED: Final = 11.0  # ours: logarithm of how many stretches, first days and hours are tried
SHARED: Final = 8.0  # ours: evidence that counts where others began to lose polls with it
LEAST_RISE: Final = 0.04  # ours: less is lost everywhere now and then
_LONGEST_H: Final = 18
_BASELINE_DAYS: Final = 7  # common practice, no published source
_MISSING_DAYS: Final = 2
_FEW_LATE: Final = 10
_FEW_WORTH: Final = 3.0  # ours: polls that count for one where too few were lost to tell
_PRIOR_DAYS: Final = 10
_TRIM: Final = 0.25  # ours: an hour that is hit for a quarter of it


class _Stretch(NamedTuple):
    """Certain hours of the day from some day on: day and hour it begins with, how long."""

    day: int
    hour: int
    length: int


def daily_loss(grid: HourGrid) -> Found | None:
    """Return the hours of the day that became worse, and since when; None where none did."""
    if grid.days <= _BASELINE_DAYS:
        return None
    best = _best_stretch(grid)
    if best is None:
        return None
    starts = np.arange(grid.days) * DAY_H + best.hour
    late, asked = (_windows(row, best.length)[starts] for row in (grid.late, grid.asked))
    usual = late[: best.day].sum() / asked[: best.day].sum()
    bad = _bad_days(late, asked, usual, best.day)
    where = np.flatnonzero(bad)
    if not len(where):
        return None
    over = starts + best.length <= grid.whole
    since = (asked >= 3) & (np.arange(grid.days) > where[-1]) & over
    polled = int((asked[where[0] : where[-1] + 1] >= 3).sum())
    if since.sum() > _MISSING_DAYS or len(where) < 0.6 * polled:
        return None
    best = _trimmed(grid, best, starts[where], usual)
    return _stretch_loss(grid, best, np.arange(grid.days) * DAY_H + best.hour, bad)


def by_both_clocks(found: "Found", by_sun: HourGrid | None) -> "Found | None":
    """Return certain hours only as surely as they stand out by a clock that was not moved.

    What follows the sun, as fading at dawn does, changes its hour when the clock is moved.
    """
    other = None if by_sun is None else daily_loss(by_sun)
    if other is None:
        return None
    loss, inside, before = found
    evidence = min(loss.evidence, other[0].evidence)
    return replace(loss, evidence=evidence, again=min(loss.again, other[0].again)), inside, before


# --- inside ----------------------------------------------------------------------


def _bad_days(late: Floats, asked: Floats, usual: float, first: int) -> NDArray[np.bool_]:
    """Return the days, from one on, that rose like those that rose."""
    bad = (asked >= 3) & (np.arange(len(late)) >= first)
    beyond = late - usual * asked
    rise = beyond[bad].sum() / max(asked[bad].sum(), 1.0)
    for _ in range(2):
        bad &= beyond >= LIKE * rise * asked
        rise = beyond[bad].sum() / max(asked[bad].sum(), 1.0)
    return bad


def _stretch_loss(
    grid: HourGrid, best: _Stretch, starts: Ints, bad: NDArray[np.bool_]
) -> Found | None:
    where = np.flatnonzero(bad)
    inside, before = np.zeros(len(grid.late), bool), np.zeros(len(grid.late), bool)
    for day in range(grid.days):
        row = before if day < where[0] else inside
        row[starts[day] : starts[day] + best.length] = True
    used = inside & (grid.asked > 0)
    if not used.any() or _is_always(grid, inside, before, int(starts[where[0]])):
        return None
    worth = worth_of(grid, before, best.length)
    counted = counted_in(grid, inside, before)
    worst: int = max(where.tolist(), key=lambda day: _late_on(grid, int(starts[day]), best.length))
    without = inside.copy()
    without[starts[worst] : starts[worst] + best.length] = False
    first, last = _ends(grid, starts[where], best.length, counted)
    halves = _halves(grid, best, starts[where], counted.before_late / counted.before_asked)
    shown = (_core(grid, one, best, halves) for one in (inside, before))
    loss = replace(
        counted_in(grid, *shown),
        since_ms=int(grid.begins_ms[first]),
        hours=_minutes(grid, best, halves),
        lasts_h=last + 1 - first,
        days=len(where),
        evidence=counted.evidence / worth,
        again=counted_in(grid, without, before).evidence / worth,
    )
    return loss, inside, before


def _trimmed(grid: HourGrid, best: _Stretch, starts: Ints, usual: float) -> _Stretch:
    """Return the hours without those at either end that did not rise, or were not asked in."""
    places = np.minimum(starts[:, None] + np.arange(best.length), len(grid.late) - 1)
    asked = grid.asked[places].sum(axis=0)
    rise = (grid.late[places].sum(axis=0) - usual * asked) / np.maximum(asked, 1.0)
    stays = np.flatnonzero((asked > 0) & (rise >= _TRIM * rise.max()))
    first, last = int(stays[0]), int(stays[-1])
    return _Stretch(best.day, best.hour + first, last + 1 - first)  # may begin on the next day


def _late_on(grid: HourGrid, start: int, length: int) -> float:
    return float(grid.late[start : start + length].sum())


def _ends(grid: HourGrid, starts: Ints, length: int, counted: Loss) -> tuple[int, int]:
    """Return the first and the last bad hour of the bad days."""
    places = np.minimum((starts[:, None] + np.arange(length)).ravel(), len(grid.late) - 1)
    places = places[grid.asked[places] > 0]
    usual = counted.before_late / max(counted.before_asked, 1)
    beyond = grid.late[places] - usual * grid.asked[places]
    bad = places[beyond >= LIKE * counted.rise * grid.asked[places]]
    ends = bad if len(bad) else places
    return int(ends[0]), int(ends[-1])


def _best_stretch(grid: HourGrid) -> _Stretch | None:
    """Return the hours of the day, and since when, that stand out most against the days before."""
    lengths = range(1, _LONGEST_H + 1)
    late, asked = (
        np.stack([_windows(row, length).reshape(grid.days, DAY_H) for length in lengths], axis=2)
        for row in (grid.late, grid.asked)
    )
    late_before, asked_before = _before(late), _before(asked)
    late_since, asked_since = late.sum(axis=0) - late_before, asked.sum(axis=0) - asked_before
    days = _before((asked > 0).astype(np.float64))
    share = late_before / np.maximum(asked_before, 1.0)
    all_before = _before(late[:, :1, :1]) / np.maximum(_before(asked[:, :1, :1]), 1.0)
    usual = np.maximum(share, all_before)
    stands_out = (days >= _BASELINE_DAYS) & (late_since - usual * asked_since >= 0.0)
    stands_out &= late_since >= (usual + LEAST_RISE) * asked_since
    stands_out &= asked_since >= 3
    gain = (
        log_likelihood(late_since, asked_since)
        + log_likelihood(late_before, asked_before)
        - log_likelihood(late_since + late_before, asked_since + asked_before)
    )
    gain = np.where(stands_out, gain, 0.0)
    day, hour, place = np.unravel_index(int(np.argmax(gain)), gain.shape)
    return _Stretch(int(day), int(hour), int(place) + 1) if gain.max() > 0 else None


def _windows(row: Floats, length: int) -> Floats:
    """Return the sum of so many hours from each hour on."""
    summed = np.concatenate(([0.0], np.cumsum(np.concatenate((row, np.zeros(length))))))
    total: Floats = summed[length : length + len(row)] - summed[: len(row)]
    return total


def _before(rows: Floats) -> Floats:
    """Return the sum of the days before each day."""
    before: Floats = np.cumsum(rows, axis=0) - rows
    return before


def _is_always(
    grid: HourGrid, inside: NDArray[np.bool_], before: NDArray[np.bool_], first: int
) -> bool:
    """Return whether the other hours became about as bad at the same time."""
    since = np.arange(len(inside)) >= first
    now, was = _share(grid, inside & since), _share(grid, before)
    others = ~inside & ~before
    # The hours of the day that are in no stretch, before and since it began.
    rest_now, rest_was = _share(grid, others & since), _share(grid, others & ~since)
    if rest_now is None or rest_was is None or now is None or was is None:
        return False
    return rest_now - rest_was >= LIKE * (now - was)


def _share(grid: HourGrid, where: NDArray[np.bool_]) -> float | None:
    asked = grid.asked[where].sum()
    return float(grid.late[where].sum() / asked) if asked else None


def worth_of(grid: HourGrid, before: NDArray[np.bool_], length: int) -> float:
    """Return how many polls count for one: by hours, and by the same hours of the days before."""
    late, asked = grid.late[before], grid.asked[before]
    hourly = max(_hourly_worth(grid, before), 1.0)
    days = len(late) // length
    x, n = (row[: days * length].reshape(days, length).sum(axis=1) for row in (late, asked))
    known = n > 0
    share = x.sum() / max(n.sum(), 1.0)
    if x.sum() < _FEW_LATE or share >= 1.0:
        return hourly
    scatter = float(((x - n * share)[known] ** 2 / (n[known] * share * (1 - share))).sum())
    count = int(known.sum())
    daily = (scatter + _PRIOR_DAYS * hourly) / max(count - 1 + _PRIOR_DAYS, 1)
    return max(hourly, daily)


def _hourly_worth(grid: HourGrid, before: NDArray[np.bool_]) -> float:
    """Return the scatter of hours about what is usual at their hour of the day."""
    cut = int(np.flatnonzero(before)[-1]) // DAY_H * DAY_H if before.any() else 0
    late, asked = (row[:cut].reshape(-1, DAY_H) for row in (grid.late, grid.asked))
    if late.sum() < _FEW_LATE:
        return _FEW_WORTH
    overall = late.sum() / asked.sum()
    share = (late.sum(axis=0) + 3 * overall) / (asked.sum(axis=0) + 3)
    expected = asked * share
    free = max(int((asked > 0).sum()) - DAY_H, 1)
    scatter = ((late - expected) ** 2)[asked > 0].sum() / (expected * (1 - share)).sum()
    return float(scatter * (asked > 0).sum() / free)


def _halves(grid: HourGrid, best: _Stretch, starts: Ints, usual: float) -> tuple[bool, bool]:
    """Return whether the first and the last hour are hit for about half, where polls suffice."""
    places = starts[:, None] + np.arange(best.length)
    places = np.minimum(places, len(grid.late) - 1)
    asked = grid.asked[places].sum(axis=0)
    if best.length < 3 or asked[[0, -1]].min() < 30:
        return False, False
    share = (grid.late[places].sum(axis=0) - usual * asked) / np.maximum(asked, 1.0)
    full = 0.75 * float(np.median(share[1:-1]))
    return bool(share[0] < full), bool(share[-1] < full)


def _minutes(grid: HourGrid, best: _Stretch, halves: tuple[bool, bool]) -> tuple[int, int]:
    """Return first and last minute of the local day, to half an hour."""
    begin = best.hour * 60 + grid.minute
    first, last = (30 if half else 0 for half in halves)
    return (begin + first) % 1440, (begin + 60 * best.length - last) % 1440


def _core(
    grid: HourGrid, where: NDArray[np.bool_], best: _Stretch, halves: tuple[bool, bool]
) -> NDArray[np.bool_]:
    """Return those of the hours that are hit as a whole."""
    hour = (np.arange(len(grid.late)) - best.hour) % DAY_H
    core: NDArray[np.bool_] = (
        where & ~((hour == 0) & halves[0]) & ~((hour == best.length - 1) & halves[1])
    )
    return core
