"""Reads contact over weeks and months, from what contract days add up to.

Days that are over are exact, whatever came late; the day that goes on is in none of them.
``site_hours`` reads what no kept day holds (the day that goes on, a begun day, days that are still
to be added up) from hours and from polls.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Column, Connection, func, select

from tallymast.domain.model import HourCounts
from tallymast.domain.record.days import (
    DAY_MS,
    HOURLY,
    LONGEST_H,
    Contract,
    ContractDay,
    days_between,
    hours_of,
)
from tallymast.domain.record.rollups import COUNTS, HOUR_MS, add_answers, counts_of
from tallymast.storage import comms, schema

_day = schema.comm_day
_dirty = schema.dirty

_FIRST: Final = COUNTS.index("first_try")
_MISSED: Final = [COUNTS.index(name) for name in ("no_answer", "garbled")]
_ASKED: Final = [COUNTS.index(name) for name in ("first_try", "retried", "no_answer", "garbled")]

Ints = NDArray[np.int64]


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


# --- any span, all sites ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SiteHours:
    """A site's contact over a span, hour by hour; hours nobody asked in are left out.

    Attributes:
        at_ms: when each hour begins, UTC milliseconds, ascending, shape (n,).
        cells: polls asked, answered at the first try, missed; shape (n, 3), as ``days.HOURLY``.
        counts: polls by outcome of the whole span.
        answers: answer times: bucket number (``rollups.bucket_ms``) to polls.

    """

    at_ms: Ints
    cells: Ints
    counts: HourCounts
    answers: Mapping[int, int]


def site_hours(
    conn: Connection, from_ms: int, to_ms: int, contract: Contract
) -> dict[int, SiteHours]:
    """Return every site's contact over a span, by site id; polls in maintenance are in none.

    Exact where whole contract days are kept; at a span's ragged ends as exact as
    ``comms.counts``: to the poll where hours are open, to the quarter hour where they are closed.

    Args:
        conn: a reading connection.
        from_ms: the span's beginning.
        to_ms: its end, not included.
        contract: when days begin.

    """
    kept, rest = _split(conn, from_ms, to_ms, contract)
    parts: dict[int, list[SiteHours]] = {}
    for begin_ms, end_ms in _spans(kept):
        _gather(parts, _of_days(conn, begin_ms, end_ms))
    for begin_ms, end_ms in rest:
        _gather(parts, _of_hours(comms.hours(conn, begin_ms, end_ms)))
    return {site_id: _joined_hours(some) for site_id, some in parts.items()}


def _gather(parts: dict[int, list[SiteHours]], found: Mapping[int, SiteHours]) -> None:
    for site_id, one in found.items():
        parts.setdefault(site_id, []).append(one)


def _split(
    conn: Connection, from_ms: int, to_ms: int, contract: Contract
) -> tuple[list[ContractDay], list[tuple[int, int]]]:
    """Return the whole days of a span that are kept, and the spans that no kept day holds.

    A day with work still to do for any site (an hour added, polls in no hour yet) is read from
    its hours, for all of them.
    """
    query = select(_dirty.c.start_ms).where(
        _dirty.c.kind == "day", _dirty.c.start_ms >= from_ms, _dirty.c.start_ms < to_ms
    )
    to_do = set(conn.execute(query).scalars())
    hot_ms = conn.execute(select(func.min(schema.poll.c.at_ms))).scalar() or to_ms
    kept = [
        day
        for day in days_between(from_ms, to_ms, contract)
        if day.end_ms <= min(to_ms, hot_ms) and day.start_ms not in to_do
    ]
    edges = [from_ms, *(edge for one in _spans(kept) for edge in one), to_ms]
    rest = [(one, then) for one, then in list(pairwise(edges))[::2] if one < then]
    return kept, rest


def _spans(days: Sequence[ContractDay]) -> list[tuple[int, int]]:
    """Return days that follow each other as one span."""
    spans: list[tuple[int, int]] = []
    for day in days:
        if spans and spans[-1][1] == day.start_ms:
            spans[-1] = (spans[-1][0], day.end_ms)
        else:
            spans.append((day.start_ms, day.end_ms))
    return spans


def _of_days(conn: Connection, from_ms: int, to_ms: int) -> dict[int, SiteHours]:
    """Return the kept days of a span, asked site by site as ``contact`` does."""
    query = (
        select(
            _day.c.site_id,
            _day.c.day_ms,
            _day.c.hours,
            _day.c.answers,
            *(_day.c[name] for name in COUNTS),
        )
        .where(
            _day.c.site_id.in_(select(schema.site.c.id)),
            _day.c.day_ms >= from_ms,
            _day.c.day_ms < to_ms,
        )
        .order_by(_day.c.site_id, _day.c.day_ms)
    )
    rows = conn.execute(query).all()
    if not rows:
        return {}
    sites, days, hours, answers, *counts = zip(*rows, strict=True)
    whose, day_ms = np.array(sites, np.int64), np.array(days, np.int64)
    cells = np.frombuffer(b"".join(hours), "<u2").reshape(-1, LONGEST_H, len(HOURLY))
    at_ms = day_ms[:, None] + HOUR_MS * np.arange(LONGEST_H)
    counted = np.array(counts, np.int64).T
    firsts = np.flatnonzero(np.diff(whose, prepend=whose[0] - 1))
    totals = np.add.reduceat(counted, firsts, axis=0)
    found = {}
    for n, (first, last) in enumerate(pairwise([*firsts.tolist(), len(whose)])):
        asked = cells[first:last, :, 0] > 0
        found[int(whose[first])] = SiteHours(
            at_ms[first:last][asked],
            cells[first:last][asked].astype(np.int64),
            counts_of(totals[n]),
            add_answers(b"".join(answers[first:last])),
        )
    return found


def _of_hours(read: comms.Hours) -> dict[int, SiteHours]:
    cells = np.stack(
        (
            read.counts[:, _ASKED].sum(axis=1),
            read.counts[:, _FIRST],
            read.counts[:, _MISSED].sum(axis=1),
        ),
        axis=1,
    )
    found = {}
    for site_id in np.unique(read.site).tolist():
        mine = read.site == site_id
        asked = mine & (cells[:, 0] > 0)
        counts = counts_of(read.counts[mine].sum(axis=0))
        answers = read.answers.get(site_id, {})
        found[site_id] = SiteHours(read.at_ms[asked], cells[asked], counts, answers)
    return found


def _joined_hours(parts: Sequence[SiteHours]) -> SiteHours:
    """Return a site's parts as one; none reaches into another, but for the hour at its edge."""
    if len(parts) == 1:
        return parts[0]
    some = sorted((one for one in parts if len(one.at_ms)), key=lambda one: int(one.at_ms[0]))
    counts = HourCounts(*(sum(getattr(one.counts, name) for one in parts) for name in COUNTS))
    answers: Counter[int] = Counter()
    for one in parts:
        answers.update(one.answers)
    if not some:
        return SiteHours(parts[0].at_ms, parts[0].cells, counts, dict(answers))
    at_ms = np.concatenate([one.at_ms for one in some])
    cells = np.concatenate([one.cells for one in some])
    return SiteHours(at_ms, cells, counts, dict(answers))


@dataclass(frozen=True, slots=True)
class NightLow:
    """When a site's supply was lowest in a night, the voltage [V], and whether it was dark then.

    ``dark``: no reading in the two hours before sunrise.
    """

    at_ms: int
    volts: float
    dark: bool


def night_lows(
    conn: Connection, site_ids: Sequence[int], from_ms: int, to_ms: int
) -> dict[int, list[NightLow]]:
    """Return how low some sites' supply stood in each night of a span, by site id."""
    night = schema.night
    query = select(night.c.site_id, night.c.low_ms, night.c.low_v, night.c.predawn_v).where(
        night.c.site_id.in_(site_ids),
        night.c.day >= from_ms // DAY_MS - 1,
        night.c.day <= to_ms // DAY_MS + 1,
        night.c.low_v.is_not(None),
    )
    found: dict[int, list[NightLow]] = {}
    for site_id, low_ms, low_v, predawn_v in conn.execute(query).all():
        low = NightLow(int(low_ms), float(low_v), predawn_v is None)
        found.setdefault(site_id, []).append(low)
    return found


def answers_by_day(
    conn: Connection, from_ms: int, to_ms: int
) -> dict[int, list[tuple[int, Mapping[int, int]]]]:
    """Return each site's answer times (bucket to polls) by kept contract day, ascending."""
    query = (
        select(_day.c.site_id, _day.c.day_ms, _day.c.answers)
        .where(
            _day.c.site_id.in_(select(schema.site.c.id)),
            _day.c.day_ms >= from_ms,
            _day.c.day_ms < to_ms,
        )
        .order_by(_day.c.site_id, _day.c.day_ms)
    )
    found: dict[int, list[tuple[int, Mapping[int, int]]]] = {}
    for site_id, day_ms, stored in conn.execute(query).all():
        found.setdefault(site_id, []).append((day_ms, add_answers(bytes(stored))))
    return found
