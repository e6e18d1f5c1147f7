"""The form of a point of a profile."""

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from tallymast.domain.network_file import mistakes_in
from tallymast.domain.setup.form_mistakes import for_form
from tallymast.domain.setup.point_fields import POINT_GROUPS
from tallymast.domain.setup.things import Thing, find, remove
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.setup.answering import Asked, Button, checked, confirmed, opened, posted
from tallymast.routes.setup.changing import as_written
from tallymast.routes.setup.finding import name_of, the_body
from tallymast.routes.setup.forms import Form, Typed
from tallymast.routes.setup.try_choices import try_choices
from tallymast.routes.who import Person, ThePerson

router = APIRouter(include_in_schema=False)

_NEW = "/setup/profiles/{key}/points/new"
_ONE = "/setup/profiles/{key}/points/{tag}"


@router.get(_NEW)
def new_point(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, like: str = ""
) -> HTMLResponse:
    """Show the form of a point that is not there yet, perhaps like another."""
    return opened(point_asked(request, given, show, person, key, "", {"like": like}))


@router.post(_NEW)
async def make_point(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Add a point."""

    def make(tag: str) -> Asked:
        return point_asked(request, given, show, person, key, tag, texts)

    return await posted(make, "", lambda _, number: f"/setup/profiles/{key}?stored={number}#points")


@router.post(f"{_NEW}/check")
def check_new_point(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> HTMLResponse:
    """Say what is wrong so far."""
    return checked(point_asked(request, given, show, person, key, "", texts))


@router.get(_ONE)
def show_point(
    request: Request, key: str, tag: str, given: Given, show: Show, person: ThePerson
) -> HTMLResponse:
    """Show what is written of a point."""
    return opened(point_asked(request, given, show, person, key, tag))


@router.post(_ONE)
async def change_point(
    request: Request, key: str, tag: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Change a point."""

    def make(tag: str) -> Asked:
        return point_asked(request, given, show, person, key, tag, texts)

    return await posted(
        make, tag, lambda _, number: f"/setup/profiles/{key}?stored={number}#points"
    )


@router.post(f"{_ONE}/check")
def check_point(
    request: Request, key: str, tag: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> HTMLResponse:
    """Say what is wrong so far."""
    return checked(point_asked(request, given, show, person, key, tag, texts))


@router.post(f"{_ONE}/remove")
async def remove_point(
    request: Request, key: str, tag: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Remove a point nothing else names."""
    return await confirmed(
        lambda: removal(point_asked(request, given, show, person, key, tag, texts))
    )


def removal(asked: Asked) -> Button:
    """Return what the button does that removes a point.

    Raises:
        Problem: something else in the network needs it.

    """
    form = asked.form
    after = remove(form.written, form.thing)
    if wrong := mistakes_in(after):
        told = "; ".join(f"{one.place}: {for_form(one.sentence)}" for one in wrong[:5])
        raise Problem(409, f"{form.thing.tag} cannot be removed yet. {told}")
    return Button(asked, after, f"Point {form.thing.tag} removed", form.back)


def point_asked(
    request: Request,
    given: Services,
    show: Screens,
    person: Person,
    key: str,
    tag: str,
    texts: dict[str, str] | None = None,
) -> Asked:
    """Return a request about a profile's point; an empty tag is a new one's."""
    base, written = as_written(given)
    owner = the_body(written, Thing("profile", key))
    thing = Thing("profile", key, True, tag)
    like = (texts or {}).get("like", "")
    back = f"/setup/profiles/{key}"
    form = Form(
        thing,
        POINT_GROUPS,
        f"{back}/points/{tag or 'new'}",
        back,
        f"{tag} of {name_of(owner)}" if tag else "",
        "setup_point.html",
        the_body(written, thing) if tag else _like(written, key, like),
        written,
        base,
        like=like,
    )
    more = {"owner": name_of(owner), "choices": try_choices(written, key), "is_override": False}
    return Asked(request, given, show, person, form, texts or {}, more)


def _like(written: dict[str, object], key: str, tag: str) -> dict[str, object]:
    found = find(written, Thing("profile", key, True, tag)) if tag else None
    own = ("tag", "name", "table", "register", "reference", "bit", "write")
    return {name: value for name, value in (found or {}).items() if name not in own}
