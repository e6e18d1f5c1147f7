"""Who asks, and whether that person may: every request passes here before its route.

While there is no account everybody at this machine acts as ``local``. From the first account
on an act needs a session (a browser's cookie) or a token (a script's header); seeing needs one
too, unless the server was started with open viewing.
"""

import logging
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from threading import Lock
from typing import Annotated, Final, NoReturn

from fastapi import Depends, Request
from fastapi.concurrency import run_in_threadpool
from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.errors import StorageError
from tallymast.domain.people import LEAST, WORDS, Right, Role, lesser, may
from tallymast.routes.passwords import Passwords, Throttle
from tallymast.routes.problems import AgainFirst, Problem, SignInFirst
from tallymast.routes.rights import FRESH, IN_PERSON, NEEDS
from tallymast.routes.security import SAFE_METHODS
from tallymast.routes.services import Services, services
from tallymast.storage import audit, people
from tallymast.storage.people import Account, Session, Token

log = logging.getLogger(__name__)

LOCAL: Final = "local"
HOUR_MS: Final = 3_600_000
IDLE_MS: Final = 12 * HOUR_MS  # ours: a shift; unused for so long, a session is over
WHOLE_MS: Final = 7 * 24 * HOUR_MS  # ours: a week; then everybody signs in again
FRESH_MS: Final = HOUR_MS // 4  # ours: how long a password given counts for dangerous acts
SEEN_EVERY_MS: Final = 60_000
GUESSES: Final = (
    "There were too many attempts to sign in. Nothing is lost: wait a quarter of an hour, or ask "
    "a supervisor for a one-time link."
)


@dataclass(frozen=True, slots=True)
class Person:
    """Whoever asks.

    Args:
        name: as it is written down; empty for somebody unknown.
        role: None for somebody unknown.
        guarded: whether there are accounts at all.
        sees: whether everybody may see.

    """

    name: str
    role: Role | None
    guarded: bool
    sees: bool
    address: str
    account: Account | None = None
    session: Session | None = None
    token: Token | None = None

    def may(self, right: str) -> bool:
        """Return whether this person has a right."""
        wanted = Right(right)
        if wanted in IN_PERSON and self.session is None:
            return False
        return may(self.role, wanted) if self.role else self.sees and wanted is Right.SEE

    @property
    def account_id(self) -> int | None:
        """The account behind this person, if any."""
        return self.account.id if self.account else None


@dataclass(frozen=True, slots=True)
class _Known:
    accounts: Mapping[int, Account] = field(default_factory=dict)
    sessions: Mapping[str, Session] = field(default_factory=dict)
    tokens: Mapping[str, Token] = field(default_factory=dict)


class People:
    """Accounts, sessions and tokens as stored, read again whenever anything was stored."""

    def __init__(self, given: Services) -> None:
        self._given = given
        self._lock = Lock()
        self._version: int | None = None
        self._known = _Known()

    def known(self) -> _Known:
        """Return what is stored; while the database refuses, what was stored before."""
        with self._lock:
            try:
                version = self._given.database.data_version()
                if version != self._version:
                    self._known = self._read()
                    self._version = version
            except StorageError:
                if self._version is None:
                    raise
            return self._known

    def _read(self) -> _Known:
        with self._given.database.reading() as connection:
            return _Known(
                {one.id: one for one in people.accounts(connection)},
                {one.hash: one for one in people.sessions(connection)},
                {one.hash: one for one in people.tokens(connection)},
            )

    def guarded(self) -> bool:
        """Return whether there are accounts."""
        return bool(self.known().accounts)

    def session(self, session_hash: str) -> tuple[Account, Session] | None:
        """Return a session that holds, with its open account."""
        known, now_ms = self.known(), self._given.now_ms()
        found = known.sessions.get(session_hash)
        if found is None:
            return None
        account = known.accounts.get(found.account_id)
        over = now_ms >= found.ends_ms or now_ms >= found.seen_ms + IDLE_MS
        return None if over or account is None or not account.is_open else (account, found)

    def token(self, token_hash: str) -> tuple[Account | None, Token] | None:
        """Return a token that holds, with its account, if it has one."""
        known = self.known()
        found = known.tokens.get(token_hash)
        if found is None or found.revoked_ms is not None or self._given.now_ms() >= found.ends_ms:
            return None
        if found.account_id is None:
            return None, found
        account = known.accounts.get(found.account_id)
        return (account, found) if account is not None and account.is_open else None


@dataclass(frozen=True, slots=True)
class Gate:
    """What the door needs: who is known, passwords, and the counting of guesses."""

    people: People
    passwords: Passwords
    throttle: Throttle


def gate(request: Request) -> Gate:
    """Return the application's gate."""
    found = request.app.state.gate
    assert isinstance(found, Gate)
    return found


TheGate = Annotated[Gate, Depends(gate)]


def the_person(request: Request) -> Person:
    """Return who asks; ``enforce`` has found out."""
    found = request.state.person
    assert isinstance(found, Person)
    return found


ThePerson = Annotated[Person, Depends(the_person)]


def cookie_name(request: Request) -> str:
    """Return the session cookie's name: bound to this very host where the connection is secure.

    Source: RFC 6265bis, 4.1.3.2 (the __Host- prefix); OWASP ASVS 5.0.0, 3.3.1 and 3.3.3.
    """
    return "__Host-tallymast" if request.url.scheme == "https" else "tallymast"


def address_of(request: Request) -> str:
    """Return where a request comes from."""
    return request.client.host if request.client else ""


def who(request: Request, given: Services, gate: Gate) -> Person:
    """Return who asks.

    Raises:
        Problem: a token that does not hold.

    """
    sees, address = given.viewing == "open", address_of(request)
    scheme, _, key = request.headers.get("authorization", "").partition(" ")
    guarded = gate.people.guarded()
    if scheme.lower() == "bearer":
        found = gate.people.token(people.digest(key.strip()))
        if found is None:
            _refuse_token(given, gate, address)
        account, token = found
        role = lesser(token.role, account.role) if account else token.role
        name = f"{account.name} ({token.name})" if account else token.name
        return Person(name, role, guarded, sees, address, account, token=token)
    cookie = request.cookies.get(cookie_name(request))
    held = gate.people.session(people.digest(cookie)) if cookie else None
    if held is not None:
        return Person(held[0].name, held[0].role, guarded, sees, address, *held)
    if not guarded:
        return Person(LOCAL, Role.SUPERVISOR, guarded, sees, address)
    return Person("", None, True, sees, address)


def _refuse_token(given: Services, gate: Gate, address: str) -> NoReturn:
    stranger = Person("", None, True, False, address)
    tell_refusal(given, gate, stranger, Act("token.refuse", "token", ""))
    raise Problem(401, "This token does not hold: it is over, was ended, or never was one.")


# --- before every route ---------------------------------------------------------------


async def enforce(request: Request) -> None:
    """Find out who asks, and let only those pass who have the route's right.

    Raises:
        Problem: refused, in a sentence.
        SignInFirst: an unknown person asks for a page.
        AgainFirst: the password was given too long ago for what is asked.

    """
    route = request.method, request.scope["route"].path
    if route in _QUIET:
        return
    given = services(request)
    person = await run_in_threadpool(who, request, given, gate(request))
    request.state.person = person
    if route not in NEEDS:
        raise Problem(403, f"No rule says who may use {route[1]}; so nobody may.")
    right = NEEDS[route]
    if right is None:
        return
    if not person.may(right):
        await run_in_threadpool(_refuse, request, given, person, right)
    if person.session is not None:
        await run_in_threadpool(_see, given, person.session)
        if route in FRESH:
            await ask_again(request, given, person)


_QUIET: Final = {("GET", "/healthz"), ("GET", "/static/{name:path}")}


def _refuse(request: Request, given: Services, person: Person, right: Right) -> NoReturn:
    if not person.guarded and right in IN_PERSON:
        raise Problem(
            409,
            "There are no accounts yet. The first is made by the one-time link that was printed "
            "where Tallymast was started, or by `tallymast user add`.",
        )
    if person.role is None:
        raise SignInFirst(request.url.path, request.method in SAFE_METHODS)
    act = Act(
        "request.refuse",
        "request",
        f"{request.method} {request.url.path}",
        after={"right": WORDS[right], "role": person.role},
    )
    tell_refusal(given, gate(request), person, act)
    if right in IN_PERSON and person.token is not None:
        raise Problem(403, "A token may not do this; sign in yourself.")
    raise Problem(
        403,
        f"{person.name}, your role ({person.role}) does not let you {WORDS[right]}: "
        f"that needs the role {LEAST[right]}. A supervisor can change it.",
    )


def _see(given: Services, session: Session) -> None:
    now_ms = given.now_ms()
    if now_ms - session.seen_ms < SEEN_EVERY_MS:
        return
    try:
        with given.database.writing() as connection:
            people.see_session(connection, session.hash, now_ms)
    except StorageError as error:
        log.warning("a session's use is not noted: %s", error)


def is_lately(given: Services, person: Person) -> None:
    """Refuse a dangerous act of a script that uses a session whose password was given long ago.

    Raises:
        Problem: says so.

    """
    session = person.session
    if session is not None and given.now_ms() - session.reauth_ms >= FRESH_MS:
        raise Problem(403, "Your password was given too long ago for this: sign in again first.")


async def ask_again(request: Request, given: Services, person: Person) -> None:
    """Let pass only whose password was given lately, or is given with this form.

    Raises:
        AgainFirst: it has to be given; the form's fields go along.
        Problem: a wrong one, or one for a script that has to do with a session.

    """
    session, account = person.session, person.account
    if session is None or account is None or given.now_ms() - session.reauth_ms < FRESH_MS:
        return
    form = await request.form()
    fields = {name: value for name, value in form.items() if isinstance(value, str)}
    password = fields.pop(AGAIN, None)
    if password is None:
        raise AgainFirst(request.url.path, fields)
    await run_in_threadpool(_confirm, given, gate(request), person, account, session, password)


AGAIN: Final = "password-again"


def _confirm(
    given: Services,
    gate: Gate,
    person: Person,
    account: Account,
    session: Session,
    password: str,
) -> None:
    wrong = "This is not your password; nothing was changed. Go back and try again."
    prove(given, gate, person, account, password, wrong)
    with given.database.writing() as connection:
        people.confirm_session(connection, session.hash, given.now_ms())
        tell(connection, given, person, Act("session.again", "account", account.name))


def prove(
    given: Services, gate: Gate, person: Person, account: Account, password: str, wrong: str
) -> None:
    """Let pass only who gives the own password again; each guess counts.

    Raises:
        Problem: too many guesses, or (with the sentence ``wrong``) another password.

    """
    if not gate.throttle.take(account.name, person.address):
        raise Problem(429, GUESSES)
    if not gate.passwords.is_right(password, account.password_hash):
        tell_refusal(given, gate, person, Act("password.refuse", "account", account.name))
        raise Problem(403, wrong)
    gate.throttle.forget(account.name)


# --- writing down ---------------------------------------------------------------------


def tell(connection: Connection, given: Services, person: Person, act: Act) -> None:
    """Write down an act in the transaction of what it did."""
    audit.add(
        connection,
        act,
        at_ms=given.now_ms(),
        actor=person.name,
        account_id=person.account_id,
        address=person.address,
    )


def tell_refusal(given: Services, gate: Gate, person: Person, act: Act) -> None:
    """Write down what was refused; not every one of a flood, and never at the answer's cost."""
    if not gate.throttle.may_tell(person.address):
        return
    try:
        with given.database.writing() as connection:
            tell(connection, given, person, act)
    except StorageError as error:
        log.warning("a refusal is not written down: %s", error)


def still_there(request: Request) -> Callable[[], Awaitable[bool]]:
    """Return what tells whether who opened a stream may still see."""
    seen = services(request), gate(request), the_person(request)
    return lambda: run_in_threadpool(_still, *seen)


StillThere = Annotated[Callable[[], Awaitable[bool]], Depends(still_there)]


def _still(given: Services, gate: Gate, person: Person) -> bool:
    if person.session is not None:
        return gate.people.session(person.session.hash) is not None
    if person.token is not None:
        return gate.people.token(person.token.hash) is not None
    return person.sees or not gate.people.guarded()
