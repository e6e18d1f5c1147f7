"""Keeps what counting points counted by hour; days and months are joined from these.

An hour depends on the last reading before it and the first one after it, wherever these lie. So
whoever computes an hour computes from the hour of the one to the hour of the other, and a gap
of days is filled in when the reading comes that ends it. Likewise the station's restart counter:
where it is read more seldom than the count, an hour depends on its last reading before it and
its first one after it, so that the later one fills in what the hours between could not know.
Rows are cut where a contract day begins within an hour (zones off the full hour), where another
factor begins, and where somebody read the meter's own index.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import Connection, bindparam, delete, select

from tallymast.domain.model import Point, SitePlan
from tallymast.domain.record.days import Contract, ContractDay, days_touching
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.totals.line import CountLine, count_line
from tallymast.domain.totals.model import CountStep, Meter, Readings, Step, StepKind
from tallymast.domain.totals.restarts import REACH_MS
from tallymast.domain.totals.segments import Segment, cut, join
from tallymast.storage import count_events, schema
from tallymast.storage.changes import insert_many
from tallymast.storage.count_readings import (
    count_readings,
    reading_after,
    reading_before,
    starts_between,
)

_AROUND_MS: Final = 3 * HOUR_MS  # ours: mostly the readings that matter lie so near
_hour, _event, _factor = schema.volume_hour, schema.volume_event, schema.k_factor
_index = schema.index_reading
COLUMNS: Final = [column for column in _hour.c if column.name != "point_id"]
_SPAN: Final = (
    _hour.c.from_ms >= bindparam("begin"),
    _hour.c.from_ms < bindparam("end"),  # else the search would go on to the newest row
    _hour.c.to_ms <= bindparam("end"),
)
_SELECT: Final = (  # made once: pages ask for many points
    select(*COLUMNS).where(_hour.c.point_id == bindparam("point"), *_SPAN).order_by(_hour.c.from_ms)
)


@dataclass(frozen=True, slots=True)
class Counted:
    """A counting point, as the record knows it."""

    plan: SitePlan
    point: Point
    point_id: int
    meter: Meter


@dataclass(frozen=True, slots=True)
class Worked:
    """What a point counted from the full hour ``from_ms`` to ``to_ms``, as its polls say now."""

    from_ms: int
    to_ms: int
    segments: tuple[Segment, ...]
    events: tuple[CountStep, ...]


def segments(conn: Connection, point_id: int, from_ms: int, to_ms: int) -> list[Segment]:
    """Return a point's kept segments that lie wholly in a span, ascending."""
    span = {"point": point_id, "begin": from_ms, "end": to_ms}
    return [segment_of(row) for row in conn.execute(_SELECT, span)]


def by_days(conn: Connection, point_id: int, days: Sequence[ContractDay]) -> list[Segment]:
    """Return what a point counted in each of some contract days, ascending."""
    if not days:
        return []
    some = segments(conn, point_id, days[0].start_ms, days[-1].end_ms)
    return [join(_inside(some, day.start_ms, day.end_ms), day.start_ms, day.end_ms) for day in days]


def events(conn: Connection, point_id: int, from_ms: int, to_ms: int) -> list[CountStep]:
    """Return where a point did not simply climb, of steps that touch a span, ascending."""
    query = (
        select(_event)
        .where(_event.c.point_id == point_id, _event.c.to_ms > from_ms, _event.c.from_ms < to_ms)
        .order_by(_event.c.to_ms)
    )
    return [
        CountStep(
            row.from_ms,
            row.to_ms,
            row.before,
            row.after,
            Step(StepKind(row.kind), row.pulses, row.unknown, row.unproven),
        )
        for row in conn.execute(query)
    ]


def work_out(
    conn: Connection, one: Counted, span: tuple[int, int], contract: Contract
) -> Worked | None:
    """Return what the polls say of every hour that a span's polls have a part in; None: nothing.

    Args:
        conn: in one transaction.
        one: the point.
        span: full hours, UTC milliseconds.
        contract: when days begin.

    """
    near = _Near.read(conn, one, span)
    begin, before = near.back(span[0])
    end = near.on(span[1])
    if before == begin and _knows_before(conn, one.point_id, begin):
        begin += HOUR_MS  # what led up to its first reading was given up; the kept row knows it
    stop = -(-end // HOUR_MS) * HOUR_MS
    edges = _edges(conn, one.point_id, before, stop, contract)
    line = near.line(before, end, edges)
    if line is None or begin >= end:
        return None
    told = [*line.marked.values(), *line.bad]
    return Worked(
        begin,
        stop,
        tuple(cut(line, [edge for edge in edges if edge >= begin])),
        tuple(step for step in told if begin <= step.to_ms < stop and _matters(step)),
    )


def put(conn: Connection, point_id: int, worked: Worked) -> None:
    """Store what was worked out in place of what was there."""
    inside = (_hour.c.from_ms >= worked.from_ms, _hour.c.from_ms < worked.to_ms)
    conn.execute(delete(_hour).where(_hour.c.point_id == point_id, *inside))
    old = (_event.c.to_ms >= worked.from_ms, _event.c.to_ms < worked.to_ms)
    conn.execute(delete(_event).where(_event.c.point_id == point_id, *old))
    if worked.segments:
        insert_many(conn, _hour, [_row(point_id, one) for one in worked.segments])
    if worked.events:
        insert_many(conn, _event, [_event_row(point_id, one) for one in worked.events])


def with_open(
    conn: Connection, one: Counted, contract: Contract, from_ms: int, now_ms: int
) -> list[Segment]:
    """Return segments up to now: kept ones, and the last hours worked out from their polls.

    Args:
        conn: in one transaction.
        one: the point.
        contract: when days begin.
        from_ms: from when on, where a kept segment may begin.
        now_ms: up to when; the last segment ends with the hour that goes on.

    """
    fresh_ms = max(from_ms - from_ms % HOUR_MS, now_ms - now_ms % HOUR_MS - 2 * HOUR_MS)
    worked = work_out(conn, one, (fresh_ms, now_ms - now_ms % HOUR_MS + HOUR_MS), contract)
    if worked is None:
        return segments(conn, one.point_id, from_ms, now_ms)
    kept = segments(conn, one.point_id, from_ms, worked.from_ms)
    return kept + [segment for segment in worked.segments if segment.from_ms >= from_ms]


# --- working out ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Near:
    """A point's readings round a span, and the way to those that lie further off."""

    conn: Connection
    one: Counted
    from_ms: int
    to_ms: int
    readings: Readings
    later: dict[int, int] = field(default_factory=dict)  # what was looked up of an instant

    @classmethod
    def read(cls, conn: Connection, one: Counted, span: tuple[int, int]) -> "_Near":
        begin, end = span[0] - _AROUND_MS, span[1] + _AROUND_MS
        return cls(conn, one, begin, end, _read(conn, one, begin, end))

    def back(self, from_ms: int) -> tuple[int, int]:
        """Return from which hour on to compute, and from where on to read."""
        begin = self._earlier(from_ms)
        return begin, self._earlier(begin)

    def on(self, to_ms: int) -> int:
        """Return up to where to compute: the end of the hour whose readings lean on the span."""
        return self._later(to_ms)

    def line(self, from_ms: int, to_ms: int, edges: Sequence[int]) -> CountLine | None:
        """Return the line from an hour on, up to the first reading after another."""
        last = max(to_ms + self.one.meter.gap_ms, self._later(to_ms))
        if self.from_ms <= from_ms and last <= self.to_ms:
            inside = (self.readings.at_ms >= from_ms) & (self.readings.at_ms < last)
            readings = self.readings.where(inside)
        else:
            readings = _read(self.conn, self.one, from_ms, last)
        if len(readings) < 2:
            return None
        exchanged = count_events.exchanges(self.conn, self.one.point_id, from_ms, last)
        return count_line(self.one.meter, readings, exchanged, edges)

    def _earlier(self, at_ms: int) -> int:
        """Return the hour of the last readings before an instant, the count's and the restarts'."""
        found = (self._before(at_ms), self._start_before(at_ms))
        return min([at_ms, *(hour_ms for hour_ms in found if hour_ms is not None)])

    def _later(self, at_ms: int) -> int:
        """Return the end of the hour of the first readings from an instant on."""
        if at_ms not in self.later:
            found = (self._after(at_ms), self._start_after(at_ms))
            ends = (hour_ms + HOUR_MS for hour_ms in found if hour_ms is not None)
            self.later[at_ms] = max([at_ms, *ends])
        return self.later[at_ms]

    def _before(self, at_ms: int) -> int | None:
        known = self.readings.at_ms[self.readings.at_ms < at_ms]
        if len(known):
            return _hour_of(int(known[-1]))
        edge = min(at_ms, self.from_ms)
        return reading_before(self.conn, self.one.plan, self.one.point_id, self._tag, edge)

    def _after(self, at_ms: int) -> int | None:
        known = self.readings.at_ms[self.readings.at_ms >= at_ms]
        if len(known):
            return _hour_of(int(known[0]))
        edge = max(at_ms, self.to_ms)
        return reading_after(self.conn, self.one.plan, self.one.point_id, self._tag, edge)

    def _start_before(self, at_ms: int) -> int | None:
        known = self.readings.starts.at_ms[self.readings.starts.at_ms < at_ms]
        if not len(known):
            edge = min(at_ms, self.from_ms)
            known = starts_between(self.conn, self.one.plan, at_ms - REACH_MS, edge).at_ms
        return _hour_of(int(known[-1])) if len(known) else None

    def _start_after(self, at_ms: int) -> int | None:
        known = self.readings.starts.at_ms[self.readings.starts.at_ms >= at_ms]
        if not len(known):
            edge = max(at_ms, self.to_ms)
            known = starts_between(self.conn, self.one.plan, edge, at_ms + REACH_MS).at_ms
        return _hour_of(int(known[0])) if len(known) else None

    @property
    def _tag(self) -> str:
        return self.one.point.tag


def _read(conn: Connection, one: Counted, from_ms: int, to_ms: int) -> Readings:
    return count_readings(conn, one.plan, (one.point,), from_ms, to_ms)[one.point.tag]


def _hour_of(at_ms: int) -> int:
    return at_ms - at_ms % HOUR_MS


def _knows_before(conn: Connection, point_id: int, at_ms: int) -> bool:
    query = select(_hour.c.from_ms).where(_hour.c.point_id == point_id, _hour.c.from_ms < at_ms)
    return conn.execute(query.limit(1)).first() is not None


def _edges(
    conn: Connection, point_id: int, begin: int, end: int, contract: Contract
) -> Sequence[int]:
    found = set(range(begin, end + 1, HOUR_MS))
    for hour_ms in range(begin, end, HOUR_MS):
        found |= {day.start_ms for day in days_touching(hour_ms, contract)[1:]}
    for table, column in ((_factor, _factor.c.from_ms), (_index, _index.c.read_ms)):
        query = select(column).where(table.c.point_id == point_id, column > begin, column < end)
        found |= {int(at_ms) for at_ms in conn.execute(query).scalars()}
    return sorted(found)


def _matters(step: CountStep) -> bool:
    return step.step.kind is not StepKind.FORWARD


def _inside(some: Sequence[Segment], from_ms: int, to_ms: int) -> list[Segment]:
    return [one for one in some if from_ms <= one.from_ms and one.to_ms <= to_ms]


# --- rows -----------------------------------------------------------------------------


def _row(point_id: int, one: Segment) -> tuple[Any, ...]:
    return (
        point_id,
        one.from_ms,
        one.to_ms,
        one.pulses,
        one.lead,
        one.tail,
        int(one.through),
        one.known_ms,
        one.unknown,
        one.unproven,
        one.open,
        one.close,
    )


def segment_of(row: Sequence[Any]) -> Segment:
    """Return a kept segment from its ``COLUMNS``."""
    from_ms, to_ms, pulses, lead, tail, through, known_ms, *rest = tuple(row)
    return Segment(from_ms, to_ms, pulses, lead, tail, bool(through), known_ms, *rest)


def _event_row(point_id: int, one: CountStep) -> tuple[Any, ...]:
    step = one.step
    counts = (one.before, one.after, step.pulses, step.unknown, step.unproven)
    return (point_id, one.to_ms, step.kind.value, one.from_ms, *counts)
