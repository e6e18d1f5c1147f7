"""The form of a site's point: what is its own, or differs there from its profile."""

from dataclasses import replace

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from tallymast.domain.setup.fields import Group
from tallymast.domain.setup.point_fields import POINT_GROUPS
from tallymast.domain.setup.things import Thing, find
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.setup.answering import Asked, Button, checked, confirmed, opened, posted
from tallymast.routes.setup.changing import as_written
from tallymast.routes.setup.finding import name_of, the_body
from tallymast.routes.setup.forms import Form, Typed
from tallymast.routes.setup.point_form import removal
from tallymast.routes.who import Person, ThePerson

router = APIRouter(include_in_schema=False)

_NEW = "/setup/sites/{key}/points/new"
_ONE = "/setup/sites/{key}/points/{tag}"


@router.get(_NEW)
def new_own_point(
    request: Request, key: str, given: Given, show: Show, person: ThePerson
) -> HTMLResponse:
    """Show the form of a point only this site has."""
    return opened(site_point_asked(request, given, show, person, key, ""))


@router.post(_NEW)
async def make_own_point(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Add a point only this site has."""

    def make(tag: str) -> Asked:
        return site_point_asked(request, given, show, person, key, tag, texts)

    return await posted(make, "", lambda _, number: f"/setup/sites/{key}?stored={number}#points")


@router.post(f"{_NEW}/check")
def check_new_own_point(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> HTMLResponse:
    """Say what is wrong so far."""
    return checked(site_point_asked(request, given, show, person, key, "", texts))


@router.get(_ONE)
def show_site_point(
    request: Request, key: str, tag: str, given: Given, show: Show, person: ThePerson
) -> HTMLResponse:
    """Show what is written of a point for this site."""
    return opened(site_point_asked(request, given, show, person, key, tag))


@router.post(_ONE)
async def change_site_point(
    request: Request, key: str, tag: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Change a point for this site alone."""

    def make(tag: str) -> Asked:
        return site_point_asked(request, given, show, person, key, tag, texts)

    return await posted(make, tag, lambda _, number: f"/setup/sites/{key}?stored={number}#points")


@router.post(f"{_ONE}/check")
def check_site_point(
    request: Request, key: str, tag: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> HTMLResponse:
    """Say what is wrong so far."""
    return checked(site_point_asked(request, given, show, person, key, tag, texts))


@router.post(f"{_ONE}/remove")
async def remove_site_point(
    request: Request, key: str, tag: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Remove what is written of a point for this site: its own point, or what differs."""

    def make() -> Button:
        asked = site_point_asked(request, given, show, person, key, tag, texts)
        the_body(asked.form.written, asked.form.thing)
        return removal(asked)

    return await confirmed(make)


def site_point_asked(
    request: Request,
    given: Services,
    show: Screens,
    person: Person,
    key: str,
    tag: str,
    texts: dict[str, str] | None = None,
) -> Asked:
    """Return a request about a site's point; an empty tag is a new one's."""
    base, written = as_written(given)
    owner = the_body(written, Thing("site", key))
    thing = Thing("site", key, True, tag)
    below = find(written, Thing("profile", str(owner.get("profile")), True, tag)) if tag else None
    body = find(written, thing)
    if tag and body is None and below is None:
        the_body(written, thing)  # says what there is
    back = f"/setup/sites/{key}"
    form = Form(
        thing,
        POINT_GROUPS if below is None else _OVERRIDE,
        f"{back}/points/{tag or 'new'}",
        back,
        f"{tag} at {name_of(owner)}" if tag else "",
        "setup_point.html",
        body or ({"tag": tag} if tag else {}),
        written,
        base,
        below=below or {},
    )
    more = {
        "owner": name_of(owner),
        "choices": None,
        "is_override": below is not None,
        "is_written": body is not None,
    }
    return Asked(request, given, show, person, form, texts or {}, more)


def _optional(group: Group) -> Group:
    fields = tuple(replace(one, needed=False) for one in group.fields if one.key != "tag")
    return replace(group, fields=fields)


_OVERRIDE = tuple(_optional(group) for group in POINT_GROUPS)
