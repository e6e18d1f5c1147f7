"""Accounts made at the machine itself: the first link, the `user` commands, the demo's people.

Whoever may write the database's file may do this, with the server up or down; a running
server sees it at its next request.
"""

import secrets
import sys
from dataclasses import dataclass

from sqlalchemy import Connection

from tallymast import assets, wiring
from tallymast.domain.audit import MACHINE, Act
from tallymast.domain.errors import ConfigError
from tallymast.domain.people import (
    LONGEST,
    Role,
    name_of,
    plain,
    wrong_with,
    wrong_with_name,
)
from tallymast.routes.passwords import Passwords
from tallymast.storage import audit, people
from tallymast.storage.engine import Database

HOUR_MS = 3_600_000
FIRST_LINK_MS = 24 * HOUR_MS
LONGEST_DAYS = 400

DEMO_PEOPLE = {
    "v.lindqvist": Role.VIEWER,
    "m.okoro": Role.OPERATOR,
    "r.hale": Role.TECHNICIAN,
    "s.adeyemi": Role.SUPERVISOR,
}


def has_supervisor(database: Database) -> bool:
    """Return whether anybody can sign in and make accounts for the others."""
    with database.reading() as connection:
        return people.other_supervisors(connection, -1) > 0


def first_link(database: Database, base: str) -> list[str]:
    """Return what to print at a start: a new one-time link where there is no account yet."""
    now_ms, key = wiring.now_ms(), people.new_key()
    with database.writing() as connection:
        if people.accounts(connection):
            return []
        people.add_link(
            connection,
            key,
            "first",
            "",
            account_id=None,
            at_ms=now_ms,
            ends_ms=now_ms + FIRST_LINK_MS,
        )
        _tell(connection, Act("account.first-link", "account", ""), now_ms, "tallymast")
    return [
        "There are no accounts yet: everybody at this machine acts as `local`.",
        "The first supervisor chooses a password, within 24 hours and once, at "
        f"{base}/welcome?key={key}",
    ]


def add(database: Database, name: str, role: Role, password: str | None) -> str | None:
    """Make an account; return the key of a one-time link where no password was given.

    Raises:
        ConfigError: a name or a password that cannot be used, or a name that is taken.

    """
    name = _name(name)
    kept = None if password is None else _hashed(password, name)
    now_ms = wiring.now_ms()
    with database.writing() as connection:
        if people.account(connection, name) is not None:
            raise ConfigError(
                f"There is an account {name} already. `tallymast user link {name}` makes a "
                "one-time link for a new password."
            )
        account = people.add_account(connection, name, role, at_ms=now_ms, password_hash=kept)
        _tell(connection, Act("account.make", "account", name, after={"role": role}), now_ms)
        return None if kept else _link(connection, account, now_ms)


def link(database: Database, name: str) -> str:
    """Return the key of a new one-time link by which an account's person chooses a password.

    Raises:
        ConfigError: there is no such account, or it is closed.

    """
    name, now_ms = name_of(name), wiring.now_ms()
    with database.writing() as connection:
        account = _account(connection, name)
        if not account.is_open:
            raise ConfigError(f"The account {name} is closed; a supervisor can open it again.")
        return _link(connection, account, now_ms)


def token(database: Database, name: str, role: Role, days: int) -> str:
    """Make a token and return its key.

    Args:
        database: where to keep it.
        name: what will use it; if it is an account's name, the token ends with that account
            and never does more than it may.
        role: what it may do.
        days: after which it ends, 1 to 400.

    Raises:
        ConfigError: no name, or an end that is too far away.

    """
    name, now_ms = plain(name, 40), wiring.now_ms()
    if not name:
        raise ConfigError("NAME says what the token is for; it may not be empty.")
    if not 1 <= days <= LONGEST_DAYS:
        raise ConfigError(f"--days is {days}; a token lasts 1 to {LONGEST_DAYS} days.")
    key = f"tm_{people.new_key()}"
    with database.writing() as connection:
        account = people.account(connection, name_of(name))
        people.add_token(
            connection,
            key,
            name,
            role,
            account_id=account.id if account else None,
            at_ms=now_ms,
            ends_ms=now_ms + days * 24 * HOUR_MS,
        )
        act = Act("token.make", "token", name, after={"role": role, "days": days})
        _tell(connection, act, now_ms)
    return key


def listed(database: Database) -> list[str]:
    """Return the accounts, one a line."""
    with database.reading() as connection:
        return [f"{one.name}  {one.role}  {_state(one)}" for one in people.accounts(connection)]


def _state(account: people.Account) -> str:
    if not account.is_open:
        return "closed"
    return "open" if account.password_hash else "no password yet"


# --- the demo -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Invented:
    """One of the demo's people, with a password that holds until the demo's next start."""

    name: str
    role: Role
    password: str


def demo_people(database: Database) -> list[Invented]:
    """Make the demo's accounts, one a role, or give them new passwords; return both."""
    passwords, now_ms = Passwords(), wiring.now_ms()
    invented = [Invented(name, role, _pronounceable()) for name, role in DEMO_PEOPLE.items()]
    hashed = [passwords.hash(one.password) for one in invented]
    with database.writing() as connection:
        for one, kept in zip(invented, hashed, strict=True):
            account = people.account(connection, one.name)
            if account is None:
                people.add_account(connection, one.name, one.role, at_ms=now_ms, password_hash=kept)
                act = Act("account.make", "account", one.name, after={"role": one.role})
                _tell(connection, act, now_ms, "demo")
            else:
                people.set_password(connection, account.id, kept, at_ms=now_ms)
                people.end_sessions(connection, account.id, at_ms=now_ms)
    return invented


def _pronounceable() -> str:
    """Return a password that can be read aloud: ten random syllables, 62 bits."""
    consonants, vowels = "bdfghklmnprstvz", "aeiou"
    syllables = [secrets.choice(consonants) + secrets.choice(vowels) for _ in range(10)]
    words = ["".join(syllables[at : at + 2]) for at in range(0, 10, 2)]
    return "-".join(words)


def told(invented: list[Invented]) -> list[str]:
    """Return what the demo prints of its people."""
    lines = [f"  {one.name:<12} {one.password}  {one.role}" for one in invented]
    return ["Acts need one of these invented accounts, new at each start:", *lines]


# --- shared ---------------------------------------------------------------------------


def _name(name: str) -> str:
    name = name_of(name)
    if wrong := wrong_with_name(name):
        raise ConfigError(wrong)
    return name


def _hashed(password: str, name: str) -> str:
    if wrong := wrong_with(password, (name, "tallymast"), assets.common_passwords()):
        raise ConfigError(wrong)
    return Passwords().hash(password)


def password_from_stdin() -> str:
    """Return the first line of stdin, without its end.

    Raises:
        ConfigError: there was none.

    """
    line = sys.stdin.readline(LONGEST + 3).rstrip("\r\n")
    if not line:
        raise ConfigError("--password-stdin reads the password from stdin; there was none.")
    return line


def _account(connection: Connection, name: str) -> people.Account:
    found = people.account(connection, name)
    if found is None:
        raise ConfigError(f"There is no account {name}; `tallymast user list` tells all.")
    return found


def _link(connection: Connection, account: people.Account, now_ms: int) -> str:
    key = people.new_password_link(connection, account, at_ms=now_ms)
    _tell(connection, Act("account.link", "account", account.name), now_ms)
    return key


def _tell(connection: Connection, act: Act, at_ms: int, actor: str = MACHINE) -> None:
    audit.add(connection, act, at_ms=at_ms, actor=actor)
