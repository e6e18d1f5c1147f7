"""Keeps who is told of alarms; who is told no more stays, for the messages that name him."""

import json
from typing import Any, Final

from sqlalchemy import Connection, Row, insert, select, update

from tallymast.domain.model import Priority
from tallymast.domain.telling.model import Contact, Delivery, Digest, Way
from tallymast.storage import schema, setting
from tallymast.storage.changes import canonical, log_change

_table, _message = schema.contact, schema.message
_SECRETS: Final = "telling.secrets"  # since when each webhook's secret is stored, by number


def add(conn: Connection, contact: Contact, at_ms: int) -> Contact:
    """Store a new contact and return it with its number; its ``id`` and times are ours."""
    row = {**_row(contact), "made_ms": at_ms}
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    if contact.secret:
        _note_secret(conn, number, contact.secret, at_ms)
    log_change(conn, at_ms, "contact", str(number))
    found = of_id(conn, number)
    assert found is not None
    return found


def change(conn: Connection, contact: Contact, at_ms: int) -> bool:
    """Store a contact anew by its ``id``; return whether it was in use."""
    where = (_table.c.id == contact.id, _table.c.retired_ms.is_(None))
    query = select(_table.c.secret).where(*where).with_for_update()
    before = conn.execute(query).scalar()
    if before is None:
        return False
    conn.execute(update(_table).where(*where).values(**_row(contact)))
    if contact.secret != before:
        _note_secret(conn, contact.id, contact.secret, at_ms)
    log_change(conn, at_ms, "contact", str(contact.id))
    return True


def retire(conn: Connection, contact_id: int, at_ms: int) -> bool:
    """Tell a contact nothing more, and give up what waits for it; return whether it was in use.

    Its secret is forgotten.
    """
    where = (_table.c.id == contact_id, _table.c.retired_ms.is_(None))
    gone = {"retired_ms": at_ms, "secret": ""}
    changed = conn.execute(update(_table).where(*where).values(**gone)).rowcount
    _note_secret(conn, contact_id, "", at_ms)
    waits = (_message.c.contact_id == contact_id, _message.c.state == Delivery.WAITING.value)
    given_up = {"state": Delivery.GIVEN_UP.value, "done_ms": at_ms}
    conn.execute(update(_message).where(*waits).values(**given_up))
    log_change(conn, at_ms, "contact", str(contact_id))
    return changed > 0


def in_use(conn: Connection) -> tuple[Contact, ...]:
    """Return every contact that is told of alarms, the first level first, then by name."""
    query = select(_table).where(_table.c.retired_ms.is_(None))
    rows = conn.execute(query.order_by(_table.c.level, _table.c.name, _table.c.id))
    return tuple(_contact(row) for row in rows)


def every(conn: Connection) -> dict[int, Contact]:
    """Return every contact by number, retired ones too: for names beside old messages."""
    return {row.id: _contact(row) for row in conn.execute(select(_table))}


def of_id(conn: Connection, contact_id: int) -> Contact | None:
    """Return a contact, a retired one too; None where there was never one of this number."""
    row = conn.execute(select(_table).where(_table.c.id == contact_id)).one_or_none()
    return _contact(row) if row else None


def secrets_since(conn: Connection) -> dict[int, int]:
    """Return by contact since when the secret that is stored for it is there, where known."""
    told = json.loads(setting.load(conn, _SECRETS) or "{}")
    return {int(number): at_ms for number, at_ms in told.items()}


def _note_secret(conn: Connection, number: int, secret: str, at_ms: int) -> None:
    """Remember since when a contact's secret is stored, apart from it."""
    since = {str(one): ms for one, ms in secrets_since(conn).items() if one != number}
    if secret:
        since[str(number)] = at_ms
    setting.keep(conn, _SECRETS, canonical(since))


def _row(one: Contact) -> dict[str, Any]:
    return {
        "name": one.name,
        "way": one.way.value,
        "address": one.address,
        "secret": one.secret,
        "priorities": canonical([priority.value for priority in one.priorities]),
        "areas": canonical(list(one.areas)),
        "level": one.level,
        "digest": int(one.digest),
        "account_id": one.account_id,
    }


def _contact(row: Row[Any]) -> Contact:
    return Contact(
        row.id,
        row.name,
        Way(row.way),
        row.address,
        row.secret,
        tuple(Priority(one) for one in json.loads(row.priorities)),
        tuple(json.loads(row.areas)),
        row.level,
        Digest(row.digest),
        row.account_id,
        row.made_ms,
        row.retired_ms,
    )
