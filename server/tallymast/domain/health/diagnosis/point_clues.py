"""What a site's points tell of a cause: restarts, lost values, readings that stand still."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.diagnosis.point_restarts import Restart, restarts_of
from tallymast.domain.health.nights import DAY_MS
from tallymast.domain.health.record import ContactHours, SiteRecord
from tallymast.domain.model import Point, PointKind, PollClass, Site, WordLayout
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.spans import SpanSeries

Mask = NDArray[np.bool_]

WEEKS_MS: Final = 21 * DAY_MS
RESTARTS_MS: Final = 14 * DAY_MS
_MOVING: Final = frozenset(
    {PointKind.ANALOG_INPUT, PointKind.RATE, PointKind.TEMPERATURE, PointKind.SUPPLY_VOLTAGE}
)
_STILL_MS: Final = 60 * DAY_MS  # ours: one that stands still for weeks is named on
_STILL_H: Final = 12  # ours: hours a point must have stood still before anybody looks further
_LEAST_H: Final = 7 * 24  # ours: hours of moving before them, to know that it moves
_MOVED: Final = 0.97  # ours: share of hours in which a point that moves has moved
_ALIKE: Final = 8.0  # ours: so many times longer than it ever stood still before
_EDGE: Final = 0.005  # ours: of the span; at an end of its scale a reading may truly stand
_GONE_H: Final = 3  # hours looked at for a value that no longer comes
_REFUSED_H: Final = 3  # ours: refusals so far apart are one row


@dataclass(frozen=True, slots=True)
class Gone:
    """A point without a valid value although its station answers.

    Attributes:
        tag: which.
        since_ms: its first reading without a value; None where it had none in the weeks.
        last_ms: its last good reading.
        last: what that was.

    """

    tag: str
    since_ms: int | None
    last_ms: int | None
    last: float | None


@dataclass(frozen=True, slots=True)
class Still:
    """A reading that used to move and stands still.

    Attributes:
        tag: which.
        since_ms: beginning of the first hour in which it did not move.
        value: what it shows.
        hours: with readings, since.
        before: hours of the weeks before with readings.
        longest: the longest it stood still in them [h].
        others: points of the site that moved meanwhile.

    """

    tag: str
    since_ms: int
    value: float
    hours: int
    before: int
    longest: int
    others: int


@dataclass(frozen=True, slots=True)
class Refusals:
    """Polls answered with an exception, in a row of hours that goes on to the newest."""

    since_ms: int
    refused: int
    asked: int


@dataclass(frozen=True, slots=True)
class PointClues:
    """Clues from points other than supply and signal.

    Attributes:
        restarts: of the last fortnight, oldest first.
        gone: points without a value.
        still: points that stand still.
        refusals: None where none of the newest polls was refused.
        revision_ms: when the firmware's revision last changed, None where it did not.

    """

    restarts: tuple[Restart, ...] = ()
    gone: tuple[Gone, ...] = ()
    still: tuple[Still, ...] = ()
    refusals: Refusals | None = None
    revision_ms: int | None = None


NO_POINT_CLUES = PointClues()


def point_clues(site: Site, record: SiteRecord, *, now_ms: int) -> PointClues:
    """Return what points tell."""
    contact = record.contact
    if contact is None or not len(contact.at_ms):
        return NO_POINT_CLUES
    refusals = _refusals(contact, now_ms)
    return PointClues(
        restarts=restarts_of(site, record, now_ms - RESTARTS_MS, now_ms),
        gone=_gone(site, record, contact, now_ms),
        still=_stills(site, record, now_ms),
        refusals=refusals,
        revision_ms=_revised(site, record, now_ms),
    )


def _numbers(site: Site) -> list[Point]:
    return [point for point in site.points if point.layout is not WordLayout.TEXT]


# --- values that no longer come --------------------------------------------------------


def _gone(site: Site, record: SiteRecord, contact: ContactHours, now_ms: int) -> tuple[Gone, ...]:
    """Return the points without a value in the newest hours, while the site answers.

    Only where something may take it away: a current loop, or registers that are refused.
    """
    newest = contact.at_ms >= now_ms - _GONE_H * HOUR_MS
    cells = contact.cells[newest]
    if not len(cells) or cells[:, 0].sum() - cells[:, 2].sum() < 2:
        return ()
    found = []
    for point in _numbers(site):
        if not point.loop and not contact.refused:
            continue  # nothing takes its value away
        back_h = _GONE_H if point.poll is PollClass.SLOW else 1
        times, values = record.readings(point.tag, now_ms - back_h * HOUR_MS, now_ms)
        if len(times) >= 2 and np.isnan(values[-2:]).all():
            found.append(_lost(record, point, now_ms))
    return tuple(found)


def _lost(record: SiteRecord, point: Point, now_ms: int) -> Gone:
    hours = record.hours(point.tag, now_ms - WEEKS_MS, now_ms)
    known = np.flatnonzero(hours.n > 0)
    if not len(known):
        return Gone(point.tag, None, None, None)
    at_ms = int(hours.at_ms[known[-1]])
    times, values = record.readings(point.tag, at_ms, min(at_ms + 3 * HOUR_MS, now_ms))
    good = np.flatnonzero(~np.isnan(values))
    if not len(good):
        return Gone(point.tag, at_ms + HOUR_MS, at_ms, float(hours.last[known[-1]]))
    last = int(good[-1])
    since = times[last + 1] if last + 1 < len(times) else times[last]
    return Gone(point.tag, int(since), int(times[last]), float(values[last]))


# --- readings that stand still ---------------------------------------------------------


def _stills(site: Site, record: SiteRecord, now_ms: int) -> tuple[Still, ...]:
    """Return the points that moved hour by hour for a week and now stand still."""
    points = [point for point in _numbers(site) if point.kind in _MOVING]
    lately = {
        point.tag: record.hours(point.tag, now_ms - (_STILL_H + 1) * HOUR_MS, now_ms)
        for point in points
    }
    moving = {tag for tag, hours in lately.items() if _moved(hours)[-_STILL_H:].any()}
    found = []
    for point in points:
        hours = lately[point.tag]
        if point.tag not in moving and (hours.n > 1).sum() >= _STILL_H - 2:
            weeks = record.hours(point.tag, now_ms - _STILL_MS, now_ms)
            one = _still(point, weeks, len(moving))
            found += [one] if one is not None else []
    return tuple(found)


def _moved(hours: SpanSeries) -> Mask:
    """Return in which hours a point moved, against the hour before too."""
    known = hours.n > 0
    last = np.concatenate(([np.nan], hours.last[:-1]))
    inside = hours.most > hours.least
    return np.asarray(known & (inside | (~np.isnan(last) & (hours.first != last))))


def _still(point: Point, hours: SpanSeries, others: int) -> Still | None:
    known = np.flatnonzero(hours.n > 1)
    moved = _moved(hours)[known]
    places = np.flatnonzero(moved)
    if not len(places):
        return None
    first = int(places[-1]) + 1
    run, before = len(known) - first, first
    value = float(hours.last[known[-1]])
    if before < _LEAST_H or run < _STILL_H or _is_at_an_end(point, value):
        return None
    longest = int(np.diff(np.concatenate(([-1], places))).max()) - 1
    if moved[:first].mean() < _MOVED or run < _ALIKE * max(longest, 1):
        return None
    since_ms = int(hours.at_ms[known[first]])
    return Still(point.tag, since_ms, value, run, before, longest, others)


def _is_at_an_end(point: Point, value: float) -> bool:
    if point.value is None:
        return value == 0.0
    low, high = sorted(point.value)
    return not low + _EDGE * (high - low) < value < high - _EDGE * (high - low)


# --- refusals --------------------------------------------------------------------------


def _refusals(contact: ContactHours, now_ms: int) -> Refusals | None:
    hours = np.array(sorted(contact.refused), np.int64)
    if not len(hours) or hours[-1] < now_ms - 2 * HOUR_MS:
        return None
    apart = np.flatnonzero(np.diff(hours) > _REFUSED_H * HOUR_MS)
    first = int(hours[apart[-1] + 1]) if len(apart) else int(hours[0])
    inside = contact.at_ms >= first
    refused = sum(number for hour, number in contact.refused.items() if hour >= first)
    return Refusals(first, refused, int(contact.cells[inside, 0].sum()))


def _revised(site: Site, record: SiteRecord, now_ms: int) -> int | None:
    """Return when the firmware's revision last changed, where it is a number."""
    point = site.point_of(PointKind.REVISION)
    if point is None or point.layout is WordLayout.TEXT:
        return None
    hours = record.hours(point.tag, now_ms - RESTARTS_MS, now_ms)
    known = np.flatnonzero(hours.n > 0)
    changed = np.flatnonzero(np.diff(hours.last[known]) != 0)
    return int(hours.at_ms[known[changed[-1] + 1]]) if len(changed) else None
