"""Adds up how long somebody worked at a site."""

from typing import Final

from sqlalchemy import Connection, bindparam, or_, select

from tallymast.storage import schema

_MAINTENANCE: Final = select(schema.episode.c.from_ms, schema.episode.c.to_ms).where(
    schema.episode.c.site_id == bindparam("site"),
    schema.episode.c.kind == "maintenance",
    schema.episode.c.from_ms < bindparam("end"),
    or_(schema.episode.c.to_ms.is_(None), schema.episode.c.to_ms > bindparam("begin")),
)


def maintenance_ms(conn: Connection, site_id: int, begin_ms: int, end_ms: int) -> int:
    """Return how much of ``begin_ms <= t < end_ms`` a site was in maintenance [ms]."""
    found = conn.execute(_MAINTENANCE, {"site": site_id, "begin": begin_ms, "end": end_ms})
    spans = sorted(
        (max(from_ms, begin_ms), min(to_ms or end_ms, end_ms)) for from_ms, to_ms in found
    )
    total, reached = 0, begin_ms
    for start, end in spans:  # two may overlap
        total += max(0, end - max(start, reached))
        reached = max(reached, end)
    return total
