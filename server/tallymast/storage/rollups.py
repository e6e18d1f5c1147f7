"""Keeps what an hour's polls add up to, replaced as a whole whenever the hour is redone."""

from collections.abc import Mapping, Sequence

from sqlalchemy import Connection, delete, select

from tallymast.domain.record.rollups import (
    HOUR_MS,
    CommHour,
    PointHour,
    answers_bytes,
    comm_hour,
    point_hours,
    quarters_bytes,
)
from tallymast.storage import episodes, schema
from tallymast.storage.changes import canonical, insert_many
from tallymast.storage.parts import Part

HourRollup = tuple[CommHour, Mapping[int, Sequence[PointHour]]]  # points by layout


def roll_up(parts: Sequence[Part], hour_ms: int) -> HourRollup:
    """Return what an hour adds up to, from all its polls, one part a layout."""
    points = {part.layout.id: point_hours(part.columns, part.layout, hour_ms) for part in parts}
    return comm_hour([part.columns for part in parts], hour_ms), points


def put_rollup(conn: Connection, site_id: int, hour_ms: int, rollup: HourRollup) -> None:
    """Store an hour's rollups in place of what was there."""
    comm, points = rollup
    maintenance_ms = _maintenance_ms(conn, site_id, hour_ms)
    insert_many(conn, schema.comm_hour, [_comm_row(site_id, hour_ms, comm, maintenance_ms)])
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
) -> tuple[int | bytes | str, ...]:
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
    )


def _forget_points(conn: Connection, site_id: int, hour_ms: int) -> None:
    point, hour = schema.point, schema.point_hour
    mine = select(point.c.id).where(point.c.site_id == site_id)
    conn.execute(delete(hour).where(hour.c.point_id.in_(mine), hour.c.hour_ms == hour_ms))


def _maintenance_ms(conn: Connection, site_id: int, hour_ms: int) -> int:
    end_ms = hour_ms + HOUR_MS
    spans = sorted(
        (max(one.from_ms, hour_ms), min(one.to_ms or end_ms, end_ms))
        for one in episodes.between(conn, hour_ms, end_ms, site_id=site_id, kind="maintenance")
    )
    total, reached = 0, hour_ms
    for start, end in spans:  # two may overlap
        total += max(0, end - max(start, reached))
        reached = max(reached, end)
    return total
