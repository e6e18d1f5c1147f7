"""Signing in and out, and the one-time links by which people choose their password."""

from typing import Annotated, Final
from urllib.parse import urlsplit

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.people import LONGEST, SHORTEST, Role, name_of, plain, wrong_with_name
from tallymast.routes.passwords import WINDOW_MIN, checked
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import (
    GUESSES,
    WHOLE_MS,
    Gate,
    Person,
    TheGate,
    ThePerson,
    address_of,
    cookie_name,
    tell,
    tell_refusal,
)
from tallymast.storage import people
from tallymast.storage.people import Account, Link

router = APIRouter(include_in_schema=False)

NOT_KEPT: Final = {"Cache-Control": "no-store"}
_WRONG = "This name and this password do not belong together. Look at both and try again."
_SPENT = (
    "This link does not work: it was used before, is over, or was never one. Ask a supervisor "
    "for a new one, or start Tallymast again where there are no accounts yet."
)

Name = Annotated[str, Form(max_length=200)]
Password = Annotated[str, Form(max_length=4000)]
_UNDONE: Final = (
    "You were not signed in any more, so what you pressed was not done and nothing was changed. "
    "Sign in, look at the page again, then press anew."
)

To = Annotated[str, Query(max_length=500)]
Key = Annotated[str, Query(max_length=200)]


@router.get("/sign-in")
def sign_in_page(
    request: Request,
    given: Given,
    person: ThePerson,
    show: Show,
    to: To = "/",
    undone: Annotated[str, Query(max_length=1)] = "",
) -> Response:
    """Show the form; whoever is signed in goes on at once.

    ``undone``: a button was pressed by who was not signed in any more.
    """
    if person.session is not None:
        return RedirectResponse(_own(to), 303)
    return _form(request, show, given, to, _UNDONE if undone else "")


@router.post("/sign-in")
def sign_in(
    request: Request,
    given: Given,
    gate: TheGate,
    person: ThePerson,
    show: Show,
    name: Name,
    password: Password,
    to: Annotated[str, Form(max_length=500)] = "/",
) -> Response:
    """Begin a session where name and password belong together; each guess counts."""
    name = name_of(name)
    if not gate.throttle.take(name, person.address):
        _tell_refused(given, gate, person, name, "too many attempts")
        refused = _form(request, show, given, to, GUESSES, 429)
        refused.headers["Retry-After"] = str(60 * WINDOW_MIN)
        return refused
    account = _account(given, name)
    is_right = gate.passwords.is_right(password, account.password_hash if account else None)
    if account is None or not is_right or not account.is_open:
        _tell_refused(given, gate, person, name, _why(account, is_right))
        return _form(request, show, given, to, _WRONG, 403)
    gate.throttle.forget(name)
    response = RedirectResponse(_own(to), 303)
    with given.database.writing() as connection:
        begin_session(connection, request, response, given, person, account)
    return response


@router.post("/sign-out")
def sign_out(request: Request, given: Given, person: ThePerson) -> Response:
    """End this session, here and on the server."""
    if person.session is not None:
        with given.database.writing() as connection:
            people.end_session(connection, person.session.hash, at_ms=given.now_ms())
            tell(connection, given, person, Act("session.end", "account", person.name))
    response = RedirectResponse("/sign-in", 303)
    response.delete_cookie(cookie_name(request), path="/")
    response.headers["Clear-Site-Data"] = '"cache"'
    return response


@router.get("/welcome")
def welcome_page(request: Request, given: Given, show: Show, key: Key = "") -> HTMLResponse:
    """Show the form of a one-time link; looking does not use it up."""
    found = _link(given, key)
    return _welcome(request, show, found, key)


@router.post("/welcome")
def welcome(
    request: Request,
    given: Given,
    gate: TheGate,
    person: ThePerson,
    show: Show,
    key: Annotated[str, Form(max_length=200)],
    password: Password,
    password_again: Password,
    name: Name = "",
) -> Response:
    """Let the link's person choose a password, and sign them in; the link is then used up."""
    if not gate.throttle.take(f"link {people.digest(key)}", person.address):
        raise Problem(429, GUESSES)
    found = _link(given, key, gate, person)
    name = name_of(name) if found.purpose == "first" else found.subject
    wrong = wrong_with_name(name)
    if wrong:
        return _welcome(request, show, found, key, wrong, name)
    try:
        checked(password, password_again, name, given.network().title, "tallymast")
    except Problem as problem:
        return _welcome(request, show, found, key, problem.detail, name)
    kept = gate.passwords.hash(password)
    response = RedirectResponse("/", 303)
    with given.database.writing() as connection:
        account = _keep(connection, given, found, key, name, kept)
        whose = Person(name, account.role, True, False, person.address, account)
        tell(connection, given, whose, Act("password.choose", "account", name))
        begin_session(connection, request, response, given, person, account)
    return response


def _keep(
    connection: Connection, given: Services, found: Link, key: str, name: str, kept: str
) -> Account:
    """Use the link up, and keep the password; a first supervisor's account is made with it."""
    now_ms = given.now_ms()
    if not people.use_link(connection, key, now_ms):
        raise Problem(409, _SPENT)
    if found.purpose == "first":
        if people.accounts(connection):
            raise Problem(409, "There are accounts already; ask a supervisor for one of your own.")
        return people.add_account(
            connection, name, Role.SUPERVISOR, at_ms=now_ms, password_hash=kept
        )
    account = people.account(connection, name)
    if account is None or not account.is_open:
        raise Problem(409, _SPENT)
    people.set_password(connection, account.id, kept, at_ms=now_ms)
    people.end_sessions(connection, account.id, at_ms=now_ms)
    return account


def begin_session(
    connection: Connection,
    request: Request,
    response: Response,
    given: Services,
    person: Person,
    account: Account,
) -> None:
    """Begin a session under a new key, and end the one this browser had before.

    Source: OWASP ASVS 5.0.0, 7.2.4 (a new token at login, the old one ended).
    """
    now_ms, key = given.now_ms(), people.new_key()
    if person.session is not None:
        people.end_session(connection, person.session.hash, at_ms=now_ms)
    people.begin_session(
        connection,
        account.id,
        key,
        at_ms=now_ms,
        ends_ms=now_ms + WHOLE_MS,
        address=address_of(request),
    )
    whose = Person(account.name, account.role, True, False, person.address, account)
    tell(connection, given, whose, Act("session.begin", "account", account.name))
    response.set_cookie(
        cookie_name(request),
        key,
        max_age=WHOLE_MS // 1000,
        path="/",
        secure=request.url.scheme == "https",
        httponly=True,
        samesite="lax",
    )


def _account(given: Services, name: str) -> Account | None:
    with given.database.reading() as connection:
        return people.account(connection, name)


def _why(account: Account | None, is_right: bool) -> str:
    if account is None:
        return "there is no such account"
    if not is_right:
        return "wrong password" if account.password_hash else "no password was chosen yet"
    return "the account is closed"


def _tell_refused(given: Services, gate: Gate, person: Person, name: str, why: str) -> None:
    named = plain(name, 40) or "nobody"
    tell_refusal(given, gate, person, Act("session.refuse", "account", named, after={"why": why}))


def _link(
    given: Services, key: str, gate: Gate | None = None, person: Person | None = None
) -> Link:
    with given.database.reading() as connection:
        found = people.link(connection, key, given.now_ms())
        if found is not None and found.purpose == "first" and people.accounts(connection):
            found = None
    if found is None:
        if gate is not None and person is not None:
            tell_refusal(given, gate, person, Act("link.refuse", "link", ""))
        raise Problem(404, _SPENT)
    return found


def _own(to: str) -> str:
    """Return a path of this server to go on to; anything else becomes the Morning round."""
    parts = urlsplit(to)
    is_path = to.startswith("/") and not to.startswith("//") and "\\" not in to
    return to if is_path and not parts.scheme and not parts.netloc and to.isprintable() else "/"


def _form(
    request: Request, show: Screens, given: Services, to: str, wrong: str = "", status: int = 200
) -> HTMLResponse:
    context = {"to": _own(to), "wrong": wrong, "hint": given.sign_in_hint}
    response = show.page(request, "sign_in.html", context, status)
    response.headers.update(NOT_KEPT)
    return response


def _welcome(
    request: Request, show: Screens, found: Link, key: str, wrong: str = "", name: str = ""
) -> HTMLResponse:
    context = {
        "link": found,
        "key": key,
        "wrong": wrong,
        "name": name,
        "shortest": SHORTEST,
        "longest": LONGEST,
    }
    response = show.page(request, "welcome.html", context, 422 if wrong else 200)
    response.headers.update(NOT_KEPT)
    return response
