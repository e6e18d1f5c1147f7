"""Tells since when a point is read in another way than it was proven."""

from sqlalchemy import Connection, select

from tallymast.domain.commissioning.steps import Meaning, meaning_in
from tallymast.storage import schema
from tallymast.storage.layouts import load_layouts


def other_since(
    conn: Connection, site_id: int, tag: str, then: Meaning, after_ms: int
) -> int | None:
    """Return when a point was first read in another way, after it was proven [UTC ms].

    Args:
        conn: a reading connection.
        site_id: whose point.
        tag: which.
        then: how it was read when it was proven.
        after_ms: when that was.

    Returns:
        None where no layout made since then tells: an older one came back into use.

    """
    table = schema.layout
    query = select(table.c.id, table.c.from_ms).where(
        table.c.site_id == site_id, table.c.from_ms >= after_ms
    )
    made: dict[int, int] = {row.id: row.from_ms for row in conn.execute(query)}
    known = load_layouts(conn, made)
    for number in sorted(made, key=lambda one: (made[one], one)):
        for point in known[number].points:
            if point.tag == tag and meaning_in(known[number], point).digest != then.digest:
                return made[number]
    return None
