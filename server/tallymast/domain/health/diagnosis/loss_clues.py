"""When polls get lost that did not get lost before: at certain hours of the day, or at all hours.

The daily hours are found by trying every stretch of the local day and every day it may have begun
on; thousands are tried, so chance finds something good in any record. What is left over for a
cause is ``evidence`` less the logarithm of how many were tried (``LOOKED``).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.baselines import log_likelihood
from tallymast.domain.health.comms.intervals import design_effect
from tallymast.domain.health.comms.model import ContactChange, Outage
from tallymast.domain.health.comms.outages import silent_spans
from tallymast.domain.health.record import ContactHours
from tallymast.domain.local_times import offsets_ms
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.spans import SpanSeries

LOOKED: Final = 11.0  # ours: logarithm of how many stretches, first days and hours are tried
LEAST_RISE: Final = 0.04  # ours: less is lost everywhere now and then
_LONGEST_H: Final = 18
_DAY_H: Final = 24
_BASELINE_DAYS: Final = 7  # common practice, no published source
_LIKE: Final = 0.4  # ours: so much of the rise makes a stretch or a day one of the bad ones
_MISSING_DAYS: Final = 2
_LEAST_ALWAYS_H: Final = 8  # ours: a loss of some hours may be one of certain hours
_FEW_LATE: Final = 10
_FEW_WORTH: Final = 3.0  # ours: polls that count for one where too few were lost to tell
_PRIOR_DAYS: Final = 10
_TRIM: Final = 0.25  # ours: an hour that is hit for a quarter of it
_PART_H: Final = 4
_PART_POLLS: Final = 24

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Loss:
    """Polls lost that were not lost before; late are those without an answer at the first try.

    Attributes:
        since_ms: since when.
        hours: of the local day, first and last minute; None: at all hours.
        lasts_h: from its beginning to the last bad hour.
        days: on how many days it came.
        late: polls late in those hours since then.
        asked: polls asked.
        missed: of those, without any answer.
        before_late: of the same hours before.
        before_asked: likewise.
        before_missed: likewise.
        evidence: logarithm of the odds against the usual scatter, less nothing for trying.
        again: the same without the worst day: what one storm did once does not count.
        signal_db: by how much the signal of those hours differs from before, None: not known.

    """

    since_ms: int
    hours: tuple[int, int] | None
    lasts_h: int
    days: int
    late: int
    asked: int
    missed: int
    before_late: int
    before_asked: int
    before_missed: int
    evidence: float
    again: float = 0.0
    signal_db: float | None = None

    @property
    def rise(self) -> float:
        """By how much the share that is late has risen."""
        return self.late / self.asked - self.before_late / max(self.before_asked, 1)

    def lost_whole(self) -> float | None:
        """Return the share of what is late beyond the usual that no retry delivered."""
        late = self.late - self.before_late / max(self.before_asked, 1) * self.asked
        missed = self.missed - self.before_missed / max(self.before_asked, 1) * self.asked
        return max(missed, 0.0) / late if late > 0 else None


def loss_of(
    contact: ContactHours,
    change: ContactChange | None,
    outages: Sequence[Outage],
    signal: SpanSeries | None,
    *,
    now_ms: int,
    zone: tzinfo,
) -> Loss | None:
    """Return how polls get lost, None where nothing has become worse or it is over.

    Args:
        contact: polls by clock hour.
        change: a lasting change of the first-try share that was found already.
        outages: of the site; hours they touch do not count.
        signal: by clock hour, where it is reported.
        now_ms: the instant.
        zone: whose clock people read.

    """
    heard = _heard(contact, outages, now_ms)
    grid = _Grid.of(heard, now_ms, zone)
    if grid is None:
        return None
    always = None if change is None else _always(grid, change.at_ms)
    found = _daily(grid)
    if found is not None and grid.moved_ms:
        found = _by_both_clocks(found, _Grid.of(heard, now_ms, zone, by_sun=True))
    if always is not None and (found is None or always[0].lasts_h >= _LEAST_ALWAYS_H):
        found = always
    if found is None:
        return None
    loss, inside, before = found
    return replace(loss, signal_db=_moved(grid, signal, inside, before))


# --- the hours of the local days ------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Grid:
    """Whole local days of 24 hours in a row: late, asked, missed, and when each hour begins."""

    late: Floats
    asked: Floats
    missed: Floats
    begins_ms: Ints
    minute: int  # of the local hour at which a clock hour begins
    whole: int  # hours from the begin on that are over
    moved_ms: int  # how far the local clock was moved meanwhile

    @staticmethod
    def of(
        hours: tuple[Ints, Ints], now_ms: int, zone: tzinfo, *, by_sun: bool = False
    ) -> "_Grid | None":
        """Return hours by the local clock, or by one that is never moved."""
        at_ms, cells = hours
        if not len(at_ms):
            return None
        offsets = offsets_ms(at_ms, zone)
        if by_sun:
            offsets = np.full_like(offsets, offsets[-1])
        # Where a clock is moved by half an hour, hours before and after do not compare.
        alike = (offsets - offsets[-1]) % HOUR_MS == 0
        at_ms, cells, offsets = at_ms[alike], cells[alike].astype(np.float64), offsets[alike]
        local = (at_ms + offsets) // 60_000
        place = local // 60
        first = int(place[0]) // _DAY_H * _DAY_H
        now_local = (now_ms + int(offsets_ms(np.array([now_ms]), zone)[0])) // (60 * 60_000)
        size = (max(now_local, int(place[-1])) // _DAY_H + 1) * _DAY_H - first
        rows = np.zeros((3, size))
        begins = np.zeros(size, np.int64)
        place = place - first
        np.add.at(rows[0], place, cells[:, 0] - cells[:, 1])
        np.add.at(rows[1], place, cells[:, 0])
        np.add.at(rows[2], place, cells[:, 2])
        begins[place] = at_ms
        minute = int(local[-1] % 60)
        moved = int(offsets.max() - offsets.min())
        return _Grid(rows[0], rows[1], rows[2], begins, minute, now_local - first, moved)

    @property
    def days(self) -> int:
        """How many local days."""
        return len(self.late) // _DAY_H


def _heard(contact: ContactHours, outages: Sequence[Outage], now_ms: int) -> tuple[Ints, Ints]:
    """Return the hours that are over, without those of outages, and their polls."""
    used = (contact.cells[:, 0] > contact.cells[:, 2]) & (contact.at_ms + HOUR_MS <= now_ms)
    used &= ~_touched(contact.at_ms, outages, now_ms)
    return contact.at_ms[used], contact.cells[used]


def _by_both_clocks(found: "_Found", by_sun: _Grid | None) -> "_Found | None":
    """Return certain hours only as surely as they stand out by a clock that was not moved.

    What follows the sun, as fading at dawn does, changes its hour when the clock is moved.
    """
    other = None if by_sun is None else _daily(by_sun)
    if other is None:
        return None
    loss, inside, before = found
    evidence = min(loss.evidence, other[0].evidence)
    return replace(loss, evidence=evidence, again=min(loss.again, other[0].again)), inside, before


def _touched(at_ms: Ints, outages: Sequence[Outage], now_ms: int) -> NDArray[np.bool_]:
    touched = np.zeros(len(at_ms), bool)
    for begin, end in silent_spans(outages, now_ms):
        touched |= (at_ms < end) & (at_ms + HOUR_MS > begin)
    return touched


_Found = tuple[Loss, NDArray[np.bool_], NDArray[np.bool_]]


# --- certain hours of the day ---------------------------------------------------------


class _Stretch(NamedTuple):
    """Certain hours of the day from some day on: day and hour it begins with, how long."""

    day: int
    hour: int
    length: int


def _daily(grid: _Grid) -> _Found | None:
    if grid.days <= _BASELINE_DAYS:
        return None
    best = _best_stretch(grid)
    if best is None:
        return None
    starts = np.arange(grid.days) * _DAY_H + best.hour
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
    return _stretch_loss(grid, best, np.arange(grid.days) * _DAY_H + best.hour, bad)


def _bad_days(late: Floats, asked: Floats, usual: float, first: int) -> NDArray[np.bool_]:
    """Return the days, from one on, that rose like those that rose."""
    bad = (asked >= 3) & (np.arange(len(late)) >= first)
    beyond = late - usual * asked
    rise = beyond[bad].sum() / max(asked[bad].sum(), 1.0)
    for _ in range(2):
        bad &= beyond >= _LIKE * rise * asked
        rise = beyond[bad].sum() / max(asked[bad].sum(), 1.0)
    return bad


def _stretch_loss(
    grid: _Grid, best: _Stretch, starts: Ints, bad: NDArray[np.bool_]
) -> _Found | None:
    where = np.flatnonzero(bad)
    inside, before = np.zeros(len(grid.late), bool), np.zeros(len(grid.late), bool)
    for day in range(grid.days):
        row = before if day < where[0] else inside
        row[starts[day] : starts[day] + best.length] = True
    used = inside & (grid.asked > 0)
    if not used.any() or _is_always(grid, inside, before, int(starts[where[0]])):
        return None
    worth = _worth(grid, before, best.length)
    counted = _counted(grid, inside, before)
    worst = max(where, key=lambda day: _late_on(grid, starts[day], best.length))
    without = inside.copy()
    without[starts[worst] : starts[worst] + best.length] = False
    first, last = _ends(grid, starts[where], best.length, counted)
    loss = replace(
        counted,
        since_ms=int(grid.begins_ms[first]),
        hours=_minutes(grid, best, starts[where], counted.before_late / counted.before_asked),
        lasts_h=last + 1 - first,
        days=len(where),
        evidence=counted.evidence / worth,
        again=_counted(grid, without, before).evidence / worth,
    )
    return loss, inside, before


def _trimmed(grid: _Grid, best: _Stretch, starts: Ints, usual: float) -> _Stretch:
    """Return the hours without those at either end that did not rise, or were not asked in."""
    places = np.minimum(starts[:, None] + np.arange(best.length), len(grid.late) - 1)
    asked = grid.asked[places].sum(axis=0)
    rise = (grid.late[places].sum(axis=0) - usual * asked) / np.maximum(asked, 1.0)
    stays = np.flatnonzero((asked > 0) & (rise >= _TRIM * rise.max()))
    first, last = int(stays[0]), int(stays[-1])
    return _Stretch(best.day, best.hour + first, last + 1 - first)  # may begin on the next day


def _late_on(grid: _Grid, start: int, length: int) -> float:
    return float(grid.late[start : start + length].sum())


def _ends(grid: _Grid, starts: Ints, length: int, counted: Loss) -> tuple[int, int]:
    """Return the first and the last bad hour of the bad days."""
    places = np.minimum((starts[:, None] + np.arange(length)).ravel(), len(grid.late) - 1)
    places = places[grid.asked[places] > 0]
    usual = counted.before_late / max(counted.before_asked, 1)
    beyond = grid.late[places] - usual * grid.asked[places]
    bad = places[beyond >= _LIKE * counted.rise * grid.asked[places]]
    ends = bad if len(bad) else places
    return int(ends[0]), int(ends[-1])


def _best_stretch(grid: _Grid) -> _Stretch | None:
    """Return the hours of the day, and since when, that stand out most against the days before."""
    lengths = range(1, _LONGEST_H + 1)
    late, asked = (
        np.stack([_windows(row, length).reshape(grid.days, _DAY_H) for length in lengths], axis=2)
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
    grid: _Grid, inside: NDArray[np.bool_], before: NDArray[np.bool_], first: int
) -> bool:
    """Return whether the other hours became about as bad at the same time."""
    since = np.arange(len(inside)) >= first
    now, was = _share(grid, inside & since), _share(grid, before)
    others = ~inside & ~before
    # The hours of the day that are in no stretch, before and since it began.
    rest_now, rest_was = _share(grid, others & since), _share(grid, others & ~since)
    if rest_now is None or rest_was is None or now is None or was is None:
        return False
    return rest_now - rest_was >= _LIKE * (now - was)


def _share(grid: _Grid, where: NDArray[np.bool_]) -> float | None:
    asked = grid.asked[where].sum()
    return float(grid.late[where].sum() / asked) if asked else None


def _worth(grid: _Grid, before: NDArray[np.bool_], length: int) -> float:
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


def _hourly_worth(grid: _Grid, before: NDArray[np.bool_]) -> float:
    """Return the scatter of hours about what is usual at their hour of the day."""
    cut = int(np.flatnonzero(before)[-1]) // _DAY_H * _DAY_H if before.any() else 0
    late, asked = (row[:cut].reshape(-1, _DAY_H) for row in (grid.late, grid.asked))
    if late.sum() < _FEW_LATE:
        return _FEW_WORTH
    overall = late.sum() / asked.sum()
    share = (late.sum(axis=0) + 3 * overall) / (asked.sum(axis=0) + 3)
    expected = asked * share
    free = max(int((asked > 0).sum()) - _DAY_H, 1)
    scatter = ((late - expected) ** 2)[asked > 0].sum() / (expected * (1 - share)).sum()
    return float(scatter * (asked > 0).sum() / free)


def _counted(grid: _Grid, inside: NDArray[np.bool_], before: NDArray[np.bool_]) -> Loss:
    rows = (grid.late, grid.asked, grid.missed)
    late, asked, missed = (int(row[inside].sum()) for row in rows)
    was_late, was_asked, was_missed = (int(row[before].sum()) for row in rows)
    if not asked or late * was_asked <= was_late * asked:
        return Loss(0, None, 0, 0, late, asked, missed, was_late, was_asked, was_missed, 0.0)
    part = np.array([late, was_late, late + was_late], np.float64)
    whole = np.array([asked, was_asked, asked + was_asked], np.float64)
    likelihood = log_likelihood(part, whole)
    evidence = float(likelihood[0] + likelihood[1] - likelihood[2])
    return Loss(0, None, 0, 0, late, asked, missed, was_late, was_asked, was_missed, evidence)


def _minutes(grid: _Grid, best: _Stretch, starts: Ints, usual: float) -> tuple[int, int]:
    """Return first and last minute of the local day, to half an hour where polls suffice."""
    places = starts[:, None] + np.arange(best.length)
    places = np.minimum(places, len(grid.late) - 1)
    asked = grid.asked[places].sum(axis=0)
    rise = grid.late[places].sum(axis=0) - usual * asked
    share = rise / np.maximum(asked, 1.0)
    first, last = 0.0, 0.0
    if best.length >= 3 and asked[[0, -1]].min() >= 30:
        full = max(float(np.median(share[1:-1])), 1e-9)
        first, last = (0.5 if share[end] < 0.75 * full else 0.0 for end in (0, -1))
    begin = best.hour * 60 + grid.minute
    ends = begin + round(60 * first), begin + 60 * best.length - round(60 * last)
    return ends[0] % 1440, ends[1] % 1440


# --- all hours ------------------------------------------------------------------------


def _always(grid: _Grid, since_ms: int) -> _Found | None:
    """Return the loss since an hour, None where it was not there all the time since."""
    used = grid.asked > 0
    inside, before = used & (grid.begins_ms >= since_ms), used & (grid.begins_ms < since_ms)
    where = np.flatnonzero(inside)
    if not len(where) or not before.any():
        return None
    counted = _counted(grid, inside, before)
    usual, rise = counted.before_late / counted.before_asked, counted.rise
    parts = np.array_split(where, min(4, len(where)))
    beyond = grid.late - usual * grid.asked
    rises = [float(beyond[part].sum() / grid.asked[part].sum()) for part in parts]
    if (
        rise < LEAST_RISE / 2
        or min(rises) < _LIKE * rise
        or not _all_day(where, beyond, grid, rise)
    ):
        return None
    worth = design_effect(grid.late[before], grid.asked[before])
    lasts_h = int(where[-1] - where[0]) + 1
    loss = replace(
        counted,
        since_ms=since_ms,
        lasts_h=lasts_h,
        days=-(-lasts_h // _DAY_H),
        evidence=counted.evidence / worth,
        again=counted.evidence / worth,
    )
    return loss, inside, before


def _all_day(where: Ints, beyond: Floats, grid: _Grid, rise: float) -> bool:
    """Return whether every part of the local day rose, of those with enough polls."""
    part_of = where % _DAY_H // _PART_H
    for part in range(_DAY_H // _PART_H):
        hours = where[part_of == part]
        asked = grid.asked[hours].sum()
        if asked >= _PART_POLLS and beyond[hours].sum() < _LIKE * rise * asked:
            return False
    return True


def _moved(
    grid: _Grid,
    signal: SpanSeries | None,
    inside: NDArray[np.bool_],
    before: NDArray[np.bool_],
) -> float | None:
    """Return by how much the signal of those hours differs from that of the hours before."""
    if signal is None or not len(signal):
        return None
    place = np.minimum(np.searchsorted(signal.at_ms, grid.begins_ms), len(signal) - 1)
    level = np.where(signal.at_ms[place] == grid.begins_ms, signal.mean[place], np.nan)
    known = ~np.isnan(level) & (grid.begins_ms > 0)
    now, was = level[inside & known], level[before & known]
    if len(now) < 2 or len(was) < 2:
        return None
    return float(np.median(now) - np.median(was))
