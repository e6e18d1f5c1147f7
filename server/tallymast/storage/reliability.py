"""Reads contact over weeks and months, from what contract days add up to.

Days that are over are exact, whatever came late; the day that goes on is in none of them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Column, Connection, func, select

from tallymast.domain.model import HourCounts
from tallymast.domain.record.days import HOURLY, LONGEST_H, hours_of
from tallymast.domain.record.rollups import COUNTS, HOUR_MS, add_answers, counts_of
from tallymast.storage import schema

_day = schema.comm_day


@dataclass(frozen=True, slots=True)
class Contact:
    """A site's contact over a period.

    Attributes:
        days: how many contract days are behind it.
        counts: polls by outcome.
        maintenance_ms: how long somebody worked there.
        answers: answer times: bucket number (``rollups.bucket_ms``) to polls.

    """

    days: int
    counts: HourCounts
    maintenance_ms: int
    answers: Mapping[int, int]


def contact(conn: Connection, from_ms: int, to_ms: int) -> dict[int, Contact]:
    """Return each site's contact over the kept days that begin in a span, by site id."""
    sums = [func.sum(_day.c[name]) for name in COUNTS]
    # Asked site by site, so that a span costs its own rows, not the whole table's.
    query = (
        select(
            _day.c.site_id,
            func.count(),
            *sums,
            func.sum(_day.c.maintenance_ms),
            _joined(conn, _day.c.answers),
        )
        .where(
            _day.c.site_id.in_(select(schema.site.c.id)),
            _day.c.day_ms >= from_ms,
            _day.c.day_ms < to_ms,
        )
        .group_by(_day.c.site_id)
    )
    return {
        site_id: Contact(days, counts_of(counts), int(worked), add_answers(bytes.fromhex(answers)))
        for site_id, days, *counts, worked, answers in conn.execute(query).all()
    }


def _joined(conn: Connection, column: Column[bytes]) -> Any:
    """Return a group's bytes one after the other, in hex: a row a site instead of one a day."""
    if conn.dialect.name == "postgresql":
        return func.string_agg(func.encode(column, "hex"), "")
    return func.group_concat(func.hex(column), "")


def by_hour(
    conn: Connection, site_id: int, from_ms: int, to_ms: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return a site's contact hour by hour, over the kept days that begin in a span.

    Returns:
        When each hour begins, UTC milliseconds, shape (n,); and (n, 3) polls asked, answered at
        the first try, missed (``days.HOURLY``). Hours nobody asked in are left out.

    """
    query = (
        select(_day.c.day_ms, _day.c.hours)
        .where(_day.c.site_id == site_id, _day.c.day_ms >= from_ms, _day.c.day_ms < to_ms)
        .order_by(_day.c.day_ms)
    )
    rows = conn.execute(query).all()
    begins = np.array([row[0] for row in rows], np.int64)[:, None] + HOUR_MS * np.arange(LONGEST_H)
    hours = np.array([hours_of(bytes(row[1])) for row in rows], np.int64)
    hours = hours.reshape(-1, len(HOURLY))
    asked = hours[:, 0] > 0
    return begins.ravel()[asked], hours[asked]
