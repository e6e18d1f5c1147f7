"""Reads what many points counted, span by span: a month of days of a whole network at once.

Most hours are plain: all of them known, nothing carried over their ends. These are added up
where they lie; only the others are read one by one and joined.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from typing import Final

from sqlalchemy import Connection, TextClause, bindparam, func, or_, select, text

from tallymast.domain.record.days import Contract
from tallymast.domain.totals.adjustments import Adjustment
from tallymast.domain.totals.factors import Factor, factor_of
from tallymast.domain.totals.model import CountStep, Step, StepKind
from tallymast.domain.totals.segments import Segment, join
from tallymast.storage import adjustments, k_factors, schema
from tallymast.storage.count_readings import count_readings
from tallymast.storage.volume_hours import COLUMNS, Counted, segment_of, segments, with_open
from tallymast.storage.volumes import Booked, Span, told

_hour, _event = schema.volume_hour, schema.volume_event
_HOUR_MS: Final = 3_600_000
_SPAN: Final = (
    _hour.c.from_ms >= bindparam("begin"),
    _hour.c.from_ms < bindparam("end"),  # else the search would go on to the newest row
    _hour.c.to_ms <= bindparam("end"),
)
_NOT_PLAIN: Final = or_(
    _hour.c.known_ms < _hour.c.to_ms - _hour.c.from_ms,
    _hour.c.through != 0,
    _hour.c.lead != 0,
    _hour.c.tail != 0,
    _hour.c.unknown != 0,
    _hour.c.unproven != 0,
    _hour.c.unknown.is_(None),
    _hour.c.unproven.is_(None),
)


@dataclass(frozen=True)
class Told:
    """What a point counted in a span; worked out when it is asked for.

    Attributes:
        span: which.
        pieces: its segments, ascending; many plain hours may be one of them.
        loose_ms: for how long nothing bounds what passed: no reading on one of its sides yet.
        factors: of the point, ascending in time.
        changes: adjustments of the point.

    """

    span: Span
    pieces: tuple[Segment, ...]
    loose_ms: int
    factors: Sequence[Factor]
    changes: Sequence[Adjustment]

    @cached_property
    def counted(self) -> Segment:
        """The same in counts of its register."""
        return join(self.pieces, *self.span)

    @cached_property
    def booked(self) -> Booked:
        """The same as people ask for it."""
        return told(self.pieces, self.span, self.factors, self.changes)

    @property
    def each(self) -> Fraction | None:
        """Volume of a pulse, 1 without factors; None: not one holds, or people changed it."""
        if self.changes:
            return None
        if not self.factors:
            return Fraction(1)
        begin, end = self.span
        held = [one for one in self.factors if one.from_ms <= begin]
        later = any(begin < one.from_ms < end for one in self.factors)
        return None if later or not held else held[-1].per_pulse


@dataclass(frozen=True, slots=True)
class Reading:
    """What many points counted in the same spans, with what it was worked out by."""

    factors: Mapping[int, Sequence[Factor]]
    changes: Mapping[int, Sequence[Adjustment]]
    spans: Mapping[int, Sequence[Told]]

    def whole(self, point_id: int, span: Span) -> Told:
        """Return what a point counted in some of the spans, which lie wholly in ``span``."""
        begin, end = span
        some = [one for one in self.spans[point_id] if begin <= one.span[0] and one.span[1] <= end]
        pieces = tuple(piece for one in some for piece in one.pieces)
        told_ms = sum(one.span[1] - one.span[0] for one in some)
        loose = sum(one.loose_ms for one in some) + end - begin - told_ms
        changed = any(begin < one.from_ms < end for one in self.factors[point_id])
        if pieces and not changed:  # joined once; each figure of it would do so again
            pieces = (join(pieces, pieces[0].from_ms, pieces[-1].to_ms),)
        return Told(span, pieces, loose, self.factors[point_id], self.changes[point_id])


def of(
    pieces: Sequence[Segment],
    span: Span,
    factors: Sequence[Factor],
    changes: Sequence[Adjustment],
) -> Told:
    """Return what a span's segments tell."""
    return Told(span, tuple(pieces), loose_ms(pieces, span), factors, changes)


def loose_ms(pieces: Sequence[Segment], span: Span) -> int:
    """Return for how long of a span nothing bounds what passed."""
    covered = sum(one.span_ms for one in pieces)
    open_ended = sum(
        one.span_ms - one.known_ms for one in pieces if one.unknown == 0 and one.unproven == 0
    )
    return span[1] - span[0] - covered + open_ended


def of_points(conn: Connection, points: Sequence[Counted], spans: Sequence[Span]) -> Reading:
    """Return what each of many points counted in each of some spans, of kept hours alone.

    Args:
        conn: in one read transaction.
        points: from ``volume_keeping.counted_points``.
        spans: ascending, none over another, each beginning and ending where hours do.

    """
    numbers = {one.point_id: one for one in points}
    if not spans or not numbers:
        return Reading({}, {}, {number: () for number in numbers})
    ends = spans[0][0], spans[-1][1]
    factors = _factors(conn, numbers)
    changes = _changes(conn, numbers, ends)
    parts = _parts(conn, numbers, spans)
    for number, some in factors.items():
        if any(ends[0] < one.from_ms < ends[1] for one in some):
            own = _parted(segments(conn, number, *ends), spans)
            for inside, span in zip(own, spans, strict=True):
                parts[number, span[0]] = (inside, loose_ms(inside, span))
    found = {
        number: tuple(
            Told(
                span,
                *_tupled(parts.get((number, span[0]), ((), span[1] - span[0]))),
                factors[number],
                changes[number],
            )
            for span in spans
        )
        for number in numbers
    }
    return Reading(factors, changes, found)


def _tupled(part: tuple[Sequence[Segment], int]) -> tuple[tuple[Segment, ...], int]:
    return tuple(part[0]), part[1]


def of_each(
    conn: Connection,
    points: Sequence[Counted],
    spans: Sequence[Span],
    contract: Contract,
    now_ms: int,
) -> Reading:
    """Return what a few points counted, in the hour that goes on as well.

    Args:
        conn: in one read transaction.
        points: from ``volume_keeping.counted_points``.
        spans: ascending, none over another.
        contract: when days begin.
        now_ms: now. What lasts longer ends here, or with the last reading where that is fresh;
            what begins later is left out.

    """
    spans = [span for span in spans if span[0] < now_ms]
    factors: dict[int, Sequence[Factor]] = {}
    changes: dict[int, Sequence[Adjustment]] = {}
    found: dict[int, Sequence[Told]] = {one.point_id: () for one in points}
    for one in points if spans else ():
        number, ends = one.point_id, (spans[0][0], spans[-1][1])
        factors[number] = k_factors.factors(conn, number, one.point)
        changes[number] = adjustments.of_point(conn, number, *ends)
        some, until_ms = _upto(_open(conn, one, ends, contract, now_ms), now_ms, one.meter.gap_ms)
        if some and some[-1].to_ms == until_ms and some[-1].close is None:
            some = [*some[:-1], replace(some[-1], close=_shown(conn, one, until_ms))]
        own = [(begin, min(end, until_ms)) for begin, end in spans if begin < until_ms]
        found[number] = tuple(
            of(inside, span, factors[number], changes[number])
            for inside, span in zip(_parted(some, own), own, strict=True)
        )
    return Reading(factors, changes, found)


def of_point(
    conn: Connection, one: Counted, spans: Sequence[Span], contract: Contract, now_ms: int
) -> Sequence[Told]:
    """Return what one point counted in each of some spans; see ``of_each``."""
    return of_each(conn, (one,), spans, contract, now_ms).spans[one.point_id]


def _open(
    conn: Connection, one: Counted, ends: Span, contract: Contract, now_ms: int
) -> Sequence[Segment]:
    """Return kept segments, and up to now those that are not kept yet."""
    if ends[1] > now_ms - now_ms % _HOUR_MS - 2 * _HOUR_MS:
        return with_open(conn, one, contract, ends[0], now_ms)
    return segments(conn, one.point_id, *ends)


def events_of(
    conn: Connection, point_ids: Iterable[int], from_ms: int, to_ms: int
) -> dict[int, list[CountStep]]:
    """Return where points did not simply climb, of steps that touch a span, ascending."""
    ids = list(point_ids)
    found: dict[int, list[CountStep]] = defaultdict(list)
    if not ids:
        return found
    inside = (_event.c.to_ms > from_ms, _event.c.from_ms < to_ms)
    query = select(_event).where(_event.c.point_id.in_(ids), *inside).order_by(_event.c.to_ms)
    for row in conn.execute(query):
        step = Step(StepKind(row.kind), row.pulses, row.unknown, row.unproven)
        around = (row.from_ms, row.to_ms, row.before, row.after)
        found[row.point_id].append(CountStep(*around, step))
    return found


# --- pieces -----------------------------------------------------------------------------

_Parts = dict[tuple[int, int], tuple[Sequence[Segment], int]]  # by point and beginning of a span


def _parts(conn: Connection, points: Iterable[int], spans: Sequence[Span]) -> _Parts:
    """Return the segments of each point and span, and for how long nothing bounds what passed.

    Hours that are not plain are segments of their own; all plain ones of a span are one, which
    lies where such hours lie: whatever is carried over ends or goes on stays where it was.
    """
    chosen = _chosen(points)
    odd = _odd(conn, chosen, spans)
    found: _Parts = {}
    for (number, span), (pulses, covered_ms) in _added_up(conn, chosen, spans).items():
        some = odd.get((number, span[0]), [])
        own_ms = sum(one.span_ms for one in some)
        plain_ms = covered_ms - own_ms
        plain = pulses - sum(one.pulses for one in some)
        pieces = _with_plain(some, span, plain, plain_ms) if plain_ms > 0 else some
        loose = loose_ms(some, (span[0], span[0] + own_ms)) + span[1] - span[0] - covered_ms
        found[number, span[0]] = (pieces, loose)
    return found


def _with_plain(
    some: Sequence[Segment], span: Span, pulses: float, known_ms: int
) -> Sequence[Segment]:
    """Return segments with all plain hours as one, in the first room they leave.

    Where there is room at the end as well, nothing goes out over the end of the span.
    """
    at = _first_room(some, span)
    pieces = [*some, Segment(*at, pulses, known_ms=known_ms)]
    last_ms = max(one.to_ms for one in pieces)
    if last_ms < span[1]:
        pieces.append(Segment(last_ms, span[1]))
    return sorted(pieces, key=lambda one: one.from_ms)


def _first_room(some: Sequence[Segment], span: Span) -> Span:
    """Return the first time of a span that none of its segments takes."""
    begin = span[0]
    for one in some:
        if one.from_ms > begin:
            return begin, one.from_ms
        begin = one.to_ms
    return begin, span[1]


def _odd(
    conn: Connection, chosen: TextClause, spans: Sequence[Span]
) -> dict[tuple[int, int], list[Segment]]:
    """Return the hours that are not plain, ascending, by point and beginning of their span."""
    query = select(_hour.c.point_id, *COLUMNS).where(chosen, *_SPAN, _NOT_PLAIN)
    ends = {"begin": spans[0][0], "end": spans[-1][1]}
    begins = [begin for begin, _ in spans]
    found: dict[tuple[int, int], list[Segment]] = {}
    for number, *row in conn.execute(query.order_by(_hour.c.point_id, _hour.c.from_ms), ends):
        one = segment_of(row)
        begin, end = spans[bisect_right(begins, one.from_ms) - 1]
        if one.to_ms <= end:
            found.setdefault((number, begin), []).append(one)
    return found


def _added_up(
    conn: Connection, chosen: TextClause, spans: Sequence[Span]
) -> dict[tuple[int, Span], tuple[float, int]]:
    """Return the pulses of all hours of a point and span, and how long these hours are.

    A query a span goes through the rows in their own order; one over all of them would sort.
    """
    query = (
        select(
            _hour.c.point_id,
            func.sum(_hour.c.pulses),
            func.sum(_hour.c.to_ms - _hour.c.from_ms),
        )
        .where(chosen, *_SPAN)
        .group_by(_hour.c.point_id)
    )
    return {
        (int(number), span): (pulses, int(covered_ms))
        for span in spans
        for number, pulses, covered_ms in conn.execute(query, {"begin": span[0], "end": span[1]})
    }


def _chosen(points: Iterable[int]) -> TextClause:
    """Return the points as one condition; numbers of our own, so that no text comes into it."""
    return text(f"volume_hour.point_id IN ({', '.join(str(int(one)) for one in points)})")


def _parted(some: Sequence[Segment], spans: Sequence[Span]) -> list[list[Segment]]:
    """Return for each span the segments that lie wholly in it; both ascending."""
    found: list[list[Segment]] = []
    place = 0
    for begin, end in spans:
        while place < len(some) and some[place].from_ms < begin:
            place += 1
        first = place
        while place < len(some) and some[place].to_ms <= end:
            place += 1
        found.append(list(some[first:place]))
    return found


def _upto(some: Sequence[Segment], now_ms: int, fresh_ms: int) -> tuple[Sequence[Segment], int]:
    """Return segments up to now, and where they end: with the last reading if that is fresh."""
    kept = [one for one in some if one.from_ms < now_ms]
    if not kept:
        return kept, now_ms
    last = kept[-1]
    read_ms = last.from_ms + last.known_ms
    is_fresh = last.known_ms > 0 and now_ms - fresh_ms <= read_ms
    end_ms = min(read_ms if is_fresh and last.unknown == 0 else now_ms, now_ms)
    if last.to_ms < end_ms or last.to_ms == now_ms:
        return kept, now_ms
    end_ms = min(end_ms, last.to_ms)
    known_ms = min(last.known_ms, end_ms - last.from_ms)
    return [*kept[:-1], replace(last, to_ms=end_ms, known_ms=known_ms)], end_ms


def _shown(conn: Connection, one: Counted, at_ms: int) -> float | None:
    """Return what a register showed in a reading of this very instant; None: there was none."""
    read = count_readings(conn, one.plan, (one.point,), at_ms, at_ms + 1)[one.point.tag]
    return float(read.count[-1]) if len(read) else None


# --- factors and adjustments ------------------------------------------------------------


def _factors(conn: Connection, points: Mapping[int, Counted]) -> dict[int, list[Factor]]:
    given = {number: factor_of(one.point) for number, one in points.items()}
    found = {number: [] if one is None else [one] for number, one in given.items()}
    for kept in k_factors.all_kept(conn):
        if kept.point_id in found:
            found[kept.point_id].append(kept.factor)
    return found


def _changes(
    conn: Connection, points: Iterable[int], ends: Span
) -> Mapping[int, Sequence[Adjustment]]:
    found: dict[int, list[Adjustment]] = {number: [] for number in points}
    for one in adjustments.between(conn, *ends):
        if one.point_id in found:
            found[one.point_id].append(one)
    return found
