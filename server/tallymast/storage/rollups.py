"""Keeps what an hour's polls add up to, replaced as a whole whenever the hour is redone."""

from collections.abc import Mapping, Sequence

from sqlalchemy import Connection, bindparam, delete, or_, select

from tallymast.domain.record.rollups import (
    HOUR_MS,
    CommHour,
    PointHour,
    answers_bytes,
    comm_hour,
    point_hours,
    quarters_bytes,
)
from tallymast.storage import schema
from tallymast.storage.changes import canonical, insert_many
from tallymast.storage.parts import Part

_FORGET = delete(schema.point_hour).where(  # made once: it runs for every hour of a site
    schema.point_hour.c.point_id.in_(
        select(schema.point.c.id).where(schema.point.c.site_id == bindparam("site"))
    ),
    schema.point_hour.c.hour_ms == bindparam("hour"),
)
_MAINTENANCE = select(schema.episode.c.from_ms, schema.episode.c.to_ms).where(
    schema.episode.c.site_id == bindparam("site"),
    schema.episode.c.kind == "maintenance",
    schema.episode.c.from_ms < bindparam("end"),
    or_(schema.episode.c.to_ms.is_(None), schema.episode.c.to_ms > bindparam("begin")),
)

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
    conn.execute(_FORGET, {"site": site_id, "hour": hour_ms})


def _maintenance_ms(conn: Connection, site_id: int, hour_ms: int) -> int:
    end_ms = hour_ms + HOUR_MS
    found = conn.execute(_MAINTENANCE, {"site": site_id, "begin": hour_ms, "end": end_ms})
    spans = sorted(
        (max(from_ms, hour_ms), min(to_ms or end_ms, end_ms)) for from_ms, to_ms in found
    )
    total, reached = 0, hour_ms
    for start, end in spans:  # two may overlap
        total += max(0, end - max(start, reached))
        reached = max(reached, end)
    return total
