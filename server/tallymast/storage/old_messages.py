"""Gives up what people were told long ago: messages with their tries, and links that have ended.

A message stays as long as it is still to be delivered, or an alarm it tells of stands since then or
is not acknowledged; the newest one always stays, so that no number is ever given twice. The log
of tries refuses every change; for old rows alone that guard is lifted, inside the transaction that
deletes them, and what follows or fails finds it in its place again.
"""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

from sqlalchemy import Connection, delete, func, select, text

from tallymast.domain.alarms.model import AlarmState
from tallymast.domain.telling.model import Delivery
from tallymast.domain.telling.settings import KEPT_DAYS
from tallymast.storage import ack_links, schema
from tallymast.storage.engine import Database

DAY_MS: Final = 86_400_000
_SLICE: Final = 100  # messages under one lock; ours: a few milliseconds
_message, _try = schema.message, schema.message_try
_GUARD: Final = "message_try_only_grows"

_Time = tuple[str, int | None]  # an alarm's key, and when it was raised


def forget(database: Database, now_ms: int, *, stop: Callable[[], bool] = lambda: False) -> int:
    """Delete the messages of whole UTC days that are old enough; return how many.

    Cut short, the rest goes the next time.

    Args:
        database: where they are kept.
        now_ms: the instant, UTC milliseconds.
        stop: whether to end after the slice in hand.

    Raises:
        StorageError: the database refused; what is deleted stays deleted.

    """
    cutoff_ms = now_ms // DAY_MS * DAY_MS - KEPT_DAYS * DAY_MS
    with database.writing() as conn:
        ack_links.forget_old(conn, now_ms)
    gone, after_id = 0, 0
    while not stop():
        with database.reading() as conn:
            found = _old(conn, cutoff_ms, after_id)
        if not found:
            break
        with database.writing() as conn:
            gone += _forget(conn, found)
        after_id = max(found)
    return gone


def _old(conn: Connection, cutoff_ms: int, after_id: int) -> dict[int, frozenset[_Time]]:
    """Return a slice of the old messages that wait no more, with what they tell of."""
    newest = select(func.max(_message.c.id)).scalar_subquery()
    query = select(_message.c.id, _message.c.alarms).where(
        _message.c.made_ms < cutoff_ms,
        _message.c.state != Delivery.WAITING.value,
        _message.c.id > after_id,
        _message.c.id < newest,
    )
    rows = conn.execute(query.order_by(_message.c.id).limit(_SLICE))
    return {row.id: frozenset((key, at) for key, at in json.loads(row.alarms)) for row in rows}


def _forget(conn: Connection, found: dict[int, frozenset[_Time]]) -> int:
    standing = _standing(conn)
    numbers = [number for number, times in found.items() if times.isdisjoint(standing)]
    if not numbers:
        return 0
    with _unguarded(conn):
        conn.execute(delete(_try).where(_try.c.message_id.in_(numbers)))
    conn.execute(delete(_message).where(_message.c.id.in_(numbers)))
    return len(numbers)


def _standing(conn: Connection) -> frozenset[_Time]:
    """Return which alarms stand or are to be acknowledged, and since when each."""
    alarm, state = schema.alarm, schema.alarm_state
    joined = state.join(alarm, alarm.c.id == state.c.alarm_id)
    query = select(alarm.c.key, state.c.raised_ms).select_from(joined)
    rows = conn.execute(query.where(state.c.state != AlarmState.NORMAL.value))
    return frozenset((row.key, row.raised_ms) for row in rows)


@contextmanager
def _unguarded(conn: Connection) -> Iterator[None]:
    """Let rows of the log be deleted for a block; a transaction that fails never lifted it."""
    if conn.dialect.name != "sqlite":
        conn.execute(text(f"ALTER TABLE message_try DISABLE TRIGGER {_GUARD}"))
        yield
        conn.execute(text(f"ALTER TABLE message_try ENABLE TRIGGER {_GUARD}"))
        return
    name = f"{_GUARD}_delete"
    query = text("SELECT sql FROM sqlite_schema WHERE type = 'trigger' AND name = :name")
    guard = conn.execute(query, {"name": name}).scalar_one()
    conn.execute(text(f"DROP TRIGGER {name}"))
    yield
    conn.exec_driver_sql(guard)
