"""Keeps permits, and says how each stands in its period."""

import json
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any, Final

from sqlalchemy import Connection, Row, insert, select, update

from tallymast.domain.record.days import Contract, date_of, day_of, days_between
from tallymast.domain.totals.permits import Outlook, Period, Permit, outlook
from tallymast.domain.totals.units import converted
from tallymast.storage import schema
from tallymast.storage.changes import canonical, log_change
from tallymast.storage.volume_hours import Counted
from tallymast.storage.volumes import Booked, Span, booked, month_span

_table = schema.permit
_DAY_MS: Final = 86_400_000
_OPEN_MS: Final = 2 * 3_600_000  # ours: the newest hours of slowly polled sites are not in yet
_EARLIER: Final = 28  # days; ours: four whole weeks, so that every weekday counts alike


def enter(conn: Connection, one: Permit) -> Permit:
    """Store a permit (its number is given anew) and return it."""
    names = [name for name in Permit.__dataclass_fields__ if name not in ("id", "point_ids")]
    row: dict[str, Any] = {name: getattr(one, name) for name in names}
    row |= {"amount": str(one.amount), "points": canonical(list(one.point_ids))}
    row |= {"period": one.period.value}
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, one.at_ms, "permit", str(number))
    return _permit(conn.execute(select(_table).where(_table.c.id == number)).one())


def retire(conn: Connection, number: int, at_ms: int) -> bool:
    """End a permit; return whether it held until now."""
    held = _table.c.retired_ms.is_(None)
    done = update(_table).where(_table.c.id == number, held).values(retired_ms=at_ms)
    if not conn.execute(done).rowcount:
        return False
    log_change(conn, at_ms, "permit", str(number))
    return True


def in_force(conn: Connection) -> list[Permit]:
    """Return the permits nobody ended, by name."""
    query = select(_table).where(_table.c.retired_ms.is_(None)).order_by(_table.c.name, _table.c.id)
    return [_permit(row) for row in conn.execute(query)]


def standing(
    conn: Connection,
    permit: Permit,
    points: Mapping[int, Counted],
    contract: Contract,
    now_ms: int,
) -> Outlook | None:
    """Return how a permit stands in the contract day or month that goes on.

    Args:
        conn: in one read transaction.
        permit: which.
        points: counting points by number.
        contract: when days begin.
        now_ms: now.

    Returns:
        None where a point of it is gone, or its volume is not known in the permit's unit.

    """
    days = [
        (day.start_ms, day.end_ms)
        for day in days_between(now_ms - (_EARLIER + 1) * _DAY_MS, now_ms, contract)
    ]
    whole = [day for day in days if day[1] <= now_ms]
    span = _period(permit, contract, now_ms)
    earlier = _together(conn, permit, points, whole, contract, None)
    current = _together(conn, permit, points, [span], contract, now_ms)
    if earlier is None or current is None:
        return None
    ((taken, unknown, _),) = current
    known = [float(amount) for amount, _, share in earlier if share > 0.999]
    left = max(0.0, (span[1] - now_ms) / _DAY_MS)
    most = None if unknown is None else float(unknown)
    return outlook(float(permit.amount), float(taken), most, known, left)


def _period(permit: Permit, contract: Contract, now_ms: int) -> Span:
    day = day_of(now_ms, contract)
    if permit.period is Period.DAY:
        return day.start_ms, day.end_ms
    return month_span(date_of(day.start_ms, contract), contract)


_Taken = tuple[Fraction, Fraction | None, float]  # amount, unknown, known share


def _together(
    conn: Connection,
    permit: Permit,
    points: Mapping[int, Counted],
    spans: Sequence[Span],
    contract: Contract,
    now_ms: int | None,
) -> list[_Taken] | None:
    """Return what all points of a permit took in each span [its unit]; None: not known."""
    whole: list[_Taken] = [(Fraction(0), Fraction(0), 1.0) for _ in spans]
    for number in permit.point_ids:
        if number not in points:
            return None
        found = booked(conn, points[number], spans, contract, now_ms)
        taken = [_taken(one, permit.unit, now_ms) for one in found]
        if any(one is None for one in taken):
            return None
        whole = [
            _added(one, then) for one, then in zip(whole, taken, strict=True) if then is not None
        ]
    return whole


def _taken(one: Booked, unit: str, now_ms: int | None) -> _Taken | None:
    if one.volume is None:
        return None
    amount = converted(one.total, one.unit, unit)
    if amount is None:
        return None
    unknown, unproven = one.volume.unknown, one.volume.unproven
    most = None
    if unknown is not None and unproven is not None and (unknown or not _is_blank(one, now_ms)):
        most = converted(unknown + unproven, one.unit, unit)
    return amount, most, one.counted.known_share


def _is_blank(one: Booked, now_ms: int | None) -> bool:
    """Whether of some time nothing was read at all: what passed then has no bound."""
    span = one.counted
    passed_ms = span.span_ms if now_ms is None else min(now_ms, span.to_ms) - span.from_ms
    return passed_ms - span.known_ms > max(_OPEN_MS, passed_ms // 1000)


def _added(one: _Taken, then: _Taken) -> _Taken:
    unknown = None if one[1] is None or then[1] is None else one[1] + then[1]
    return one[0] + then[0], unknown, min(one[2], then[2])


def _permit(row: Row[Any]) -> Permit:
    said = (row.from_ms, row.at_ms, row.actor, row.note, row.retired_ms)
    numbers = tuple(int(number) for number in json.loads(row.points))
    amount = (Period(row.period), Fraction(row.amount), row.unit)
    return Permit(row.id, row.name, *amount, numbers, *said)
