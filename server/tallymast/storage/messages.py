"""Keeps what people were told: messages, where each of them is, and the log of their tries.

A message is stored before anything is sent. Its row moves from waiting to handed or given up;
the log of tries only grows, until old messages go with theirs (old_messages.py).
"""

import json
from collections.abc import Collection, Sequence
from typing import Any, Final

from sqlalchemy import Connection, Row, func, insert, select, update

from tallymast.domain.alarms.model import Event
from tallymast.domain.model import Priority
from tallymast.domain.telling.model import (
    Delivery,
    Message,
    MessageKind,
    NewMessage,
    Occurrence,
    Try,
    TryOutcome,
)
from tallymast.storage import schema
from tallymast.storage.changes import canonical, log_change

_ENDING: Final = tuple(one.value for one in (Event.ACKNOWLEDGED, Event.UNSHELVED, Event.IN_SERVICE))
_message, _try, _contact = schema.message, schema.message_try, schema.contact


def store(conn: Connection, new: Sequence[NewMessage], at_ms: int) -> tuple[Message, ...]:
    """Store new messages, each to be sent at once; return them with their numbers."""
    stored = []
    for one in new:
        row = {
            "contact_id": one.contact_id,
            "kind": one.kind.value,
            "priority": one.priority.value,
            "subject": one.subject,
            "body": one.body,
            "alarms": canonical([list(time) for time in one.alarms]),
            "made_ms": one.made_ms,
            "state": Delivery.WAITING.value,
            "tries": 0,
            "due_ms": at_ms,
        }
        made = conn.execute(insert(_message).returning(_message), row).one()
        stored.append(_read(made))
    if stored:
        log_change(conn, at_ms, "message", str(stored[-1].id))
    return tuple(stored)


def waiting(conn: Connection, now_ms: int | None = None) -> tuple[Message, ...]:
    """Return the messages to contacts in use that wait, the oldest first.

    Args:
        conn: a reading connection.
        now_ms: only those whose next try is due by then; None: all.

    """
    joined = _message.join(_contact, _contact.c.id == _message.c.contact_id)
    query = select(_message).select_from(joined).where(_contact.c.retired_ms.is_(None))
    query = query.where(_message.c.state == Delivery.WAITING.value)
    if now_ms is not None:
        query = query.where(_message.c.due_ms <= now_ms)
    return tuple(_read(row) for row in conn.execute(query.order_by(_message.c.id)))


def tried(conn: Connection, one: Try, state: Delivery, due_ms: int) -> bool:
    """Add a try to the log and move its message on.

    Args:
        conn: a writing connection.
        one: the try; its ``n`` is the message's number of tries with it.
        state: where the message is after it.
        due_ms: when the next try is, while it waits.

    Returns:
        Whether it waited for this try; if not, nothing is stored.

    """
    where = (
        _message.c.id == one.message_id,
        _message.c.state == Delivery.WAITING.value,
        _message.c.tries == one.n - 1,
    )
    done_ms = None if state is Delivery.WAITING else one.at_ms
    moved = {"state": state.value, "tries": one.n, "due_ms": due_ms, "done_ms": done_ms}
    if conn.execute(update(_message).where(*where).values(**moved)).rowcount == 0:
        return False
    row = {
        "message_id": one.message_id,
        "n": one.n,
        "at_ms": one.at_ms,
        "outcome": one.outcome.value,
        "said": one.said,
    }
    conn.execute(insert(_try), row)
    log_change(conn, one.at_ms, "message", str(one.message_id))
    return True


def of_id(conn: Connection, message_id: int) -> Message | None:
    """Return a message, None where there was never one of this number."""
    row = conn.execute(select(_message).where(_message.c.id == message_id)).one_or_none()
    return _read(row) if row else None


def log(
    conn: Connection,
    *,
    before_id: int | None = None,
    contact_id: int | None = None,
    state: Delivery | None = None,
    limit: int = 100,
) -> tuple[Message, ...]:
    """Return messages, the newest first, a page of them.

    Args:
        conn: a reading connection.
        before_id: only those stored before this one; None: from the newest on.
        contact_id: only those to this contact.
        state: only those that are there.
        limit: how many at most.

    """
    query = select(_message)
    if before_id is not None:
        query = query.where(_message.c.id < before_id)
    if contact_id is not None:
        query = query.where(_message.c.contact_id == contact_id)
    if state is not None:
        query = query.where(_message.c.state == state.value)
    rows = conn.execute(query.order_by(_message.c.id.desc()).limit(limit))
    return tuple(_read(row) for row in rows)


def tries(conn: Connection, message_ids: Collection[int]) -> dict[int, tuple[Try, ...]]:
    """Return the log of these messages' tries by message, the first try first."""
    query = select(_try).where(_try.c.message_id.in_(message_ids))
    found: dict[int, tuple[Try, ...]] = {}
    for row in conn.execute(query.order_by(_try.c.message_id, _try.c.n)):
        found[row.message_id] = (*found.get(row.message_id, ()), _a_try(row))
    return found


def of_alarm(conn: Connection, key: str, from_ms: int = 0, limit: int = 50) -> tuple[Message, ...]:
    """Return the messages that tell of an alarm, the newest first.

    Args:
        conn: a reading connection.
        key: the alarm's.
        from_ms: only those written since.
        limit: how many at most.

    """
    # LIKE tells HIGH from high in one dialect and not in the other; taking a text out does in both.
    without = func.replace(_message.c.alarms, f"[{canonical(key)},", "")
    query = select(_message).where(without != _message.c.alarms, _message.c.made_ms >= from_ms)
    rows = conn.execute(query.order_by(_message.c.id.desc()).limit(limit))
    return tuple(_read(row) for row in rows)


def told_since(conn: Connection, from_ms: int) -> tuple[Message, ...]:
    """Return every message written since an instant, the oldest first."""
    query = select(_message).where(_message.c.made_ms >= from_ms)
    return tuple(_read(row) for row in conn.execute(query.order_by(_message.c.id)))


def acks_since(conn: Connection, from_ms: int) -> dict[str, int]:
    """Return by alarm when somebody last ended its call since an instant [UTC ms], by the journal.

    That is: acknowledged it, took it off the shelf or put it back in service.
    """
    alarm, journal = schema.alarm, schema.alarm_journal
    joined = journal.join(alarm, alarm.c.id == journal.c.alarm_id)
    query = select(alarm.c.key, func.max(journal.c.at_ms).label("at_ms")).select_from(joined)
    query = query.where(journal.c.at_ms >= from_ms, journal.c.event.in_(_ENDING))
    return {row.key: row.at_ms for row in conn.execute(query.group_by(alarm.c.key))}


def last_tries(conn: Connection) -> dict[int, Try]:
    """Return by contact in use the newest try of the newest message to it that was tried."""
    newest = (
        select(func.max(_message.c.id))
        .join(_contact, _contact.c.id == _message.c.contact_id)
        .where(_message.c.tries > 0, _contact.c.retired_ms.is_(None))
        .group_by(_message.c.contact_id)
    )
    joined = _try.join(_message, _message.c.id == _try.c.message_id)
    query = select(_message.c.contact_id, _try).select_from(joined)
    query = query.where(_message.c.id.in_(newest), _try.c.n == _message.c.tries)
    return {row.contact_id: _a_try(row) for row in conn.execute(query)}


def _read(row: Row[Any]) -> Message:
    return Message(
        contact_id=row.contact_id,
        kind=MessageKind(row.kind),
        priority=Priority(row.priority),
        subject=row.subject,
        body=row.body,
        alarms=tuple(Occurrence(key, at_ms) for key, at_ms in json.loads(row.alarms)),
        made_ms=row.made_ms,
        id=row.id,
        state=Delivery(row.state),
        tries=row.tries,
        due_ms=row.due_ms,
        done_ms=row.done_ms,
    )


def _a_try(row: Row[Any]) -> Try:
    return Try(row.message_id, row.n, row.at_ms, TryOutcome(row.outcome), row.said)
