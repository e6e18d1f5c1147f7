"""The people: accounts, roles, links, sessions and tokens, for supervisors."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.people import LEAST, WORDS, Right, Role, name_of, wrong_with_name
from tallymast.routes.account_page import holds
from tallymast.routes.door import NOT_KEPT
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import HOUR_MS, Person, ThePerson, tell
from tallymast.storage import people
from tallymast.storage.people import Account

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class Row:
    """One account as the page shows it."""

    account: Account
    sessions: int
    seen_ms: int | None


@router.get("/people")
def people_page(request: Request, given: Given, show: Show) -> HTMLResponse:
    """Show who there is and who may do what."""
    return _page(request, given, show)


@router.post("/people")
def make_account(
    request: Request,
    given: Given,
    person: ThePerson,
    show: Show,
    name: Annotated[str, Form(max_length=200)],
    role: Annotated[Role, Form()],
) -> Response:
    """Make an account, and a link by which its person chooses a password."""
    name = name_of(name)
    if wrong := wrong_with_name(name):
        raise Problem(422, wrong)
    with given.database.writing() as connection:
        if people.account(connection, name) is not None:
            raise Problem(409, f"There is an account {name} already; choose another name.")
        account = people.add_account(connection, name, role, at_ms=given.now_ms())
        tell(connection, given, person, Act("account.make", "account", name, after={"role": role}))
        key = _new_link(connection, given, person, account)
    return _page(request, given, show, (name, key))


@router.post("/people/{name}/role")
def change_role(
    name: str, given: Given, person: ThePerson, role: Annotated[Role, Form()]
) -> Response:
    """Give an account another role; it holds from the next request on."""
    with given.database.writing() as connection:
        account = _account(connection, name)
        if account.role is not role:
            if role is not Role.SUPERVISOR:
                _leave_one(connection, account)
            people.set_role(connection, account.id, role, at_ms=given.now_ms())
            act = Act("account.role", "account", name, {"role": account.role}, {"role": role})
            tell(connection, given, person, act)
    return RedirectResponse("/people", 303)


@router.post("/people/{name}/close")
def close_account(name: str, given: Given, person: ThePerson) -> Response:
    """Close an account: its sessions, tokens and links end at once; its acts stay written down."""
    with given.database.writing() as connection:
        account = _account(connection, name)
        if account.is_open:
            _leave_one(connection, account)
            people.set_open(connection, account.id, False, at_ms=given.now_ms())
            tell(connection, given, person, Act("account.disable", "account", name))
    return RedirectResponse("/people", 303)


@router.post("/people/{name}/open")
def open_account(name: str, given: Given, person: ThePerson) -> Response:
    """Open a closed account again, with the password it had."""
    with given.database.writing() as connection:
        account = _account(connection, name)
        if not account.is_open:
            people.set_open(connection, account.id, True, at_ms=given.now_ms())
            tell(connection, given, person, Act("account.enable", "account", name))
    return RedirectResponse("/people", 303)


@router.post("/people/{name}/link")
def make_link(request: Request, name: str, given: Given, person: ThePerson, show: Show) -> Response:
    """Make a one-time link by which an account's person chooses a new password."""
    with given.database.writing() as connection:
        account = _account(connection, name)
        if not account.is_open:
            raise Problem(409, f"The account {name} is closed; open it first.")
        key = _new_link(connection, given, person, account)
    return _page(request, given, show, (name, key))


@router.post("/people/{name}/sessions/end")
def end_sessions(name: str, given: Given, person: ThePerson) -> Response:
    """End all sessions of an account."""
    with given.database.writing() as connection:
        account = _account(connection, name)
        n = people.end_sessions(connection, account.id, at_ms=given.now_ms())
        if n:
            tell(connection, given, person, Act("session.close", "account", name, after={"n": n}))
    return RedirectResponse("/people", 303)


@router.post("/people/tokens/end")
def end_token(given: Given, person: ThePerson, number: Annotated[int, Form()]) -> Response:
    """End anybody's token."""
    with given.database.writing() as connection:
        for one in people.tokens(connection):
            if one.id == number and people.revoke_token(connection, number, at_ms=given.now_ms()):
                tell(connection, given, person, Act("token.revoke", "token", one.name))
    return RedirectResponse("/people", 303)


def _account(connection: Connection, name: str) -> Account:
    found = people.account(connection, name)
    if found is None:
        raise Problem(404, f"There is no account {name}.")
    return found


def _leave_one(connection: Connection, account: Account) -> None:
    """Refuse to take away the last supervisor."""
    if account.role is not Role.SUPERVISOR or account.password_hash is None:
        return
    if not people.other_supervisors(connection, account.id):
        raise Problem(
            409,
            f"{account.name} is the only supervisor who can sign in; make another one first.",
        )


def _new_link(connection: Connection, given: Services, person: Person, account: Account) -> str:
    key = people.new_password_link(connection, account, at_ms=given.now_ms())
    tell(connection, given, person, Act("account.link", "account", account.name))
    return key


def _page(
    request: Request, given: Services, show: Screens, made: tuple[str, str] | None = None
) -> HTMLResponse:
    now_ms = given.now_ms()
    with given.database.reading() as connection:
        known = people.accounts(connection)
        sessions = [one for one in people.sessions(connection) if one.ends_ms > now_ms]
        tokens = [one for one in people.tokens(connection) if holds(one, now_ms)]
    rows = []
    for account in known:
        mine = [one for one in sessions if one.account_id == account.id]
        seen = max((one.seen_ms for one in mine), default=None)
        rows.append(Row(account, len(mine), seen))
    context = {
        "rows": rows,
        "tokens": tokens,
        "names": {one.id: one.name for one in known},
        "roles": list(Role),
        "table": [(WORDS[right], LEAST[right]) for right in Right],
        "link": f"{request.base_url}welcome?key={made[1]}" if made else "",
        "made": made[0] if made else "",
        "link_hours": people.PASSWORD_LINK_MS // HOUR_MS,
    }
    response = show.page(request, "people.html", context)
    response.headers.update(NOT_KEPT)
    return response
