"""When a station restarted, as its restart counter and its totals show it.

A restart may set a total to nothing, or back to an older saved value. Where a fall may as well
be the counter's own rollover, it is none.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.record import SiteRecord
from tallymast.domain.model import Point, PointKind, Site
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.spans import SpanSeries

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_MOST: Final = 12  # ours: a counter that climbs more often in a fortnight is none of restarts
_STEP: Final = 20  # ours: nor one that climbs so far at once
_SAME_MS: Final = 30 * 60_000  # ours: restarts so near each other are one
_NAMED: Final = ("restart", "reset", "reboot", "boot", "power up", "power-up")
_PULSES: Final = 5  # ours: a fall by less is a meter that counts back


@dataclass(frozen=True, slots=True)
class Fallen:
    """A total that fell back: from, to, and the most it may have missed, where that is known."""

    tag: str
    before: float
    after: float
    missed: float | None


@dataclass(frozen=True, slots=True)
class Restart:
    """A restart.

    Attributes:
        from_ms: the last reading before it.
        to_ms: the first after it.
        counted: how far the restart counter climbed, 0 where none shows it.
        totals: that fell back.
        quiet: nobody missed a poll though the station was away: somebody worked there.
        supply_v: the last supply reading before it [V].
        supply_after_v: the first after it.

    """

    from_ms: int
    to_ms: int
    counted: int = 0
    totals: tuple[Fallen, ...] = ()
    quiet: bool = False
    supply_v: float | None = None
    supply_after_v: float | None = None


def restarts_of(site: Site, record: SiteRecord, from_ms: int, now_ms: int) -> tuple[Restart, ...]:
    """Return a site's restarts of a span, oldest first."""
    found: list[Restart] = []
    for point in site.points:
        if point.kind is PointKind.COUNTER and counts_restarts(point):
            found += _climbs(point, record, from_ms, now_ms)
        elif point.kind is PointKind.TOTALIZER:
            found += _falls(point, record, from_ms, now_ms)
    merged = _merged(sorted(found, key=lambda one: one.from_ms))
    if len(merged) > _MOST:
        return ()
    return tuple(_with_supply(site, record, one) for one in merged)


def counts_restarts(point: Point) -> bool:
    """Whether a counter's name says that it counts the station's restarts."""
    name = f"{point.name} {point.tag}".lower()
    return any(word in name for word in _NAMED) or point.tag.upper() == "RST"


def _known(hours: SpanSeries) -> Ints:
    return np.flatnonzero(hours.n > 0).astype(np.int64)


def _around(record: SiteRecord, tag: str, begin_ms: int, end_ms: int) -> tuple[Ints, Floats]:
    at_ms, values = record.readings(tag, begin_ms, end_ms + HOUR_MS)
    known = ~np.isnan(values)
    return at_ms[known], values[known]


def _climbs(point: Point, record: SiteRecord, from_ms: int, now_ms: int) -> list[Restart]:
    hours = record.hours(point.tag, from_ms, now_ms)
    known, last = _known_with_last(hours)
    moved = (hours.most[known] > hours.least[known]) | (hours.last[known] > last)
    found = []
    for times, values in _around_each(point, record, hours, known[moved], known):
        for place in np.flatnonzero(np.diff(values) > 0):
            step = values[place + 1] - values[place]
            if step <= _STEP:
                found.append(Restart(int(times[place]), int(times[place + 1]), round(step)))
    return found


def _falls(point: Point, record: SiteRecord, from_ms: int, now_ms: int) -> list[Restart]:
    hours = record.hours(point.tag, from_ms, now_ms)
    known, last = _known_with_last(hours)
    fell = (hours.first[known] < last) | (hours.last[known] < hours.first[known])
    fell |= hours.least[known] < hours.first[known]
    found = []
    for times, values in _around_each(point, record, hours, known[fell], known):
        for place in np.flatnonzero(np.diff(values) < 0):
            one = _fallen(point, times[place : place + 2], values[place : place + 2])
            if one is not None:
                found.append(Restart(int(times[place]), int(times[place + 1]), totals=(one,)))
    return found


def _known_with_last(hours: SpanSeries) -> tuple[Ints, Floats]:
    """Return the hours with readings, and for each the last reading before it; two at least."""
    known = _known(hours)
    if len(known) < 2:
        return known[:0], np.zeros(0)
    return known, np.concatenate((hours.first[known[:1]], hours.last[known[:-1]]))


def _around_each(
    point: Point, record: SiteRecord, hours: SpanSeries, suspicious: Ints, known: Ints
) -> Iterator[tuple[Ints, Floats]]:
    """Yield the readings round each suspicious hour, the newest of them; none where all are.

    A counter that moves so often counts something else, or counts back, or wraps.
    """
    if len(suspicious) > 2 * _MOST:
        return
    for at in suspicious:
        before = known[max(int(np.searchsorted(known, at)) - 1, 0)]
        yield _around(record, point.tag, int(hours.at_ms[before]), int(hours.at_ms[at]))


def _fallen(point: Point, times: Ints, values: Floats) -> Fallen | None:
    """Return a total's fall, None where it may be a rollover or a meter that counts back."""
    before, after = float(values[0]), float(values[1])
    seconds = float(times[1] - times[0]) / 1000
    most = None if point.max_rate is None else point.max_rate * seconds
    scale = 1.0
    if point.raw and point.value:
        scale = (point.value[1] - point.value[0]) / (point.raw[1] - point.raw[0])
    pulses = (before - after) / scale
    if pulses < _PULSES or (most is not None and pulses <= 2 * most and after > 0.5 * before):
        return None
    modulus = point.modulus or _modulus(point)
    turned = modulus - before / scale + after / scale
    if most is None:
        may_turn = before / scale > 0.9 * modulus and after / scale < 0.1 * modulus
    else:
        may_turn = turned <= 1.2 * most + _PULSES
    return None if may_turn else Fallen(point.tag, before, after, most)


def _modulus(point: Point) -> float:
    return float(2 ** (16 * max(point.length, 1)))


def _merged(found: Sequence[Restart]) -> list[Restart]:
    """Join what shows the same restart; its span is the narrowest of what shows it."""
    whole: list[Restart] = []
    for one in found:
        if whole and one.from_ms <= whole[-1].to_ms + _SAME_MS:
            whole[-1] = _joined(whole[-1], one)
        else:
            whole.append(one)
    return whole


def _joined(first: Restart, second: Restart) -> Restart:
    edges = first.from_ms, max(first.to_ms, second.to_ms)
    if second.from_ms < first.to_ms:  # both show the same
        edges = second.from_ms, min(first.to_ms, second.to_ms)
    return replace(
        first,
        from_ms=edges[0],
        to_ms=edges[1],
        counted=max(first.counted, second.counted),
        totals=(*first.totals, *second.totals),
    )


def _with_supply(site: Site, record: SiteRecord, one: Restart) -> Restart:
    point = site.point_of(PointKind.SUPPLY_VOLTAGE)
    quiet = _nobody_missed(site, record, one)
    if point is None:
        return replace(one, quiet=quiet)
    times, volts = record.readings(point.tag, one.from_ms - HOUR_MS, one.to_ms + HOUR_MS)
    known = ~np.isnan(volts)
    before, after = volts[known & (times <= one.from_ms)], volts[known & (times >= one.to_ms)]
    return replace(
        one,
        quiet=quiet,
        supply_v=float(before[-1]) if len(before) else None,
        supply_after_v=float(after[0]) if len(after) else None,
    )


def _nobody_missed(site: Site, record: SiteRecord, one: Restart) -> bool:
    """Whether a station was away for polls that nobody counted: it was in maintenance then."""
    contact = record.contact
    if contact is None or one.to_ms - one.from_ms < 4000 * site.poll_every_s:
        return False
    inside = (contact.at_ms > one.from_ms - HOUR_MS) & (contact.at_ms < one.to_ms)
    return not contact.cells[inside, 2].any()
