"""One's own account: the password, where one is signed in, and tokens for scripts."""

from typing import Annotated

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.audit import Act
from tallymast.domain.people import LEAST, LONGEST, SHORTEST, WORDS, Right, Role, may, plain
from tallymast.routes.door import NOT_KEPT, Password
from tallymast.routes.passwords import checked
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, TheGate, ThePerson, prove, tell
from tallymast.storage import people
from tallymast.storage.people import Account, Session, Token

DAY_MS = 86_400_000
LONGEST_DAYS = 400

router = APIRouter(include_in_schema=False)


@router.get("/account")
def account_page(request: Request, given: Given, person: ThePerson, show: Show) -> HTMLResponse:
    """Show one's own account."""
    return _page(request, given, person, show)


@router.post("/account/password")
def change_password(
    request: Request,
    given: Given,
    gate: TheGate,
    person: ThePerson,
    old: Password,
    password: Password,
    password_again: Password,
) -> Response:
    """Change the password; every other session of the account ends."""
    account, session = own(person)
    wrong = "The old password is not right; nothing was changed."
    prove(given, gate, person, account, old, wrong)
    checked(password, password_again, account.name, given.network().title, "tallymast")
    kept, now_ms = gate.passwords.hash(password), given.now_ms()
    with given.database.writing() as connection:
        people.set_password(connection, account.id, kept, at_ms=now_ms)
        people.end_sessions(connection, account.id, at_ms=now_ms, but=session.hash)
        people.confirm_session(connection, session.hash, now_ms)
        tell(connection, given, person, Act("password.change", "account", account.name))
    return RedirectResponse("/account", 303)


@router.post("/account/sessions/end")
def end_sessions(
    given: Given, person: ThePerson, which: Annotated[str, Form(max_length=64)]
) -> Response:
    """End one session of one's own, or (``others``) all but this one."""
    account, mine = own(person)
    now_ms = given.now_ms()
    with given.database.writing() as connection:
        if which == "others":
            n = people.end_sessions(connection, account.id, at_ms=now_ms, but=mine.hash)
        else:
            found = [
                one
                for one in people.sessions(connection)
                if one.account_id == account.id and one.hash == which
            ]
            n = sum(people.end_session(connection, one.hash, at_ms=now_ms) for one in found)
        if n:
            act = Act("session.close", "account", account.name, after={"n": n})
            tell(connection, given, person, act)
    return RedirectResponse("/account", 303)


@router.post("/account/tokens")
def make_token(
    request: Request,
    given: Given,
    person: ThePerson,
    show: Show,
    name: Annotated[str, Form(max_length=200)],
    role: Annotated[Role, Form()],
    days: Annotated[int, Form(ge=1, le=LONGEST_DAYS)],
) -> Response:
    """Make a token with one's own role or a lesser one; it is shown this once."""
    account, _ = own(person)
    name = plain(name, 40)
    if not name:
        raise Problem(422, "Give the token a name, such as what will use it.")
    if role.rank > account.role.rank:
        raise Problem(403, f"A token of yours has the role {account.role} at most.")
    key, now_ms = f"tm_{people.new_key()}", given.now_ms()
    with given.database.writing() as connection:
        people.add_token(
            connection,
            key,
            name,
            role,
            account_id=account.id,
            at_ms=now_ms,
            ends_ms=now_ms + days * DAY_MS,
        )
        act = Act("token.make", "token", name, after={"role": role, "days": days})
        tell(connection, given, person, act)
    return _page(request, given, person, show, (name, key))


@router.post("/account/tokens/end")
def end_token(given: Given, person: ThePerson, number: Annotated[int, Form()]) -> Response:
    """End a token of one's own."""
    account, _ = own(person)
    with given.database.writing() as connection:
        found = [
            one
            for one in people.tokens(connection)
            if one.id == number and one.account_id == account.id
        ]
        for one in found:
            if people.revoke_token(connection, one.id, at_ms=given.now_ms()):
                tell(connection, given, person, Act("token.revoke", "token", one.name))
    return RedirectResponse("/account", 303)


def own(person: Person) -> tuple[Account, Session]:
    """Return the account and session of whoever asks; the route's right has made sure of both."""
    if person.account is None or person.session is None:
        raise Problem(403, "Only a person who is signed in has an account to look at.")
    return person.account, person.session


def holds(token: Token, now_ms: int) -> bool:
    """Return whether a token is still in use."""
    return token.revoked_ms is None and token.ends_ms > now_ms


def _page(
    request: Request,
    given: Services,
    person: Person,
    show: Screens,
    made: tuple[str, str] | None = None,
) -> HTMLResponse:
    account, session = own(person)
    now_ms = given.now_ms()
    with given.database.reading() as connection:
        mine = [one for one in people.sessions(connection) if one.account_id == account.id]
        tokens = [one for one in people.tokens(connection) if one.account_id == account.id]
    context = {
        "account": account,
        "rights": [WORDS[right] for right in Right if may(account.role, right)],
        "lacking": [(WORDS[one], LEAST[one]) for one in Right if not may(account.role, one)],
        "sessions": [one for one in mine if one.ends_ms > now_ms],
        "this": session.hash,
        "tokens": [one for one in tokens if holds(one, now_ms)],
        "roles": [role for role in Role if role.rank <= account.role.rank],
        "made": made,
        "shortest": SHORTEST,
        "longest": LONGEST,
        "longest_days": LONGEST_DAYS,
    }
    response = show.page(request, "account.html", context)
    response.headers.update(NOT_KEPT)
    return response
