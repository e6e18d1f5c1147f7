"""Closes contract days: adds up their hours, and does it again when an hour changed.

An hour that is rolled up marks its contract day dirty; a day that is over and dirty is
computed anew, in one transaction that reads its hours, writes the day and takes the mark
away. Which contract the days were computed by is kept with them: when it changes, or where an
older Tallymast kept none, the days of every site are forgotten and marked, site by site.
"""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any, Final

from sqlalchemy import Connection, bindparam, delete, func, select

from tallymast.domain.record.chunks import PollColumns
from tallymast.domain.record.days import (
    CommDay,
    Contract,
    ContractDay,
    comm_day,
    day_of,
    days_touching,
    hours_bytes,
    point_day,
)
from tallymast.domain.record.rollups import (
    CommHour,
    PointHour,
    answers_bytes,
    answers_of,
    comm_hour,
    counts_of,
    point_hours,
    quarters_of,
)
from tallymast.domain.record.runs import NO_RUNS, runs_bytes, runs_from
from tallymast.storage import schema, setting
from tallymast.storage.batch import CLOSE_AFTER_MS
from tallymast.storage.changes import canonical, insert_many
from tallymast.storage.engine import Database
from tallymast.storage.maintenance import maintenance_ms
from tallymast.storage.parts import Part, read_parts
from tallymast.storage.point_hours import load_hours, mark_pack
from tallymast.storage.retention import kept_from

_KEPT_BY: Final = "days.contract"
_COUNTED: Final = ("first_try", "retried", "no_answer", "garbled", "refused", "gateway_lost")

_hour, _dirty = schema.comm_hour, schema.dirty
_COMM: Final = (  # made once: they run for every day of a site
    select(
        _hour.c.hour_ms,
        *(_hour.c[name] for name in _COUNTED),
        _hour.c.quarters,
        _hour.c.answers,
        _hour.c.codes,
        _hour.c.runs,
    )
    .where(
        _hour.c.site_id == bindparam("site"),
        _hour.c.hour_ms >= bindparam("begin"),
        _hour.c.hour_ms < bindparam("end"),
    )
    .order_by(_hour.c.hour_ms)
)
_UNMARK: Final = delete(_dirty).where(
    _dirty.c.kind == "day",
    _dirty.c.key_id == bindparam("site"),
    _dirty.c.start_ms == bindparam("day"),
)
_FORGET_COMM: Final = delete(schema.comm_day).where(
    schema.comm_day.c.site_id == bindparam("site"), schema.comm_day.c.day_ms == bindparam("day")
)
_FORGET_POINTS: Final = delete(schema.point_day).where(
    schema.point_day.c.point_id.in_(
        select(schema.point.c.id).where(schema.point.c.site_id == bindparam("site"))
    ),
    schema.point_day.c.day_ms == bindparam("day"),
)


def load_contract(conn: Connection) -> Contract:
    """Return when the network's contract days begin; midnight UTC without a network."""
    network = schema.network
    row = conn.execute(
        select(network.c.time_zone, network.c.contract_zone, network.c.contract_hour)
    ).first()
    return Contract() if row is None else Contract(row[1] or row[0], int(row[2]))


def mark_days(conn: Connection, site_id: int, hours: Iterable[int], contract: Contract) -> None:
    """Note that the contract days of a site's clock hours have to be computed again."""
    days = {day.start_ms for hour_ms in hours for day in days_touching(hour_ms, contract)}
    if days:
        rows = [("day", site_id, start_ms) for start_ms in sorted(days)]
        insert_many(conn, _dirty, rows, keep=True)


def close_days(database: Database, now_ms: int, *, stop: Callable[[], bool] = lambda: False) -> int:
    """Compute every day that is over and dirty, oldest first; return how many.

    The write lock is taken for some milliseconds a site and day.

    Raises:
        StorageError: the database refused; what is computed stays.

    """
    with database.reading() as conn:
        contract = load_contract(conn)
        known = setting.load(conn, _KEPT_BY)
    if known != contract_name(contract):
        _begin_anew(database, contract, stop)
    closed = 0
    for site_id, day_ms in _over(database, now_ms - CLOSE_AFTER_MS, contract):
        if stop():
            break
        with database.writing() as conn:
            _close_day(conn, site_id, day_of(day_ms, contract))
        closed += 1
    return closed


def first_day_ms(conn: Connection) -> int | None:
    """Return when the first contract day of the record begins, None while none is closed."""
    found = conn.execute(select(func.min(schema.comm_day.c.day_ms))).scalar()
    return None if found is None else int(found)


def is_closed(conn: Connection, end_ms: int) -> bool:
    """Whether nothing before an instant is still to be added up: no poll, no hour, no day."""
    hot = select(schema.poll.c.at_ms).where(schema.poll.c.at_ms < end_ms).limit(1)
    waits = select(_dirty.c.start_ms).where(
        _dirty.c.kind.in_(("hour", "day")), _dirty.c.start_ms < end_ms
    )
    return conn.execute(hot).first() is None and conn.execute(waits.limit(1)).first() is None


def contract_name(contract: Contract) -> str:
    """Return what tells a contract from another: its zone and hour."""
    return f"{contract.zone} {contract.hour}"


def _over(database: Database, now_ms: int, contract: Contract) -> list[tuple[int, int]]:
    query = (
        select(_dirty.c.key_id, _dirty.c.start_ms)
        .where(_dirty.c.kind == "day", _dirty.c.start_ms < now_ms)
        .order_by(_dirty.c.start_ms, _dirty.c.key_id)
    )
    with database.reading() as conn:
        found = [(int(row[0]), int(row[1])) for row in conn.execute(query)]
    return [one for one in found if day_of(one[1], contract).end_ms <= now_ms]


def _begin_anew(database: Database, contract: Contract, stop: Callable[[], bool]) -> None:
    """Forget every site's days and mark those it has hours of; may be cut short, and repeated."""
    with database.reading() as conn:
        sites = conn.execute(select(schema.site.c.id).order_by(schema.site.c.id)).scalars().all()
    for site_id in sites:
        if stop():
            return
        with database.writing() as conn:
            _forget_site(conn, site_id)
            query = select(_hour.c.hour_ms).where(_hour.c.site_id == site_id)
            hours = conn.execute(query).scalars().all()
            mark_days(conn, site_id, hours, contract)
            mark_pack(conn, site_id, hours)
    with database.writing() as conn:
        setting.keep(conn, _KEPT_BY, contract_name(contract))


def _forget_site(conn: Connection, site_id: int) -> None:
    comm, points, point = schema.comm_day, schema.point_day, schema.point
    mine = select(point.c.id).where(point.c.site_id == site_id)
    conn.execute(delete(comm).where(comm.c.site_id == site_id))
    conn.execute(delete(points).where(points.c.point_id.in_(mine)))
    conn.execute(delete(_dirty).where(_dirty.c.kind == "day", _dirty.c.key_id == site_id))


def _close_day(conn: Connection, site_id: int, day: ContractDay) -> None:
    key = {"site": site_id, "day": day.start_ms}
    first = kept_from(conn)  # an hour whose polls were given up counts for the day it begins in
    cut = [hour_ms for hour_ms in day.hours if not day.holds(hour_ms) and hour_ms >= first]
    parts = {hour_ms: _inside(conn, site_id, hour_ms, day) for hour_ms in cut}
    comm = _comm(conn, site_id, day, parts)
    points = _points(conn, site_id, day, parts)
    conn.execute(_FORGET_COMM, key)
    conn.execute(_FORGET_POINTS, key)
    if comm is not None:
        insert_many(conn, schema.comm_day, [_comm_row(site_id, day, comm)])
    if points:
        insert_many(conn, schema.point_day, points)
    conn.execute(_UNMARK, key)


def _inside(conn: Connection, site_id: int, hour_ms: int, day: ContractDay) -> list[Part]:
    """Return the polls of what of a clock hour lies in a day."""
    return read_parts(conn, site_id, *day.part_of(hour_ms))


def _span(site_id: int, day: ContractDay) -> dict[str, int]:
    return {"site": site_id, "begin": day.hours.start, "end": day.end_ms}


def _comm(
    conn: Connection, site_id: int, day: ContractDay, cut: Mapping[int, Sequence[Part]]
) -> CommDay | None:
    hours = {int(row[0]): _comm_hour(row) for row in conn.execute(_COMM, _span(site_id, day))}
    begun = hours.get(day.hours.start)
    if begun is not None and day.hours.start < day.start_ms:
        # Its quarters can be told apart; all else of it counts for the day it begins in.
        runs = None if begun.runs is None else NO_RUNS
        hours[day.hours.start] = replace(begun, answers={}, codes={}, runs=runs)
    for hour_ms, parts in cut.items():
        hours[hour_ms] = comm_hour(_columns(parts), hour_ms)
    if not hours:
        return None
    return comm_day(day, hours, maintenance_ms(conn, site_id, day.start_ms, day.end_ms))


def _columns(parts: Sequence[Part]) -> list[PollColumns]:
    return [part.columns for part in parts]


def _comm_hour(row: Sequence[Any]) -> CommHour:
    hour_ms, *counts, quarters, answers, codes, runs = row
    return CommHour(
        counts_of(counts),
        quarters_of(bytes(quarters)),
        answers_of(bytes(answers)),
        _codes_of(codes),
        None if runs is None else runs_from(bytes(runs), hour_ms),
    )


@lru_cache(maxsize=64)
def _codes_of(stored: str) -> Mapping[int, int]:
    return {int(code): n for code, n in json.loads(stored).items()}


def _points(
    conn: Connection, site_id: int, day: ContractDay, cut: Mapping[int, Sequence[Part]]
) -> list[tuple[object, ...]]:
    found: dict[tuple[int, int], list[tuple[int, PointHour]]] = {}
    for entry in load_hours(conn, site_id, day.start_ms, day.end_ms):
        key = (entry.point_id, entry.layout_id)
        hours = [_point_hour(entry.point_id, row) for row in entry.rows.tolist()]
        found[key] = [(hour_ms, hour) for hour_ms, hour in hours if hour_ms not in cut]
    for hour_ms, parts in cut.items():
        for part in parts:
            for hour in point_hours(part.columns, part.layout, *day.part_of(hour_ms)):
                key = (hour.point_id, part.layout.id)
                found.setdefault(key, []).append((hour_ms, hour))
    return [
        _point_row(layout_id, day, point_day([hour for _, hour in sorted(some, key=_when)]))
        for (_, layout_id), some in sorted(found.items())
        if some
    ]


def _point_hour(point_id: int, row: Sequence[float]) -> tuple[int, PointHour]:
    hour_ms, n, total, least, most, first, last, changes, on_ms = row
    hour = PointHour(
        int(n), total, least, most, first, last, int(changes), int(on_ms), point_id=point_id
    )
    return int(hour_ms), hour


def _when(one: tuple[int, PointHour]) -> int:
    return one[0]


def _point_row(layout_id: int, day: ContractDay, one: PointHour) -> tuple[object, ...]:
    numbers = (one.n, one.total, one.least, one.most, one.first, one.last, one.changes, one.on_ms)
    return (one.point_id, day.start_ms, layout_id, day.end_ms, *numbers)


def _comm_row(site_id: int, day: ContractDay, one: CommDay) -> tuple[object, ...]:
    counts = one.counts
    return (
        site_id,
        day.start_ms,
        day.end_ms,
        counts.asked,
        counts.first_try,
        counts.retried,
        counts.no_answer,
        counts.garbled,
        counts.refused,
        counts.gateway_lost,
        one.maintenance_ms,
        hours_bytes(one.hours),
        answers_bytes(one.answers),
        canonical({str(code): n for code, n in one.codes.items()}),
        None if one.runs is None else runs_bytes(one.runs, day.start_ms),
    )
