"""Reads each site's outages and runs of missed polls.

Contract days that are over tell them; after the newest of them the hours do, and after those
the polls that are in no closed hour yet.
"""

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, bindparam, func, select

from tallymast.domain.health.comms.model import Outage
from tallymast.domain.model import Outcome, PollFlag
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.runs import (
    HEAD,
    LONG_MS,
    NOBODY,
    RUN,
    MissRun,
    Runs,
    joined,
    runs_from,
    runs_in,
    runs_of,
)
from tallymast.storage import schema
from tallymast.storage.parts import read_parts

_day, _hour, _poll = schema.comm_day, schema.comm_hour, schema.poll

_Span = tuple[int, int, Runs | None]  # begin, end, its runs; None where they were not kept
_Spans = dict[int, list[_Span]]  # by site
_HEAD_BYTES: Final = HEAD.itemsize
_LONGEST_MS: Final = 25 * HOUR_MS  # a contract day

# Asked site by site, so that a span costs its own rows, not the whole table's.
_SITES: Final = select(schema.site.c.id)
_DAYS: Final = (
    select(_day.c.site_id, _day.c.day_ms, _day.c.end_ms, _day.c.runs)
    .where(
        _day.c.site_id.in_(_SITES),
        _day.c.day_ms >= bindparam("begin"),
        _day.c.day_ms < bindparam("end"),
    )
    .order_by(_day.c.site_id, _day.c.day_ms)
)
_HOURS: Final = select(_hour.c.site_id, _hour.c.hour_ms, _hour.c.runs).where(
    _hour.c.site_id.in_(_SITES),
    _hour.c.hour_ms >= bindparam("begin"),
    _hour.c.hour_ms < bindparam("end"),
)
_HOT: Final = (
    select(_poll.c.site_id, _poll.c.at_ms, _poll.c.outcome, _poll.c.flags)
    .where(_poll.c.at_ms >= bindparam("begin"), _poll.c.at_ms < bindparam("end"))
    .order_by(_poll.c.site_id, _poll.c.at_ms)
)


def outages(
    conn: Connection,
    from_ms: int,
    to_ms: int,
    *,
    miss_limits: Mapping[int, int],
    site_id: int | None = None,
) -> dict[int, list[Outage]]:
    """Return the outages that touch a span, by site, oldest first.

    An outage is a run of at least a site's miss limit that lasts at least a minute. One that
    began before the contract day in which the span begins is there from that day's first poll
    on, without the answer before it.

    Args:
        conn: a reading connection.
        from_ms: the span's beginning.
        to_ms: its end, not included.
        miss_limits: how many misses in a row make a site fail, by site id; 3 for others.
        site_id: only this site's.

    """
    least = min(miss_limits.values(), default=3)
    runs = miss_runs(conn, from_ms, to_ms, site_id=site_id, least=min(least, 3))
    found = outages_in(runs, miss_limits)
    return {
        number: [one for one in some if one.to_ms is None or one.to_ms > from_ms]
        for number, some in found.items()
    }


def outages_in(runs: Mapping[int, Runs], miss_limits: Mapping[int, int]) -> dict[int, list[Outage]]:
    """Return the outages among runs of missed polls, by site, oldest first; as ``outages``."""
    return {
        number: [
            _outage(number, run) for run in own.long if _is_outage(run, miss_limits.get(number, 3))
        ]
        for number, own in runs.items()
    }


def miss_runs(
    conn: Connection,
    from_ms: int,
    to_ms: int,
    *,
    site_id: int | None = None,
    least: int = 1,
) -> dict[int, Runs]:
    """Return the runs of missed polls of a span by site; whole contract days where they are over.

    Of a site with days whose runs were not kept, what follows them. All runs are counted; those
    of less than ``least`` misses need not be among the long ones.
    """
    spans = _days(conn, from_ms, to_ms, site_id, least)
    _add_hours(conn, spans, from_ms, to_ms, site_id)
    _add_hot(conn, spans, from_ms, to_ms, site_id)
    return {number: joined(_known(some)) for number, some in spans.items()}


def _known(spans: Sequence[_Span]) -> list[Runs]:
    """Return the runs of spans in order of time, from the last one on that lacks them."""
    found: list[Runs] = []
    for span in sorted(spans, key=_begin):
        if span[2] is None:
            found.clear()
        else:
            found.append(span[2])
    return found


def _begin(span: _Span) -> int:
    return span[0]


def known_from(conn: Connection) -> int | None:
    """Return the contract day from which on runs are kept, None where there is none yet."""
    found = conn.execute(select(func.min(_day.c.day_ms)).where(_day.c.runs.is_not(None))).scalar()
    return None if found is None else int(found)


def _is_outage(run: MissRun, limit: int) -> bool:
    end_ms = run.last_ms if run.to_ms is None else run.to_ms
    return run.missed >= limit and end_ms - run.from_ms >= LONG_MS


def _outage(site_id: int, run: MissRun) -> Outage:
    return Outage(site_id, run.from_ms, run.to_ms, run.missed, run.before_ms)


def _days(conn: Connection, from_ms: int, to_ms: int, site_id: int | None, least: int) -> _Spans:
    """Return each site's contract days that touch a span; quiet ones that follow as one."""
    query = _DAYS if site_id is None else _DAYS.where(_day.c.site_id == site_id)
    span = {"begin": from_ms - _LONGEST_MS, "end": to_ms}
    rows = [row for row in conn.execute(query, span).all() if row[2] > from_ms]
    stored = [b"" if row[3] is None else bytes(row[3]) for row in rows]
    heads = np.frombuffer(b"".join(one[:_HEAD_BYTES].ljust(_HEAD_BYTES) for one in stored), HEAD)
    quiet = _quiet(stored, heads, least)
    found: _Spans = {}
    for first, last in _stretches([row[0] for row in rows], quiet):
        number, day_ms, end_ms, _ = rows[first]
        runs: Runs | None
        if quiet[first]:
            end_ms = rows[last - 1][2]
            newest = rows[last - 1][1] + int(heads["last"][last - 1])
            n = int(heads["n"][first:last].sum())
            runs = Runs(n, day_ms + int(heads["first"][first]), newest)
        else:
            runs = runs_from(stored[first], day_ms) if stored[first] else None
        found.setdefault(number, []).append((day_ms, end_ms, runs))
    return found


def _quiet(stored: Sequence[bytes], heads: NDArray[np.void], least: int) -> NDArray[np.bool_]:
    """Return of which days, though somebody asked, no run reaches an end or is long enough."""
    sizes = np.array([len(one) for one in stored], np.int64)
    runs = np.frombuffer(b"".join(one[_HEAD_BYTES:] for one in stored), RUN)
    telling = (runs["before"] == NOBODY) | (runs["to"] == NOBODY) | (runs["missed"] >= least)
    whose = np.repeat(np.arange(len(sizes)), np.maximum(sizes - _HEAD_BYTES, 0) // RUN.itemsize)
    loud = np.bincount(whose[telling], minlength=len(sizes)) > 0
    return np.asarray((sizes > 0) & ~loud & (heads["first"] != NOBODY))


def _stretches(sites: Sequence[int], quiet: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return begin and end of the rows that belong together: one, or a site's quiet days."""
    whose = np.array(sites, np.int64)
    goes_on = np.zeros(len(whose), np.bool_)
    goes_on[1:] = quiet[1:] & quiet[:-1] & (whose[1:] == whose[:-1])
    edges = [*np.flatnonzero(~goes_on).tolist(), len(whose)]
    return list(pairwise(edges))


def _add_hours(
    conn: Connection, spans: _Spans, from_ms: int, to_ms: int, site_id: int | None
) -> None:
    """Add the hours after each site's newest day."""
    query = _HOURS if site_id is None else _HOURS.where(_hour.c.site_id == site_id)
    ends = _ends(spans)
    first = min(ends.values(), default=from_ms)
    span = {"begin": first - HOUR_MS + 1, "end": to_ms}
    for number, hour_ms, stored in conn.execute(query, span).all():
        end_ms = hour_ms + HOUR_MS
        begin_ms = max(hour_ms, ends.get(number, hour_ms))
        if begin_ms >= end_ms:
            continue
        if begin_ms == hour_ms:
            runs = _runs(stored, hour_ms)
        else:  # a day ended within the hour
            runs = runs_of([part.columns for part in read_parts(conn, number, begin_ms, end_ms)])
        spans.setdefault(number, []).append((begin_ms, end_ms, runs))


def _add_hot(
    conn: Connection, spans: _Spans, from_ms: int, to_ms: int, site_id: int | None
) -> None:
    """Add what is in no closed hour yet; what came late into a closed one waits for it."""
    query = _HOT if site_id is None else _HOT.where(_poll.c.site_id == site_id)
    rows = np.array(conn.execute(query, {"begin": from_ms, "end": to_ms}).all(), np.int64)
    rows = rows.reshape(-1, 4)
    counted = (rows[:, 3] & PollFlag.MAINTENANCE == 0) & (rows[:, 2] != Outcome.GATEWAY_LOST)
    rows, ends = rows[counted], _ends(spans)
    for number in np.unique(rows[:, 0]).tolist():
        mine = rows[(rows[:, 0] == number) & (rows[:, 1] >= ends.get(number, 0))]
        if len(mine):
            runs = runs_in(mine[:, 1], mine[:, 2] > Outcome.RETRIED)
            spans.setdefault(number, []).append((int(mine[0, 1]), int(mine[-1, 1]), runs))


def _ends(spans: _Spans) -> dict[int, int]:
    return {number: max(end for _, end, _ in some) for number, some in spans.items()}


def _runs(stored: bytes | None, start_ms: int) -> Runs | None:
    return None if stored is None else runs_from(bytes(stored), start_ms)
