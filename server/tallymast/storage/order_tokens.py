"""Keeps the one-time tokens by which a confirm page's button is pressed; only their digests.

A token stands for one poll's page: account, site, output and what is wanted. A page that is
shown anew gets another token and the older one stops working, so that however many copies of a
page are open, one of them orders, once.
"""

from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, delete, insert, select, update

from tallymast.storage import schema
from tallymast.storage.people import digest, new_key

PURPOSE: Final = "order"
_KEPT_MS: Final = 86_400_000

_once = schema.once


@dataclass(frozen=True, slots=True)
class OrderToken:
    """A token as it is kept; ``subject`` says what it orders."""

    hash: str
    subject: str
    account_id: int | None
    ends_ms: int
    used_ms: int | None


def give(
    conn: Connection, subject: str, *, account_id: int | None, at_ms: int, ends_ms: int
) -> str:
    """Return a new token; unused ones of the same subject stop working.

    Args:
        conn: in a writing transaction.
        subject: what pressing the button orders, in full; the same page has the same.
        account_id: whose page it is; None while there are no accounts.
        at_ms: now.
        ends_ms: from then on it does not work.

    """
    old = (_once.c.purpose == PURPOSE, _once.c.ends_ms < at_ms - _KEPT_MS)
    conn.execute(delete(_once).where(*old))
    same = (*_of(subject, account_id), _once.c.used_ms.is_(None))
    conn.execute(delete(_once).where(*same))
    key = new_key()
    row = {
        "hash": digest(key),
        "purpose": PURPOSE,
        "subject": subject,
        "account_id": account_id,
        "ends_ms": ends_ms,
    }
    conn.execute(insert(_once), row)
    return key


def used(conn: Connection, subject: str, account_id: int | None) -> str | None:
    """Return the digest of a used token of this subject, None where none was used."""
    where = (*_of(subject, account_id), _once.c.used_ms.is_not(None))
    return conn.execute(select(_once.c.hash).where(*where).limit(1)).scalar_one_or_none()


def token(conn: Connection, key: str) -> OrderToken | None:
    """Return what is kept of a token, used or not; None where there is none."""
    where = (_once.c.hash == digest(key), _once.c.purpose == PURPOSE)
    row = conn.execute(select(_once).where(*where)).one_or_none()
    if row is None:
        return None
    return OrderToken(row.hash, row.subject, row.account_id, row.ends_ms, row.used_ms)


def use(conn: Connection, key: str, at_ms: int) -> bool:
    """Use a token up; return whether it worked: of two presses at a time one does."""
    where = (
        _once.c.hash == digest(key),
        _once.c.purpose == PURPOSE,
        _once.c.used_ms.is_(None),
        _once.c.ends_ms > at_ms,
    )
    return conn.execute(update(_once).where(*where).values(used_ms=at_ms)).rowcount > 0


def _of(subject: str, account_id: int | None) -> tuple[Any, ...]:
    return (
        _once.c.purpose == PURPOSE,
        _once.c.subject == subject,
        _once.c.account_id.is_not_distinct_from(account_id),
    )
