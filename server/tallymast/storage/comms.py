"""Reads how contact was: counts of polls, and quarter hours for the poll tape."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, case, func, select

from tallymast.domain.model import HourCounts, Outcome, PollFlag
from tallymast.domain.record.rollups import (
    COUNTS,
    HOUR_MS,
    QUARTER_MS,
    answers_of,
    counts_of,
    quarters_of,
)
from tallymast.storage import schema

_ASKED: Final = [COUNTS.index(name) for name in ("first_try", "retried", "no_answer", "garbled")]
_MISSED: Final = [COUNTS.index(name) for name in ("no_answer", "garbled")]
_OF_OUTCOME: Final = {
    Outcome[name.upper()]: column for column, name in enumerate(COUNTS) if name != "refused"
}
_REFUSED: Final = COUNTS.index("refused")

# Rows are kept by site, then hour: asked site by site, a span costs its own rows, not a year's.
_EVERY_SITE: Final = schema.comm_hour.c.site_id.in_(select(schema.site.c.id))

Numbers = NDArray[np.int64]


def counts(conn: Connection, from_ms: int, to_ms: int) -> dict[int, HourCounts]:
    """Return each site's polls of a span; polls in maintenance are in none.

    Exact to the poll where hours are still open, to the quarter hour where they are closed.

    Args:
        conn: a reading connection.
        from_ms: the span's beginning; in a closed hour rounded down to the quarter.
        to_ms: its end, not included; in a closed hour rounded up to the quarter.

    """
    totals: dict[int, Numbers] = {}
    for site_id, table in _closed(conn, from_ms, to_ms):
        _add(totals, site_id, table)
    for site_id, _, row in _hot(conn, from_ms, to_ms):
        _add(totals, site_id, row)
    return {site_id: counts_of(total) for site_id, total in totals.items()}


def quarters(
    conn: Connection, from_ms: int, to_ms: int, site_id: int | None = None
) -> dict[int, Numbers]:
    """Return polls asked and missed by quarter hour.

    Args:
        conn: a reading connection.
        from_ms: rounded down to a quarter hour.
        to_ms: rounded up to one.
        site_id: only this site; None: all.

    Returns:
        For each site with polls an array of (quarters, 2): asked and missed.

    """
    start = from_ms - from_ms % QUARTER_MS
    n = -(-(to_ms - start) // QUARTER_MS)
    tape: dict[int, Numbers] = {}
    table = schema.comm_hour
    query = select(table.c.site_id, table.c.hour_ms, table.c.quarters).where(
        _EVERY_SITE, table.c.hour_ms > start - HOUR_MS, table.c.hour_ms < to_ms
    )
    if site_id is not None:
        query = query.where(table.c.site_id == site_id)
    for site, hour_ms, stored in conn.execute(query):
        for quarter, row in enumerate(quarters_of(stored), (hour_ms - start) // QUARTER_MS):
            _ink(tape, site, quarter, n, row)
    for site, at_ms, row in _hot(conn, start, start + n * QUARTER_MS, site_id):
        _ink(tape, site, (at_ms - start) // QUARTER_MS, n, row)
    return tape


def answer_times(conn: Connection, from_ms: int, to_ms: int) -> dict[int, dict[int, int]]:
    """Return how many answers took how long, by site: bucket number (``bucket_ms``) to answers.

    Of the hours that are closed and begin in the span.
    """
    table = schema.comm_hour
    query = select(table.c.site_id, table.c.answers).where(
        _EVERY_SITE, table.c.hour_ms >= from_ms, table.c.hour_ms < to_ms
    )
    found: dict[int, dict[int, int]] = {}
    for site_id, stored in conn.execute(query):
        mine = found.setdefault(site_id, {})
        for bucket, n in answers_of(stored).items():
            mine[bucket] = mine.get(bucket, 0) + n
    return found


def _ink(tape: dict[int, Numbers], site_id: int, quarter: int, n: int, row: Numbers) -> None:
    if 0 <= quarter < n:
        cells = tape.setdefault(site_id, np.zeros((n, 2), np.int64))
        cells[quarter] += (row[_ASKED].sum(), row[_MISSED].sum())


def _add(totals: dict[int, Numbers], site_id: int, row: Numbers) -> None:
    if site_id in totals:
        totals[site_id] = totals[site_id] + row
    else:
        totals[site_id] = row


def _closed(conn: Connection, from_ms: int, to_ms: int) -> list[tuple[int, Numbers]]:
    """Return counts of closed hours: whole ones summed by the database, cut ones by quarter."""
    table = schema.comm_hour
    first = -(-from_ms // HOUR_MS) * HOUR_MS
    last = to_ms - to_ms % HOUR_MS
    sums = [func.sum(table.c[name]) for name in COUNTS]
    whole = select(table.c.site_id, *sums).where(
        _EVERY_SITE, table.c.hour_ms >= first, table.c.hour_ms < last
    )
    found: list[tuple[int, Numbers]] = [
        (row[0], np.array(row[1:], np.int64))
        for row in conn.execute(whole.group_by(table.c.site_id))
    ]
    edges = {from_ms - from_ms % HOUR_MS, last} - set(range(first, last, HOUR_MS))
    for hour_ms in sorted(edges):
        cut = select(table.c.site_id, table.c.quarters).where(
            _EVERY_SITE, table.c.hour_ms == hour_ms
        )
        inside = _quarters_inside(hour_ms, from_ms, to_ms)
        found += [
            (site_id, quarters_of(stored)[inside].sum(axis=0))
            for site_id, stored in conn.execute(cut)
        ]
    return found


def _quarters_inside(hour_ms: int, from_ms: int, to_ms: int) -> slice:
    first = max(0, (from_ms - hour_ms) // QUARTER_MS)
    last = min(4, -(-(to_ms - hour_ms) // QUARTER_MS))
    return slice(first, max(first, last))


def _hot(
    conn: Connection, from_ms: int, to_ms: int, site_id: int | None = None
) -> list[tuple[int, int, Numbers]]:
    """Return counts of polls in no closed hour by site and quarter hour (its beginning)."""
    table = schema.poll
    quarter = table.c.at_ms - table.c.at_ms % QUARTER_MS
    refused = table.c.flags.bitwise_and(int(PollFlag.REFUSED)) != 0
    query = (
        select(
            table.c.site_id,
            quarter.label("quarter"),
            table.c.outcome,
            func.count().label("n"),
            func.sum(case((refused, 1), else_=0)).label("refused"),
        )
        .where(
            table.c.at_ms >= from_ms,
            table.c.at_ms < to_ms,
            table.c.flags.bitwise_and(int(PollFlag.MAINTENANCE)) == 0,
        )
        .group_by(table.c.site_id, quarter, table.c.outcome)
    )
    if site_id is not None:
        query = query.where(table.c.site_id == site_id)
    return [(row[0], int(row[1]), _hot_row(*row[2:])) for row in conn.execute(query)]


def _hot_row(outcome: int, n: int, refused: Any) -> Numbers:
    row = np.zeros(len(COUNTS), np.int64)
    row[_OF_OUTCOME[Outcome(outcome)]] = n
    if Outcome(outcome).is_answered:
        row[_REFUSED] = int(refused)
    return row
