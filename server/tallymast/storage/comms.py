"""Reads how contact was: counts of polls, and quarter hours for the poll tape."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, case, func, select

from tallymast.domain.model import HourCounts, Outcome, PollFlag
from tallymast.domain.record.rollups import (
    COUNTS,
    HOUR_MS,
    QUARTER_MS,
    add_answers,
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

_HOUR_BITS: Final = 24  # hours since 1970 until the year 3883

# Rows are kept by site, then hour: asked site by site, a span costs its own rows, not a year's.
_EVERY_SITE: Final = schema.comm_hour.c.site_id.in_(select(schema.site.c.id))

Numbers = NDArray[np.int64]
_Closed = tuple[int, int, bytes, bytes]


@dataclass(frozen=True, slots=True)
class Contact:
    """A site's contact over a span, by quarter hour.

    Attributes:
        counts: polls by outcome.
        tape: polls asked and missed, shape (quarters, 2).
        answers: answer times of the closed hours that begin in it: bucket number to answers.

    """

    counts: HourCounts
    tape: Numbers
    answers: Mapping[int, int]


@dataclass(frozen=True, slots=True)
class _Cells:
    """Quarter hours with polls: whose, when they begin, and counts (n, 6) as ``COUNTS``."""

    site: Numbers
    at_ms: Numbers
    counts: Numbers

    def by_site(self) -> tuple[Numbers, Numbers]:
        """Return the sites, ascending, and each cell's place among them."""
        sites, place = np.unique(self.site, return_inverse=True)
        return sites, place.reshape(-1)


def contact(conn: Connection, from_ms: int, to_ms: int) -> dict[int, Contact]:
    """Return each site's contact over a span; polls in maintenance are in none.

    Args:
        conn: a reading connection.
        from_ms: the span's beginning, rounded down to a quarter hour.
        to_ms: its end, rounded up to one.

    """
    start = from_ms - from_ms % QUARTER_MS
    n = -(-(to_ms - start) // QUARTER_MS)
    found = _closed(conn, start, to_ms)
    cells = _cells(conn, found, start, start + n * QUARTER_MS)
    sites, place = cells.by_site()
    counted = _summed(place, len(sites), cells.counts)
    tapes = _tapes(cells, place, len(sites), start, n)
    answers = _answers([row for row in found if row[1] >= from_ms])
    return {
        site_id: Contact(counts_of(counted[k]), tapes[k], answers.get(site_id, {}))
        for k, site_id in enumerate(sites.tolist())
    }


def counts(conn: Connection, from_ms: int, to_ms: int) -> dict[int, HourCounts]:
    """Return each site's polls of a span; polls in maintenance are in none.

    Exact to the poll where hours are still open, to the quarter hour where they are closed.

    Args:
        conn: a reading connection.
        from_ms: the span's beginning; in a closed hour rounded down to the quarter.
        to_ms: its end, not included; in a closed hour rounded up to the quarter.

    """
    cells = _cells(conn, _closed(conn, from_ms, to_ms), from_ms, to_ms)
    sites, place = cells.by_site()
    counted = _summed(place, len(sites), cells.counts)
    return {site_id: counts_of(counted[k]) for k, site_id in enumerate(sites.tolist())}


@dataclass(frozen=True, slots=True)
class Hours:
    """Clock hours with polls, ascending by site and time; polls in maintenance are in none.

    Attributes:
        site: whose, shape (n,).
        at_ms: when each begins.
        counts: polls by outcome, shape (n, 6), columns as ``COUNTS``.
        answers: answer times of the closed hours that begin in the span, by site.

    """

    site: Numbers
    at_ms: Numbers
    counts: Numbers
    answers: Mapping[int, Mapping[int, int]]


def hours(conn: Connection, from_ms: int, to_ms: int) -> Hours:
    """Return each site's polls of a span by clock hour, as exact as ``counts``."""
    found = _closed(conn, from_ms, to_ms)
    cells = _cells(conn, found, from_ms, to_ms)
    keys = cells.site << _HOUR_BITS | cells.at_ms // HOUR_MS
    distinct, place = np.unique(keys, return_inverse=True)
    counted = _summed(place.reshape(-1), len(distinct), cells.counts)
    asked = counted.sum(axis=1) > 0
    answers = _answers([row for row in found if row[1] >= from_ms])
    site, hour = distinct >> _HOUR_BITS, distinct & (1 << _HOUR_BITS) - 1
    return Hours(site[asked], hour[asked] * HOUR_MS, counted[asked], answers)


def _tapes(cells: _Cells, place: Numbers, sites: int, start: int, n: int) -> Numbers:
    """Return polls asked and missed, shape (sites, n, 2)."""
    inked = np.stack(
        (cells.counts[:, _ASKED].sum(axis=1), cells.counts[:, _MISSED].sum(axis=1)), axis=1
    )
    quarter = (cells.at_ms - start) // QUARTER_MS
    return _summed(place * n + quarter, sites * n, inked).reshape(sites, n, 2)


def _summed(place: Numbers, n: int, rows: Numbers) -> Numbers:
    """Return rows added up by their place 0..n-1, shape (n, columns)."""
    width = rows.shape[1]
    cell = place[:, None] * width + np.arange(width)
    summed = np.bincount(cell.ravel(), weights=rows.ravel(), minlength=n * width)
    return summed.astype(np.int64).reshape(n, width)


def _answers(found: Sequence[_Closed]) -> dict[int, dict[int, int]]:
    stored: dict[int, list[bytes]] = {}
    for site_id, _, _, answers in found:
        stored.setdefault(site_id, []).append(answers)
    return {site_id: add_answers(b"".join(some)) for site_id, some in stored.items()}


def _closed(conn: Connection, from_ms: int, to_ms: int) -> list[_Closed]:
    """Return the closed hours that touch a span: site, beginning, quarters, answers."""
    table = schema.comm_hour
    query = select(table.c.site_id, table.c.hour_ms, table.c.quarters, table.c.answers).where(
        _EVERY_SITE, table.c.hour_ms > from_ms - HOUR_MS, table.c.hour_ms < to_ms
    )
    found: list[_Closed] = [tuple(row) for row in conn.execute(query).all()]
    return found


def _cells(conn: Connection, found: Sequence[_Closed], from_ms: int, to_ms: int) -> _Cells:
    """Return the quarter hours of closed hours that touch a span, and those of its hot polls."""
    site = np.repeat(np.array([row[0] for row in found], np.int64), 4)
    begins = np.array([row[1] for row in found], np.int64)[:, None] + QUARTER_MS * np.arange(4)
    table = quarters_of(b"".join(row[2] for row in found)).reshape(-1, len(COUNTS))
    at_ms = begins.ravel()
    inside = (at_ms + QUARTER_MS > from_ms) & (at_ms < to_ms)
    hot = _hot(conn, from_ms, to_ms)
    return _Cells(
        np.concatenate((site[inside], np.array([row[0] for row in hot], np.int64))),
        np.concatenate((at_ms[inside], np.array([row[1] for row in hot], np.int64))),
        np.concatenate(
            (table[inside], np.array([row[2] for row in hot], np.int64).reshape(-1, len(COUNTS)))
        ),
    )


def _hot(conn: Connection, from_ms: int, to_ms: int) -> list[tuple[int, int, Numbers]]:
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
    return [(row[0], int(row[1]), _hot_row(*row[2:])) for row in conn.execute(query)]


def _hot_row(outcome: int, n: int, refused: Any) -> Numbers:
    row = np.zeros(len(COUNTS), np.int64)
    row[_OF_OUTCOME[Outcome(outcome)]] = n
    if Outcome(outcome).is_answered:
        row[_REFUSED] = int(refused)
    return row
