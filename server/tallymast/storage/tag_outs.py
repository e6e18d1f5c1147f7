"""Keeps do-not-operate tags: who hung each, why, and who took it off. They are not a lock-out."""

from typing import Any

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    Exists,
    Row,
    Select,
    cast,
    insert,
    or_,
    select,
    update,
)

from tallymast.domain.orders.model import TagOut
from tallymast.storage import schema
from tallymast.storage.changes import log_change

_table = schema.tag_out


def hang(
    conn: Connection,
    site_id: int,
    *,
    point_id: int | None,
    actor: str,
    account_id: int | None,
    at_ms: int,
    reason: str,
) -> TagOut:
    """Hang a tag on an output, or on a whole site (``point_id`` None), and return it.

    From the caller's commit on no order to it can be claimed.
    """
    row = {
        "site_id": site_id,
        "point_id": point_id,
        "actor": actor,
        "account_id": account_id,
        "at_ms": at_ms,
        "reason": reason,
        "removed_by": "",
        "note": "",
    }
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, at_ms, "tag-out", str(number))
    return _tag(conn.execute(_found().where(_table.c.id == number)).one())


def remove(conn: Connection, tag_id: int, by: str, note: str, at_ms: int) -> bool:
    """Take a tag off; return whether it was still hanging."""
    hangs = (_table.c.id == tag_id, _table.c.removed_ms.is_(None))
    values = {"removed_ms": at_ms, "removed_by": by, "note": note}
    removed = conn.execute(update(_table).where(*hangs).values(**values)).rowcount > 0
    if removed:
        log_change(conn, at_ms, "tag-out", str(tag_id))
    return removed


def tag_out(conn: Connection, tag_id: int) -> TagOut | None:
    """Return a tag, hanging or not, or None where there was never one of this number."""
    row = conn.execute(_found().where(_table.c.id == tag_id)).one_or_none()
    return _tag(row) if row else None


def hanging(conn: Connection, site_id: int | None = None) -> tuple[TagOut, ...]:
    """Return the tags that hang, of one site or everywhere, oldest first."""
    query = _found().where(_table.c.removed_ms.is_(None))
    if site_id is not None:
        query = query.where(_table.c.site_id == site_id)
    return tuple(_tag(row) for row in conn.execute(query.order_by(_table.c.id)))


def history(conn: Connection, site_id: int, limit: int) -> tuple[TagOut, ...]:
    """Return a site's tags, those taken off too, newest first."""
    query = _found().where(_table.c.site_id == site_id)
    return tuple(_tag(row) for row in conn.execute(query.order_by(_table.c.id.desc()).limit(limit)))


def hangs_on(site_id: ColumnElement[Any], point_id: ColumnElement[Any]) -> Exists:
    """Return the condition that a tag hangs on an output, or on its whole site."""
    hung = _table.alias()
    return (
        select(cast(1, BigInteger))
        .where(
            hung.c.site_id == site_id,
            or_(hung.c.point_id.is_(None), hung.c.point_id == point_id),
            hung.c.removed_ms.is_(None),
        )
        .exists()
    )


def _found() -> Select[Any]:
    point = schema.point
    joined = _table.outerjoin(point, point.c.id == _table.c.point_id)
    return select(_table, point.c.tag).select_from(joined)


def _tag(row: Row[Any]) -> TagOut:
    return TagOut(
        id=row.id,
        site_id=row.site_id,
        point_id=row.point_id,
        tag=row.tag or "",
        actor=row.actor,
        account_id=row.account_id,
        at_ms=row.at_ms,
        reason=row.reason,
        removed_ms=row.removed_ms,
        removed_by=row.removed_by,
        note=row.note,
    )
