"""Tells the hour that goes on of many points at once, by few readings of each.

Where the restart counter stands as it stood, whatever lies between two readings of a register is
known by these two alone. So the last count of the closed hours and the newest poll are enough;
of all polls in between only the first is looked at, for the restart counter. A few points of
which that is not enough are worked out from their polls; further ones end with the closed hours.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from sqlalchemy import ColumnElement, Connection, and_, func, select

from tallymast.domain.model import Outcome, Poll
from tallymast.domain.record.days import Contract
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.totals.line import NEAR_MS
from tallymast.domain.totals.meters import restart_point
from tallymast.domain.totals.model import Evidence, StepKind
from tallymast.domain.totals.newest import NOT_READ, Newest, restarts_in
from tallymast.domain.totals.segments import Segment
from tallymast.domain.totals.stepping import judge
from tallymast.storage import clock_steps, count_events, schema, volume_days
from tallymast.storage.episodes import between
from tallymast.storage.parts import poll_of
from tallymast.storage.volume_days import Reading, Told
from tallymast.storage.volume_hours import Counted
from tallymast.storage.volumes import Span

MOST_ODD: Final = 2  # ours: so many points a page works out from their polls; each takes some ms
_SOUND: Final = (StepKind.FORWARD, StepKind.ROLLOVER)
_SOON_MS: Final = 180_000  # ours: within it nearly every site is polled
_hour, _poll = schema.volume_hour, schema.poll
_ANSWERED: Final = _poll.c.outcome.in_([one.value for one in Outcome if one.is_answered])


@dataclass(frozen=True, slots=True)
class Now:
    """The present, of a network.

    Attributes:
        edge_ms: up to where hours are closed and added up.
        now_ms: now.
        today: the contract day that goes on.
        contract: when days begin.
        newest: what registers showed last, by point; those not in it are told up to the edge.

    """

    edge_ms: int
    now_ms: int
    today: Span
    contract: Contract
    newest: Mapping[int, Newest]


def up_to_now(conn: Connection, read: Reading, points: Sequence[Counted], now: Now) -> Reading:
    """Return a reading of closed hours with the hour that goes on.

    Args:
        conn: in the read transaction of ``read``.
        read: from ``volume_days.of_points``; its last span ends at the edge.
        points: its points.
        now: the present.

    Returns:
        The same, each point up to its newest reading where that is fresh, else up to now, what
        is not known of it included; up to the edge where it would take too long to say.

    """
    if now.today[0] > now.edge_ms:
        return read  # the day began within an hour that is not closed yet
    found = dict(read.spans)
    odd = _odd(conn, now)
    kept, first = _kept(conn, points, now.edge_ms), _first_polls(conn, now)
    rest = []
    for one in points:
        newest = now.newest.get(one.point_id)
        if newest is None:
            continue
        ways: tuple[Segment | None, int] | None = None
        if newest.at_ms <= now.edge_ms:
            ways = None, now.now_ms  # nothing was read since
        elif not _is_odd(one, odd, read, now):
            ways = _bridged(conn, one, kept.get(one.point_id), first, now)
        if ways is None:
            rest.append(one)
        else:
            found[one.point_id] = _extended(read, one.point_id, *ways, now)
    for one in rest[:MOST_ODD]:
        found[one.point_id] = _worked_out(conn, read, one, now)
    return replace(read, spans=found)


# --- by two readings ------------------------------------------------------------------


def _bridged(
    conn: Connection, one: Counted, kept: float | None, first: Mapping[int, Poll], now: Now
) -> tuple[Segment, int] | None:
    """Return what passed since the edge, and up to where it is told; None: two readings leave it.

    The restart counter has to stand as it stood in the first poll after the edge; the step over
    the edge itself was judged with the closed hour, else that would have no closing count.
    """
    newest = now.newest[one.point_id]
    if kept is None or newest.count is None or newest.restarts == NOT_READ:
        return None
    poll = first.get(one.plan.site_id) or _later_poll(conn, one.plan.site_id, now)
    counter = restart_point(one.plan.site)
    if poll is None or counter is None:
        return None
    if restarts_in(poll, one.plan.layout, counter.tag) != newest.restarts:
        return None
    elapsed = newest.at_ms - now.edge_ms
    step = judge(one.meter, kept, newest.count, elapsed, Evidence.HELD)
    if step.kind not in _SOUND:
        return None
    is_fresh = now.now_ms - newest.at_ms <= one.meter.gap_ms
    piece = Segment(
        now.edge_ms,
        newest.at_ms,
        step.pulses,
        known_ms=elapsed,
        open=kept,
        close=newest.count,
    )
    return piece, newest.at_ms if is_fresh else now.now_ms


def _extended(
    read: Reading, number: int, piece: Segment | None, until_ms: int, now: Now
) -> Sequence[Told]:
    """Return a point's spans, the last of them longer by what passed since the edge."""
    spans = tuple(read.spans[number])
    until_ms = max(until_ms, now.edge_ms)
    if until_ms == now.edge_ms:
        return spans
    last = spans[-1] if now.today[0] < now.edge_ms and spans else None
    if last is not None and last.span[1] == now.edge_ms:
        spans = spans[:-1]
    else:
        last = None
    begin_ms = now.edge_ms if last is None else last.span[0]
    pieces = (*(last.pieces if last else ()), *((piece,) if piece else ()))
    known_to_ms = piece.to_ms if piece else now.edge_ms
    loose_ms = (last.loose_ms if last else 0) + until_ms - known_to_ms
    factors, changes = read.factors.get(number, ()), read.changes.get(number, ())
    return (*spans, Told((begin_ms, until_ms), pieces, loose_ms, factors, changes))


def _kept(conn: Connection, points: Sequence[Counted], edge_ms: int) -> dict[int, float]:
    """Return what registers showed where the closed hours end, by point."""
    numbers = [one.point_id for one in points]
    query = select(_hour.c.point_id, _hour.c.close).where(
        _hour.c.point_id.in_(numbers),
        _hour.c.from_ms >= edge_ms - HOUR_MS,
        _hour.c.from_ms < edge_ms,
        _hour.c.to_ms == edge_ms,
        _hour.c.close.is_not(None),
    )
    return {int(number): close for number, close in conn.execute(query)}


def _first_polls(conn: Connection, now: Now) -> dict[int, Poll]:
    """Return each site's first answered poll in the first minutes after the edge."""
    firsts = (
        select(_poll.c.site_id, func.min(_poll.c.at_ms).label("at_ms"))
        .where(_ANSWERED, *_since(now.edge_ms, min(now.edge_ms + _SOON_MS, now.now_ms)))
        .group_by(_poll.c.site_id)
        .subquery()
    )
    same = and_(_poll.c.at_ms == firsts.c.at_ms, _poll.c.site_id == firsts.c.site_id)
    return {
        int(row.site_id): poll_of(*row) for row in conn.execute(select(_poll).join(firsts, same))
    }


def _later_poll(conn: Connection, site_id: int, now: Now) -> Poll | None:
    """Return the first answered poll of a site that came later than that."""
    late = _since(now.edge_ms + _SOON_MS, now.now_ms)
    query = select(_poll).where(_ANSWERED, *late, _poll.c.site_id == site_id)
    row = conn.execute(query.order_by(_poll.c.at_ms).limit(1)).first()
    return None if row is None else poll_of(*row)


def _since(from_ms: int, to_ms: int) -> tuple[ColumnElement[bool], ...]:
    return _poll.c.at_ms >= from_ms, _poll.c.at_ms < to_ms


# --- where two readings are not enough --------------------------------------------------


def _odd(conn: Connection, now: Now) -> tuple[frozenset[int], bool]:
    """Return points whose register was exchanged lately, and whether a clock was set back."""
    points = count_events.replaced_between(conn, now.edge_ms - NEAR_MS, now.now_ms + NEAR_MS)
    clocks = between(conn, now.edge_ms - 1, now.now_ms, kind=clock_steps.KIND)
    return frozenset(points), bool(clocks)


def _is_odd(one: Counted, odd: tuple[frozenset[int], bool], read: Reading, now: Now) -> bool:
    factors = read.factors.get(one.point_id, ())
    cuts = any(now.edge_ms < factor.from_ms < now.now_ms for factor in factors)
    return cuts or odd[1] or one.point_id in odd[0]


def _worked_out(conn: Connection, read: Reading, one: Counted, now: Now) -> Sequence[Told]:
    """Return a point's spans, the day that goes on worked out from its polls."""
    own = volume_days.of_each(conn, (one,), (now.today,), now.contract, now.now_ms)
    before = [told for told in read.spans[one.point_id] if told.span[0] < now.today[0]]
    return (*before, *own.spans[one.point_id])
