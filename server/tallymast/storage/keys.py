"""Finds what keys and tags stand for, and which have a history that must not be taken over."""

from sqlalchemy import Connection, select

from tallymast.storage import schema


def has_history(conn: Connection, key: str) -> bool:
    """Return whether a site of this key, in use or not, ever answered."""
    site, state = schema.site, schema.site_state
    query = (
        select(state.c.site_id)
        .join(site, site.c.id == state.c.site_id)
        .where(site.c.key == key, state.c.last_answer_ms.is_not(None))
    )
    return conn.execute(query).first() is not None


def changed_last(conn: Connection) -> tuple[str, int] | None:
    """Return who changed the network last, and when; None where nobody did."""
    table = schema.revision
    query = select(table.c.actor, table.c.at_ms).order_by(table.c.id.desc()).limit(1)
    row = conn.execute(query).one_or_none()
    return None if row is None else (row.actor, row.at_ms)


def point_id(conn: Connection, site_id: int, tag: str) -> int | None:
    """Return the lasting number of a site's point, under which its history is kept; or None."""
    point = schema.point
    query = select(point.c.id).where(point.c.site_id == site_id, point.c.tag == tag)
    return conn.execute(query).scalar()
