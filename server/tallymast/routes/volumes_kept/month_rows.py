"""Points' months as they would be frozen, as they were, and what changed since."""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from sqlalchemy import Connection

from tallymast.domain.record.days import Contract, date_of, day_of, days_between
from tallymast.domain.record.months import month_before, month_of, name_of
from tallymast.domain.totals.month_figures import Figures, body_of, corrections
from tallymast.routes.volumes_kept.places import called, page_of
from tallymast.storage import month_closes, volume_hours, volume_keeping, volumes
from tallymast.storage.month_closes import MonthClose
from tallymast.storage.volume_hours import Counted

SETTLES_MS: Final = 3_600_000  # ours: an hour after its end late polls of a month are in


@dataclass(frozen=True, slots=True)
class MonthRow:
    """One point's month.

    Attributes:
        now: its figures as they are now; closed: the newest version, None where there is none.
        open_days: contract days of it that are still to be computed.
        events: how often its counter did not simply climb.
        changes: what changed since it was closed, in sentences.

    """

    point: Counted
    name: str
    href: str
    now: Figures
    closed: MonthClose | None
    open_days: int
    events: int
    changes: tuple[str, ...]

    @property
    def is_due(self) -> bool:
        """Whether closing it would say anything new."""
        return self.closed is None or bool(self.changes)

    @property
    def is_ready(self) -> bool:
        """Whether it may be closed: all of it is computed, and something is known."""
        return not self.open_days and self.now.known_ms > 0


def month_rows(
    conn: Connection, points: Iterable[Counted], month: date, contract: Contract, now_ms: int
) -> list[MonthRow]:
    """Return a month of some points, in their order."""
    span, name = volumes.month_span(month, contract), name_of(month)
    closed = month_closes.newest(conn, name)
    due = due_days(conn, span, contract, now_ms)
    return [_row(conn, one, span, contract, closed.get(one.point_id), due) for one in points]


def due_days(
    conn: Connection, span: tuple[int, int], contract: Contract, now_ms: int
) -> Mapping[int, int]:
    """Return how many contract days of a span are still to be computed, by site."""
    days: dict[int, set[int]] = {}
    for one in volume_keeping.due(conn, now_ms):
        begin, end = max(one.from_ms, span[0]), min(now_ms if one.begun else one.to_ms, span[1])
        if begin < end:
            found = {day.start_ms for day in days_between(begin, end, contract)}
            found.add(day_of(begin, contract).start_ms)
            days.setdefault(one.site_id, set()).update(found)
    return {site_id: len(found) for site_id, found in days.items()}


def is_over(month: date, contract: Contract, now_ms: int) -> bool:
    """Whether a month is over for long enough to be closed."""
    return volumes.month_span(month, contract)[1] + SETTLES_MS <= now_ms


def last_month(contract: Contract, now_ms: int) -> date:
    """Return the newest month that may be closed."""
    month = month_of(date_of(now_ms, contract))
    return month if is_over(month, contract, now_ms) else month_before(month)


def fingerprint(rows: Iterable[MonthRow]) -> str:
    """Return a text that is another one when any of the figures is."""
    bodies: list[Any] = [[one.point.point_id, body_of(one.now)] for one in rows]
    return hashlib.sha256(json.dumps(bodies).encode()).hexdigest()[:16]


def _row(
    conn: Connection,
    one: Counted,
    span: tuple[int, int],
    contract: Contract,
    closed: MonthClose | None,
    due: Mapping[int, int],
) -> MonthRow:
    (booked,) = volumes.booked(conn, one, [span], contract)
    now = volumes.figures(booked)
    return MonthRow(
        one,
        called(one),
        page_of(one),
        now,
        closed,
        due.get(one.plan.site_id, 0),
        len(volume_hours.events(conn, one.point_id, *span)),
        corrections(closed.figures, now) if closed is not None else (),
    )
