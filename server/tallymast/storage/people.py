"""Keeps accounts, their sessions, tokens and one-time links; never a password or a key itself.

What a browser or a script holds is 256 random bits; kept here is their SHA-256 digest, from
which they cannot be found again.
"""

import hashlib
import secrets
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, and_, delete, func, insert, select, update

from tallymast.domain.people import Role
from tallymast.storage import schema
from tallymast.storage.changes import log_change

_account, _session, _token, _once = schema.account, schema.session, schema.token, schema.once
_LINKS_KEPT_MS = 30 * 86_400_000
PASSWORD_LINK_MS = 48 * 3_600_000  # ours: how long a link to choose a password works


@dataclass(frozen=True, slots=True)
class Account:
    """A person's account; without a password until its person has chosen one."""

    id: int
    name: str
    role: Role
    password_hash: str | None
    created_ms: int
    disabled_ms: int | None

    @property
    def is_open(self) -> bool:
        """Whether its person may sign in."""
        return self.disabled_ms is None


@dataclass(frozen=True, slots=True)
class Session:
    """A browser that is signed in; ``hash`` is the digest of what it holds."""

    hash: str
    account_id: int
    made_ms: int
    seen_ms: int
    ends_ms: int
    reauth_ms: int
    address: str


@dataclass(frozen=True, slots=True)
class Token:
    """What a script shows instead of a password; ``account_id`` None: made at the machine."""

    id: int
    hash: str
    name: str
    role: Role
    account_id: int | None
    made_ms: int
    ends_ms: int
    revoked_ms: int | None


@dataclass(frozen=True, slots=True)
class Link:
    """A one-time link that still works."""

    purpose: str
    subject: str
    account_id: int | None
    ends_ms: int


def new_key() -> str:
    """Return 256 random bits to hand out, as text for URLs and cookies.

    Source: OWASP ASVS 5.0.0, 7.2.3 (at least 128 bits from a secure generator).
    """
    return secrets.token_urlsafe(32)


def digest(key: str) -> str:
    """Return how a handed-out key is kept."""
    return hashlib.sha256(key.encode()).hexdigest()


# --- accounts -------------------------------------------------------------------------


def add_account(
    conn: Connection, name: str, role: Role, *, at_ms: int, password_hash: str | None = None
) -> Account:
    """Store a new account; its name must be free."""
    row = {"name": name, "role": role, "password_hash": password_hash, "created_ms": at_ms}
    number = int(conn.execute(insert(_account).returning(_account.c.id), row).scalar_one())
    _changed(conn, at_ms, name)
    return Account(number, name, role, password_hash, at_ms, None)


def accounts(conn: Connection) -> list[Account]:
    """Return every account, by name."""
    return [_an_account(row) for row in conn.execute(select(_account).order_by(_account.c.name))]


def account(conn: Connection, name: str) -> Account | None:
    """Return the account of a name (as kept), None if there is none."""
    row = conn.execute(select(_account).where(_account.c.name == name)).one_or_none()
    return _an_account(row) if row else None


def set_role(conn: Connection, account_id: int, role: Role, *, at_ms: int) -> None:
    """Give an account another role."""
    conn.execute(update(_account).where(_account.c.id == account_id).values(role=role))
    _changed(conn, at_ms, str(account_id))


def set_password(conn: Connection, account_id: int, password_hash: str, *, at_ms: int) -> None:
    """Keep a new password's hash."""
    where = _account.c.id == account_id
    conn.execute(update(_account).where(where).values(password_hash=password_hash))
    _changed(conn, at_ms, str(account_id))


def set_open(conn: Connection, account_id: int, is_open: bool, *, at_ms: int) -> None:
    """Open or close an account; closing ends its sessions and its unused links."""
    disabled = None if is_open else at_ms
    conn.execute(update(_account).where(_account.c.id == account_id).values(disabled_ms=disabled))
    if not is_open:
        end_sessions(conn, account_id, at_ms=at_ms)
        _spoil_links(conn, account_id, at_ms)
    _changed(conn, at_ms, str(account_id))


def other_supervisors(conn: Connection, account_id: int) -> int:
    """Return how many open supervisors' accounts with a password there are besides this one."""
    query = select(func.count()).where(
        _account.c.role == Role.SUPERVISOR,
        _account.c.id != account_id,
        _account.c.disabled_ms.is_(None),
        _account.c.password_hash.is_not(None),
    )
    return int(conn.execute(query).scalar_one())


# --- sessions -------------------------------------------------------------------------


def begin_session(
    conn: Connection, account_id: int, key: str, *, at_ms: int, ends_ms: int, address: str
) -> None:
    """Store that a browser holding ``key`` is signed in; sessions that are over go."""
    conn.execute(delete(_session).where(_session.c.ends_ms <= at_ms))
    row = {
        "hash": digest(key),
        "account_id": account_id,
        "made_ms": at_ms,
        "seen_ms": at_ms,
        "ends_ms": ends_ms,
        "reauth_ms": at_ms,
        "address": address,
    }
    conn.execute(insert(_session), row)
    _changed(conn, at_ms, str(account_id))


def sessions(conn: Connection) -> list[Session]:
    """Return every stored session, the latest seen first."""
    rows = conn.execute(select(_session).order_by(_session.c.seen_ms.desc(), _session.c.hash))
    return [Session(*row) for row in rows]


def see_session(conn: Connection, session_hash: str, at_ms: int) -> None:
    """Note that a session was just used."""
    where = _session.c.hash == session_hash
    conn.execute(update(_session).where(where).values(seen_ms=at_ms))
    _changed(conn, at_ms, "session")


def confirm_session(conn: Connection, session_hash: str, at_ms: int) -> None:
    """Note that the password was just given again."""
    where = _session.c.hash == session_hash
    conn.execute(update(_session).where(where).values(seen_ms=at_ms, reauth_ms=at_ms))
    _changed(conn, at_ms, "session")


def end_session(conn: Connection, session_hash: str, *, at_ms: int) -> bool:
    """End one session; return whether there was one."""
    ended = conn.execute(delete(_session).where(_session.c.hash == session_hash)).rowcount
    _changed(conn, at_ms, "session")
    return ended > 0


def end_sessions(conn: Connection, account_id: int, *, at_ms: int, but: str | None = None) -> int:
    """End an account's sessions, but perhaps one; return how many."""
    where = [_session.c.account_id == account_id]
    if but is not None:
        where.append(_session.c.hash != but)
    ended = conn.execute(delete(_session).where(*where)).rowcount
    _changed(conn, at_ms, "session")
    return ended


# --- tokens ---------------------------------------------------------------------------


def add_token(
    conn: Connection,
    key: str,
    name: str,
    role: Role,
    *,
    account_id: int | None,
    at_ms: int,
    ends_ms: int,
) -> int:
    """Store a token; return its number."""
    row = {
        "hash": digest(key),
        "name": name,
        "role": role,
        "account_id": account_id,
        "made_ms": at_ms,
        "ends_ms": ends_ms,
    }
    number = int(conn.execute(insert(_token).returning(_token.c.id), row).scalar_one())
    _changed(conn, at_ms, name)
    return number


def tokens(conn: Connection) -> list[Token]:
    """Return every token, the newest first; ended ones too."""
    rows = conn.execute(select(_token).order_by(_token.c.id.desc()))
    return [_a_token(row) for row in rows]


def revoke_token(conn: Connection, token_id: int, *, at_ms: int) -> bool:
    """End a token; return whether it was still in use."""
    where = (_token.c.id == token_id, _token.c.revoked_ms.is_(None))
    ended = conn.execute(update(_token).where(*where).values(revoked_ms=at_ms)).rowcount
    _changed(conn, at_ms, str(token_id))
    return ended > 0


# --- links that work once -------------------------------------------------------------


def add_link(
    conn: Connection,
    key: str,
    purpose: str,
    subject: str,
    *,
    account_id: int | None,
    at_ms: int,
    ends_ms: int,
) -> None:
    """Store a one-time link; older ones of the same account (or of none) stop working."""
    _spoil_links(conn, account_id, at_ms)
    row = {
        "hash": digest(key),
        "purpose": purpose,
        "subject": subject,
        "account_id": account_id,
        "ends_ms": ends_ms,
    }
    conn.execute(insert(_once), row)


def new_password_link(conn: Connection, account: Account, *, at_ms: int) -> str:
    """Store a one-time link by which an account's person chooses a password; return its key."""
    key = new_key()
    ends_ms = at_ms + PASSWORD_LINK_MS
    add_link(
        conn, key, "password", account.name, account_id=account.id, at_ms=at_ms, ends_ms=ends_ms
    )
    return key


def link(conn: Connection, key: str, at_ms: int) -> Link | None:
    """Return what a link is for, None if it does not work (any more)."""
    row = conn.execute(select(_once).where(*_works(key, at_ms))).one_or_none()
    return Link(row.purpose, row.subject, row.account_id, row.ends_ms) if row else None


def use_link(conn: Connection, key: str, at_ms: int) -> bool:
    """Use a link up; return whether it worked: of two at a time one does."""
    used = conn.execute(update(_once).where(*_works(key, at_ms)).values(used_ms=at_ms)).rowcount
    return used > 0


def _works(key: str, at_ms: int) -> tuple[Any, ...]:
    return (_once.c.hash == digest(key), _once.c.used_ms.is_(None), _once.c.ends_ms > at_ms)


def _spoil_links(conn: Connection, account_id: int | None, at_ms: int) -> None:
    of = and_(_once.c.account_id.is_not_distinct_from(account_id), _once.c.purpose != "ack")
    conn.execute(update(_once).where(of, _once.c.used_ms.is_(None)).values(used_ms=at_ms))
    conn.execute(delete(_once).where(_once.c.ends_ms < at_ms - _LINKS_KEPT_MS))


def _changed(conn: Connection, at_ms: int, key: str) -> None:
    log_change(conn, at_ms, "people", key)


def _an_account(row: Row[Any]) -> Account:
    return Account(
        row.id, row.name, Role(row.role), row.password_hash, row.created_ms, row.disabled_ms
    )


def _a_token(row: Row[Any]) -> Token:
    return Token(
        row.id,
        row.hash,
        row.name,
        Role(row.role),
        row.account_id,
        row.made_ms,
        row.ends_ms,
        row.revoked_ms,
    )
