"""Keeps what an hour's polls add up to, replaced as a whole whenever the hour is redone."""

from collections.abc import Mapping, Sequence

from sqlalchemy import Connection, bindparam, delete, select

from tallymast.domain.record.days import Contract
from tallymast.domain.record.rollups import (
    HOUR_MS,
    CommHour,
    PointHour,
    answers_bytes,
    comm_hour,
    point_hours,
    quarters_bytes,
)
from tallymast.domain.record.runs import runs_bytes
from tallymast.storage import schema
from tallymast.storage.changes import canonical, insert_many
from tallymast.storage.days import mark_days
from tallymast.storage.maintenance import maintenance_ms
from tallymast.storage.parts import Part
from tallymast.storage.point_hours import mark_pack
from tallymast.storage.volume_marks import counts, mark_volumes

_FORGET = delete(schema.point_hour).where(  # made once: it runs for every hour of a site
    schema.point_hour.c.point_id.in_(
        select(schema.point.c.id).where(schema.point.c.site_id == bindparam("site"))
    ),
    schema.point_hour.c.hour_ms == bindparam("hour"),
)
HourRollup = tuple[CommHour, Mapping[int, Sequence[PointHour]]]  # points by layout


def roll_up(parts: Sequence[Part], hour_ms: int) -> HourRollup:
    """Return what an hour adds up to, from all its polls, one part a layout."""
    points = {part.layout.id: point_hours(part.columns, part.layout, hour_ms) for part in parts}
    return comm_hour([part.columns for part in parts], hour_ms), points


def put_rollup(
    conn: Connection, site_id: int, hour_ms: int, rollup: HourRollup, contract: Contract
) -> None:
    """Store an hour's rollups in place of what was there, and mark its contract day."""
    comm, points = rollup
    worked_ms = maintenance_ms(conn, site_id, hour_ms, hour_ms + HOUR_MS)
    insert_many(conn, schema.comm_hour, [_comm_row(site_id, hour_ms, comm, worked_ms)])
    mark_days(conn, site_id, (hour_ms,), contract)
    mark_pack(conn, site_id, (hour_ms,))
    if counts(conn, site_id):
        mark_volumes(conn, site_id, (hour_ms,))
    _forget_points(conn, site_id, hour_ms)
    rows = [
        (
            hour.point_id,
            hour_ms,
            layout_id,
            hour.n,
            hour.total,
            hour.least,
            hour.most,
            hour.first,
            hour.last,
            hour.changes,
            hour.on_ms,
        )
        for layout_id, hours in points.items()
        for hour in hours
    ]
    if rows:
        insert_many(conn, schema.point_hour, rows)


def _comm_row(
    site_id: int, hour_ms: int, comm: CommHour, maintenance_ms: int
) -> tuple[int | bytes | str | None, ...]:
    counts = comm.counts
    return (
        site_id,
        hour_ms,
        counts.asked,
        counts.first_try,
        counts.retried,
        counts.no_answer,
        counts.garbled,
        counts.refused,
        counts.gateway_lost,
        maintenance_ms,
        quarters_bytes(comm.quarters),
        answers_bytes(comm.answers),
        canonical({str(code): n for code, n in comm.codes.items()}),
        None if comm.runs is None else runs_bytes(comm.runs, hour_ms),
    )


def _forget_points(conn: Connection, site_id: int, hour_ms: int) -> None:
    conn.execute(_FORGET, {"site": site_id, "hour": hour_ms})
