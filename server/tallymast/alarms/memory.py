"""Remembers of some points what one reading does not tell: what they showed before.

It is kept in memory. At a start rates of change and counts are taken over from the record, where
its readings go on up to the start (past.py); of an output that changed meanwhile nobody saw
the change.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Protocol

from tallymast.domain.alarms.conditions import Around, PlaceOf
from tallymast.domain.alarms.counting import Counted, count_of, counted
from tallymast.domain.alarms.model import Alarm, Kind
from tallymast.domain.alarms.moving import Trace
from tallymast.domain.alarms.paired import Switched, switched
from tallymast.domain.health.attention import Standing as SiteStanding
from tallymast.domain.health.attention import number_of
from tallymast.domain.model import Point, Quality, SitePlan

_REMEMBERED = frozenset({Kind.RATE, Kind.TOTALIZER, Kind.FEEDBACK})


@dataclass(slots=True)
class _Watched:
    """One point that is followed, as it was found last; a point that changed begins anew."""

    alarm: Alarm
    span_s: float
    site: SiteStanding | None = None
    point: Point | None = None


class Past(Protocol):
    """What the record knows of a point up to now."""

    def trace(self, plan: SitePlan, point: Point, span_s: float) -> Trace:
        """Return how it moved in the last ``span_s``; an empty trace where that is not known."""

    def count(self, plan: SitePlan, point: Point) -> Counted | None:
        """Return what would be remembered of a totalizer, None where nothing is."""


class NoPast:
    """Knows nothing of any point."""

    def trace(self, plan: SitePlan, point: Point, span_s: float) -> Trace:
        """Return an empty trace."""
        return Trace()

    def count(self, plan: SitePlan, point: Point) -> Counted | None:
        """Return nothing."""
        return None


class Memory:
    """What looks remember, by site key and tag.

    Args:
        past: what the record knows of a point when it is first followed.

    """

    def __init__(self, past: Past) -> None:
        self._past = past
        self._begun: set[PlaceOf] = set()
        self._alarms: Mapping[str, Alarm] | None = None
        self._watched: dict[PlaceOf, _Watched] = {}
        self._traces: dict[PlaceOf, Trace] = {}
        self._counts: dict[PlaceOf, Counted] = {}
        self._switched: dict[PlaceOf, Switched] = {}

    def followed(self, alarms: Mapping[str, Alarm], around: Around) -> Around:
        """Take what is new at the points whose past alarms need; return what is around with it."""
        if alarms is not self._alarms:
            self._watch(alarms)
        for place, known in self._watched.items():
            site = around.sites.get(place[0])
            if site is not None and site is not known.site:
                self._take(place, known, site)
        return replace(around, traces=self._traces, counts=self._counts, switched=self._switched)

    def _watch(self, alarms: Mapping[str, Alarm]) -> None:
        watched: dict[PlaceOf, _Watched] = {}
        for one in alarms.values():
            if one.kind in _REMEMBERED:  # a point has only one of them, a rate both ways
                place = one.site, one.tag
                known = self._watched.get(place)
                point = known.point if known is not None else None
                watched[place] = _Watched(one, one.over_s, point=point)
        self._alarms, self._watched = alarms, watched

    def _take(self, place: PlaceOf, known: _Watched, site: SiteStanding) -> None:
        point = site.plan.site.point(place[1])
        if point is None:
            return
        if known.point is not point and known.point != point:
            self._traces.pop(place, None)
            self._counts.pop(place, None)
            self._switched.pop(place, None)
        if place not in self._begun:
            self._seed(place, known, site.plan, point)
            self._begun.add(place)
        known.site, known.point = site, point
        if known.alarm.kind is Kind.FEEDBACK:
            found = switched(self._switched.get(place), known.alarm, site)
            if found is not None:
                self._switched[place] = found
        elif known.alarm.kind is Kind.RATE:
            self._trace(place, known.span_s, site, point)
        else:
            self._count(place, site, point)

    def _seed(self, place: PlaceOf, known: _Watched, plan: SitePlan, point: Point) -> None:
        """Take over what the record knows of a point that is followed for the first time."""
        if known.alarm.kind is Kind.RATE:
            self._traces[place] = self._past.trace(plan, point, known.span_s)
        elif known.alarm.kind is Kind.TOTALIZER:
            count = self._past.count(plan, point)
            if count is not None:
                self._counts[place] = count

    def _trace(self, place: PlaceOf, span_s: float, site: SiteStanding, point: Point) -> None:
        reading = site.readings.get(point.tag)
        value = number_of(reading)
        if reading is None or value is None or reading.at_ms is None:
            return
        if reading.quality is Quality.GOOD:
            trace = self._traces.get(place, Trace())
            self._traces[place] = trace.followed(reading.at_ms, value, span_s)

    def _count(self, place: PlaceOf, site: SiteStanding, point: Point) -> None:
        count = count_of(site, point)
        if count is not None:
            self._counts[place] = counted(self._counts.get(place), count, point)
