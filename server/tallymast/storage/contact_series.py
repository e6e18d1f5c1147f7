"""Reads one site's contact over time: by clock hour with the present one, or by contract day."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, literal, select

from tallymast.domain.model import Outcome, PollFlag
from tallymast.domain.record.rollups import HOUR_MS, add_answers, answer_quantile_ms
from tallymast.storage import schema

_hour, _day, _poll = schema.comm_hour, schema.comm_day, schema.poll
_COUNTS: Final = ("asked", "first_try", "retried", "answers")


@dataclass(frozen=True, slots=True)
class ContactSeries:
    """A site's polls by span; spans nobody asked in are left out; polls in maintenance too.

    Attributes:
        at_ms: when each span begins, UTC milliseconds, ascending, shape (n,).
        asked: polls asked.
        first_try: of them answered at the first try.
        answered: of them answered at all.
        p95_ms: answer time that 95 % of answers stay within [ms], NaN without an answer.

    """

    at_ms: NDArray[np.int64]
    asked: NDArray[np.int64]
    first_try: NDArray[np.int64]
    answered: NDArray[np.int64]
    p95_ms: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.at_ms)


def hour_contact(
    conn: Connection, site_id: int, from_ms: int, to_ms: int, *, times: bool = True
) -> ContactSeries:
    """Return a site's contact by the clock hours that begin in a span, the open ones too.

    Without ``times`` the closed hours' answer times, which take long to add up, are NaN.
    """
    answers = _hour.c.answers if times else literal(b"")
    query = (
        select(_hour.c.hour_ms, *(_hour.c[name] for name in _COUNTS[:-1]), answers)
        .where(_hour.c.site_id == site_id, _hour.c.hour_ms >= from_ms, _hour.c.hour_ms < to_ms)
        .order_by(_hour.c.hour_ms)
    )
    rows = [_closed(row) for row in conn.execute(query).all()]
    open_ms = rows[-1][0] + HOUR_MS if rows else from_ms
    return _series([*rows, *_open(conn, site_id, max(open_ms, from_ms), to_ms)])


def day_contact(conn: Connection, site_id: int, from_ms: int, to_ms: int) -> ContactSeries:
    """Return a site's contact by the kept contract days that begin in a span."""
    query = (
        select(_day.c.day_ms, *(_day.c[name] for name in _COUNTS))
        .where(_day.c.site_id == site_id, _day.c.day_ms >= from_ms, _day.c.day_ms < to_ms)
        .order_by(_day.c.day_ms)
    )
    return _series([_closed(row) for row in conn.execute(query).all()])


_Span = tuple[int, int, int, int, float]  # begin, asked, first try, answered, p95


def _closed(row: Sequence[Any]) -> _Span:
    at_ms, asked, first_try, retried, answers = row
    late = _p95(add_answers(bytes(answers))) if answers else np.nan
    return at_ms, asked, first_try, first_try + retried, late


def _p95(answers: Mapping[int, int]) -> float:
    found = answer_quantile_ms(answers, 0.95)
    return np.nan if found is None else found


def _open(conn: Connection, site_id: int, from_ms: int, to_ms: int) -> list[_Span]:
    query = (
        select(_poll.c.at_ms, _poll.c.outcome, _poll.c.flags, _poll.c.answer_ms)
        .where(_poll.c.at_ms >= from_ms, _poll.c.at_ms < to_ms, _poll.c.site_id == site_id)
        .order_by(_poll.c.at_ms)
    )
    hours: dict[int, list[tuple[int, float | None]]] = {}
    for at_ms, outcome, flags, answer_ms in conn.execute(query).all():
        if outcome != Outcome.GATEWAY_LOST and not flags & PollFlag.MAINTENANCE:
            hours.setdefault(at_ms - at_ms % HOUR_MS, []).append((outcome, answer_ms))
    return [_counted(hour_ms, polls) for hour_ms, polls in hours.items()]


def _counted(hour_ms: int, polls: Sequence[tuple[int, float | None]]) -> _Span:
    first_try = sum(outcome == Outcome.FIRST_TRY for outcome, _ in polls)
    answered = sum(outcome <= Outcome.RETRIED for outcome, _ in polls)
    times = [ms for _, ms in polls if ms is not None]
    late = float(np.percentile(times, 95)) if times else np.nan
    return hour_ms, len(polls), first_try, answered, late


def _series(rows: Sequence[_Span]) -> ContactSeries:
    asked = [row for row in rows if row[1]]
    counts = np.array([row[:4] for row in asked], np.int64).reshape(-1, 4)
    return ContactSeries(
        counts[:, 0],
        counts[:, 1],
        counts[:, 2],
        counts[:, 3],
        np.array([row[4] for row in asked], np.float64),
    )
