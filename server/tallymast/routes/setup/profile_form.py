"""The form of a profile: what stations of one make-up have in common, and its points."""

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse

from tallymast.domain import network_file
from tallymast.domain.setup.network_fields import PROFILE_GROUPS
from tallymast.domain.setup.things import Thing, remove, users_of
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.setup.answering import Asked, Button, checked, confirmed, opened, posted
from tallymast.routes.setup.changing import as_written
from tallymast.routes.setup.finding import copied, name_of, the_body
from tallymast.routes.setup.forms import Attempt, Form, Typed
from tallymast.routes.setup.point_rows import point_rows
from tallymast.routes.setup.try_choices import try_choices
from tallymast.routes.who import Person, ThePerson

router = APIRouter(include_in_schema=False)

_NEW = "/setup/profiles/new"
Like = Annotated[str, Query(max_length=40)]


@router.get(_NEW)
def new_profile(
    request: Request, given: Given, show: Show, person: ThePerson, like: Like = ""
) -> HTMLResponse:
    """Show the form of a profile that is not there yet, perhaps like another."""
    return opened(profile_asked(request, given, show, person, "", {"like": like}))


@router.post(_NEW)
async def make_profile(
    request: Request, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Add a profile; its points come next."""

    def make(key: str) -> Asked:
        return profile_asked(request, given, show, person, key, texts)

    return await posted(make, "", _page)


@router.post(f"{_NEW}/check")
def check_new_profile(
    request: Request, given: Given, show: Show, person: ThePerson, texts: Typed
) -> HTMLResponse:
    """Say what is wrong so far."""
    return checked(profile_asked(request, given, show, person, "", texts))


@router.get("/setup/profiles/{key}")
def show_profile(
    request: Request, key: str, given: Given, show: Show, person: ThePerson
) -> HTMLResponse:
    """Show what is written of a profile, and its points."""
    return opened(profile_asked(request, given, show, person, key))


@router.post("/setup/profiles/{key}")
async def change_profile(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Change a profile."""

    def make(key: str) -> Asked:
        return profile_asked(request, given, show, person, key, texts)

    return await posted(make, key, _page)


@router.post("/setup/profiles/{key}/check")
def check_profile(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> HTMLResponse:
    """Say what is wrong so far."""
    return checked(profile_asked(request, given, show, person, key, texts))


@router.post("/setup/profiles/{key}/remove")
async def remove_profile(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Remove a profile no site uses."""
    return await confirmed(
        lambda: _removal(profile_asked(request, given, show, person, key, texts))
    )


def _page(tried: Attempt, number: int) -> str:
    return f"/setup/profiles/{tried.body['key']}?stored={number}"


def _removal(asked: Asked) -> Button:
    form = asked.form
    if users := users_of(form.written, form.thing):
        raise Problem(409, f"{form.name} is used by {', '.join(users)}; change these first.")
    after = remove(form.written, form.thing)
    return Button(asked, after, f"Profile {form.name} removed", "/setup")


def profile_asked(
    request: Request,
    given: Services,
    show: Screens,
    person: Person,
    key: str,
    texts: dict[str, str] | None = None,
) -> Asked:
    """Return a request about a profile; an empty key is a new one's."""
    form = _form(given, key, (texts or {}).get("like", ""))
    network = network_file.build(form.written, "")
    known = next((one for one in network.profiles if one.key == (key or form.like)), None)
    more = {
        "users": users_of(form.written, form.thing) if key else [],
        "points": point_rows(known.points) if known else [],
        "choices": try_choices(form.written, key),
    }
    return Asked(request, given, show, person, form, texts or {}, more)


def _form(given: Services, key: str, like: str) -> Form:
    base, written = as_written(given)
    thing = Thing("profile", key)
    body = the_body(written, thing) if key else copied(written, "profile", like, _OWN)
    path = f"/setup/profiles/{key}" if key else _NEW
    name = name_of(body) if key else ""
    template = "setup_profile.html"
    return Form(
        thing, PROFILE_GROUPS, path, "/setup", name, template, body, written, base, like=like
    )


_OWN = frozenset(("key", "name"))  # what a copy does not take over
