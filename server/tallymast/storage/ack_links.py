"""Keeps links that acknowledge the alarms of one message: made, looked at, used once.

Looking never acts, as mail scanners open every link; the page asks, and a POST uses it. Kept is
the key's digest alone. An account that is closed and a contact that is retired end their links.
"""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, delete, insert, select, update

from tallymast.domain.telling.model import Contact, Message
from tallymast.storage import contacts, messages, schema
from tallymast.storage.people import digest, new_key

PURPOSE: Final = "ack"
PATH: Final = "/told"  # of the page that asks, and a slash and the key after it
WORKS_MS: Final = 24 * 3_600_000  # ours: a night and a day; later one looks at the pages anyway
KEPT_DAYS: Final = 30  # ours: so long after its end a link's page still says what became of it
_once, _account = schema.once, schema.account


@dataclass(frozen=True, slots=True)
class AckLink:
    """A link that acknowledges, as it stands.

    Attributes:
        message: whose alarms it acknowledges (``message.alarms``: keys, and which time).
        contact: to whom it was sent, and in whose name it acts.
        ends_ms: until when it works.
        used_ms: when it was used; None: it was not.
        is_barred: its contact is retired or its account closed.

    """

    message: Message
    contact: Contact
    ends_ms: int
    used_ms: int | None
    is_barred: bool

    def works(self, now_ms: int) -> bool:
        """Whether it can still be used."""
        return self.used_ms is None and now_ms < self.ends_ms and not self.is_barred


def make_ack_link(conn: Connection, message_id: int, now_ms: int) -> str:
    """Store a new link for a message and return its key, which is kept nowhere else.

    Each try of a message gets a link of its own; all of them work, each once.
    """
    key = new_key()
    row = {
        "hash": digest(key),
        "purpose": PURPOSE,
        "subject": str(message_id),
        "account_id": None,
        "ends_ms": now_ms + WORKS_MS,
    }
    conn.execute(insert(_once), row)
    return key


def forget_old(conn: Connection, now_ms: int) -> int:
    """Delete the links that ended long ago; return how many. They have told nothing since."""
    is_old = (_once.c.purpose == PURPOSE, _once.c.ends_ms < now_ms - KEPT_DAYS * 86_400_000)
    return conn.execute(delete(_once).where(*is_old)).rowcount


def ack_link(conn: Connection, key: str) -> AckLink | None:
    """Return what a link would acknowledge, without using it; None: there is none of this key.

    One that was used, has ended or is barred is returned too, so that a page can say so.
    """
    where = (_once.c.hash == digest(key), _once.c.purpose == PURPOSE)
    row = conn.execute(select(_once).where(*where)).one_or_none()
    message = messages.of_id(conn, int(row.subject)) if row else None
    contact = contacts.of_id(conn, message.contact_id) if message else None
    if row is None or message is None or contact is None:
        return None
    return AckLink(message, contact, row.ends_ms, row.used_ms, _is_barred(conn, contact))


def use_ack(conn: Connection, key: str, now_ms: int) -> AckLink | None:
    """Use a link up; return what it acknowledges, None if it does not work (any more).

    Of two at a time one does. What it acknowledges is stored by the caller, in the same
    transaction.
    """
    found = ack_link(conn, key)
    if found is None or not found.works(now_ms):
        return None
    where = (_once.c.hash == digest(key), _once.c.used_ms.is_(None))
    used = conn.execute(update(_once).where(*where).values(used_ms=now_ms)).rowcount
    return found if used else None


def _is_barred(conn: Connection, contact: Contact) -> bool:
    if contact.retired_ms is not None:
        return True
    if contact.account_id is None:
        return False
    query = select(_account.c.disabled_ms).where(_account.c.id == contact.account_id)
    row = conn.execute(query).one_or_none()
    return row is None or row.disabled_ms is not None
