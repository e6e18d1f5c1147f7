"""Says which hours' volumes are due, and computes them: a site and at most a day at a time.

Hours that closed, or closed again, are marked (``volume_marks``). By what a site's counts are
judged (modulus, greatest rate) is kept with it: where that changes, and where an older version
computed none, all of the site is done anew, oldest first, and goes on where it was cut short.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final

from sqlalchemy import Connection, func, select

from tallymast.domain.model import Gateway, SitePlan
from tallymast.domain.record.days import Contract, days_touching
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.totals.meters import basis, counting_points, meter_of, restart_point
from tallymast.storage import schema, setting, volume_marks
from tallymast.storage.changes import insert_many
from tallymast.storage.chunks import DAY_MS
from tallymast.storage.days import contract_name, load_contract
from tallymast.storage.engine import Database
from tallymast.storage.retention import kept_from
from tallymast.storage.volume_hours import Counted, Worked, put, work_out
from tallymast.storage.volume_marks import KIND, TAKEN, mark_volumes

_CONTRACT: Final = "volumes.contract"
_dirty, _basis, _hour = schema.dirty, schema.volume_basis, schema.volume_hour


@dataclass(frozen=True, slots=True)
class Due:
    """Hours of one site to compute; ``begun``: as part of doing all of the site anew."""

    site_id: int
    from_ms: int
    to_ms: int
    begun: bool = False


def counted_points(conn: Connection, gateway: Gateway, plan: SitePlan) -> list[Counted]:
    """Return the points of a site whose counts are added up."""
    point = schema.point
    query = select(point.c.tag, point.c.id).where(point.c.site_id == plan.site_id)
    return _counted(gateway, plan, {row[0]: int(row[1]) for row in conn.execute(query)})


def counted_of_many(
    conn: Connection, plans: Sequence[tuple[Gateway, SitePlan]]
) -> list[list[Counted]]:
    """Return the points of many sites whose counts are added up, site by site."""
    point = schema.point
    numbers: dict[int, dict[str, int]] = defaultdict(dict)
    for site_id, tag, number in conn.execute(select(point.c.site_id, point.c.tag, point.c.id)):
        numbers[site_id][tag] = int(number)
    return [_counted(gateway, plan, numbers[plan.site_id]) for gateway, plan in plans]


def _counted(gateway: Gateway, plan: SitePlan, numbers: Mapping[str, int]) -> list[Counted]:
    every_s, slow_s = plan.site.poll_every_s, gateway.slow_every_s
    return [
        Counted(plan, one, numbers[one.tag], meter_of(one, every_s, slow_s))
        for one in counting_points(plan.site)
        if one.tag in numbers
    ]


def begin(database: Database, sites: Iterable[tuple[Gateway, SitePlan]], now_ms: int) -> None:
    """Note which sites have to be done anew, and which hours another contract cuts otherwise.

    Raises:
        StorageError: the database refused; what is noted stays noted.

    """
    with database.reading() as conn:
        known = {row[0]: row[1] for row in conn.execute(select(_basis.c.site_id, _basis.c.body))}
        wanted = {
            plan.site_id: _words(counted_points(conn, gateway, plan)) for gateway, plan in sites
        }
        contract = load_contract(conn)
        is_same = setting.load(conn, _CONTRACT) == contract_name(contract)
    changed = {site_id: body for site_id, body in wanted.items() if known.get(site_id) != body}
    if is_same and not changed:
        return
    with database.writing() as conn:
        for site_id, body in changed.items():
            first = _first_hour(conn, site_id) if body else None
            insert_many(conn, _basis, [(site_id, body, first)])
        if not is_same:
            _cut_otherwise(conn, contract, now_ms)
            setting.keep(conn, _CONTRACT, contract_name(contract))


def due(conn: Connection, now_ms: int) -> list[Due]:
    """Return what is to be computed, marked hours first, the oldest first."""
    marks = conn.execute(
        select(_dirty.c.key_id, _dirty.c.start_ms)
        .where(_dirty.c.kind.in_((KIND, TAKEN)))
        .order_by(_dirty.c.key_id, _dirty.c.start_ms)
    ).all()
    found = []
    for (site_id, _), some in groupby(marks, lambda row: (row[0], row[1] // DAY_MS)):
        hours = [int(row[1]) for row in some]
        found.append(Due(int(site_id), hours[0], hours[-1] + HOUR_MS))
    passes = select(_basis.c.site_id, _basis.c.next_ms).where(_basis.c.next_ms.is_not(None))
    for site_id, next_ms in conn.execute(passes):
        end = min(next_ms - next_ms % DAY_MS + DAY_MS, now_ms - now_ms % HOUR_MS)
        found.append(Due(int(site_id), int(next_ms), max(end, int(next_ms)), begun=True))
    return sorted(found, key=lambda one: (one.begun, one.from_ms, one.site_id))


def behind(conn: Connection) -> int:
    """Return of how many sites older hours are still to be worked out."""
    query = select(func.count()).select_from(_basis).where(_basis.c.next_ms.is_not(None))
    return int(conn.execute(query).scalar() or 0)


def compute(
    database: Database, one: Due, site: tuple[Gateway, SitePlan] | None, now_ms: int
) -> None:
    """Compute what is due of one site and store it; of a site that is gone, nothing.

    The computing itself holds nobody up: it reads the record as it is at one instant, and the
    database is written before it and after it, for a moment each.

    Raises:
        StorageError, DecodeError: nothing of it is stored, and it stays due.

    """
    span = (one.site_id, one.from_ms, one.to_ms)
    with database.writing() as conn:
        volume_marks.take(conn, *span)
    worked = _worked_out(database, one, site) if site is not None else []
    with database.writing() as conn:
        for point_id, found in worked:
            put(conn, point_id, found)
        volume_marks.done(conn, *span)
        if one.begun:
            is_done = one.to_ms >= now_ms - now_ms % HOUR_MS or site is None
            _go_on(conn, one.site_id, None if is_done else one.to_ms)


def _worked_out(
    database: Database, one: Due, site: tuple[Gateway, SitePlan]
) -> list[tuple[int, Worked]]:
    """Return what each counting point's hours of a span are, by the record as it is now."""
    with database.reading() as conn:
        contract = load_contract(conn)
        found = [
            (point.point_id, work_out(conn, point, (one.from_ms, one.to_ms), contract))
            for point in counted_points(conn, *site)
        ]
    return [(point_id, worked) for point_id, worked in found if worked is not None]


def _words(points: Sequence[Counted]) -> str:
    return "\n".join(
        f"{one.point_id} {basis(one.meter, restart_point(one.plan.site))}" for one in points
    )


def _first_hour(conn: Connection, site_id: int) -> int | None:
    hour = schema.comm_hour
    query = select(func.min(hour.c.hour_ms)).where(
        hour.c.site_id == site_id, hour.c.hour_ms >= kept_from(conn)
    )
    found = conn.execute(query).scalar()
    return None if found is None else int(found)


def _go_on(conn: Connection, site_id: int, next_ms: int | None) -> None:
    conn.execute(_basis.update().where(_basis.c.site_id == site_id).values(next_ms=next_ms))


def _cut_otherwise(conn: Connection, contract: Contract, now_ms: int) -> None:
    """Mark the hours that were cut by the beginning of a day, or are to be."""
    point = schema.point
    query = select(point.c.site_id, _hour.c.from_ms).join(point, point.c.id == _hour.c.point_id)
    cut = query.where(_hour.c.to_ms - _hour.c.from_ms < HOUR_MS)
    marks = {(int(site), int(at) - int(at) % HOUR_MS) for site, at in conn.execute(cut)}
    spans = select(point.c.site_id, func.min(_hour.c.from_ms)).join(
        point, point.c.id == _hour.c.point_id
    )
    for site_id, first in conn.execute(spans.group_by(point.c.site_id)):
        for hour_ms in range(int(first) - int(first) % HOUR_MS, now_ms, HOUR_MS):
            if len(days_touching(hour_ms, contract)) > 1:
                marks.add((int(site_id), hour_ms))
    first_ms = kept_from(conn)
    for site_id, hour_ms in sorted(marks):
        if hour_ms >= first_ms:
            mark_volumes(conn, site_id, (hour_ms,))
