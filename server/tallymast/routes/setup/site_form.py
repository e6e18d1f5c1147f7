"""The form of a site: what it is, how it is reached and powered, how people get there."""

from collections.abc import Mapping
from datetime import date
from types import MappingProxyType
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse

from tallymast.domain import network_file
from tallymast.domain.local_times import local_time
from tallymast.domain.network_file import Written, mistakes_in
from tallymast.domain.setup.form_mistakes import for_form
from tallymast.domain.setup.site_fields import NEW_SITE_GROUPS, SITE_GROUPS
from tallymast.domain.setup.things import Thing, free_unit, put, remove, users_of
from tallymast.domain.zones import find_zone
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.setup.answering import Asked, Button, checked, confirmed, opened, posted
from tallymast.routes.setup.changing import as_written
from tallymast.routes.setup.finding import copied, name_of, the_body
from tallymast.routes.setup.forms import Form, Typed
from tallymast.routes.setup.point_rows import PointRow, point_rows
from tallymast.routes.who import Person, ThePerson
from tallymast.storage.keys import has_history

router = APIRouter(include_in_schema=False)

_NEW = "/setup/sites/new"
# What a site like another one does not take over: what is its own, and where it lies.
_PLACE = ("latitude", "longitude", "altitude_m", "access", "road", "coverage", "drawing")
_OWN = frozenset(("key", "name", "unit", *_PLACE, "cautions", "lock", "retired", "in_service"))
_OWN_OF_SUPPLY = ("installed", "meter_offset_v")
Word = Annotated[str, Query(max_length=40)]


@router.get(_NEW)
def new_site(
    request: Request,
    given: Given,
    show: Show,
    person: ThePerson,
    like: Word = "",
    gateway: Word = "",
    unit: Word = "",
    profile: Word = "",
) -> HTMLResponse:
    """Show the form of a site that is not there yet, perhaps like another, perhaps just found."""
    found = {"gateway": gateway, "unit": unit, "profile": profile}
    return opened(_asked(request, given, show, person, "", {"like": like}, found))


@router.post(_NEW)
async def make_site(
    request: Request, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Add a site; commissioning it comes next."""

    def make(key: str) -> Asked:
        return _asked(request, given, show, person, key, texts)

    return await posted(make, "", lambda tried, _: f"/sites/{tried.body['key']}/commissioning")


@router.post(f"{_NEW}/check")
def check_new_site(
    request: Request, given: Given, show: Show, person: ThePerson, texts: Typed
) -> HTMLResponse:
    """Say what is wrong so far."""
    return checked(_asked(request, given, show, person, "", texts))


@router.get("/setup/sites/{key}")
def show_site(
    request: Request, key: str, given: Given, show: Show, person: ThePerson
) -> HTMLResponse:
    """Show what is written of a site."""
    return opened(_asked(request, given, show, person, key))


@router.post("/setup/sites/{key}")
async def change_site(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Change a site."""

    def make(key: str) -> Asked:
        return _asked(request, given, show, person, key, texts)

    return await posted(
        make, key, lambda tried, number: f"/setup/sites/{tried.body['key']}?stored={number}"
    )


@router.post("/setup/sites/{key}/check")
def check_site(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> HTMLResponse:
    """Say what is wrong so far."""
    return checked(_asked(request, given, show, person, key, texts))


@router.post("/setup/sites/{key}/retire")
async def retire_site(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Retire a site: from today on it is history only."""
    return await confirmed(lambda: _retirement(_asked(request, given, show, person, key, texts)))


@router.post("/setup/sites/{key}/remove")
async def remove_site(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Remove a site that never answered."""
    return await confirmed(lambda: _removal(_asked(request, given, show, person, key, texts)))


def _retirement(asked: Asked) -> Button:
    form = asked.form
    zone = find_zone(str(form.written.get("time_zone", "UTC")))
    today: date = local_time(asked.given.now_ms(), zone).date()
    after = put(form.written, form.thing, {**form.body, "retired": today.isoformat()})
    _refuse(form.name, after, "retired")
    sentence = f"Site {form.thing.key} is retired."
    return Button(asked, after, f"{form.name} retired", form.path, sentence)


def _removal(asked: Asked) -> Button:
    form = asked.form
    if asked.more["has_history"]:
        raise Problem(409, f"{form.name} has answered: retire it, so that its history stays.")
    after = remove(form.written, form.thing)
    _refuse(form.name, after, "removed")
    return Button(asked, after, f"Site {form.name} removed", "/setup")


def _refuse(name: str, after: Written, what: str) -> None:
    if wrong := mistakes_in(after):
        told = "; ".join(f"{one.place}: {for_form(one.sentence)}" for one in wrong[:5])
        raise Problem(409, f"{name} cannot be {what} yet. {told}")


def _asked(
    request: Request,
    given: Services,
    show: Screens,
    person: Person,
    key: str,
    texts: dict[str, str] | None = None,
    found: Mapping[str, str] = MappingProxyType({}),
) -> Asked:
    form = _form(given, key, (texts or {}).get("like", ""), found)
    with given.database.reading() as connection:
        history = bool(key) and has_history(connection, key)
    more = {
        "points": _points(form.written, key) if key else [],
        "repeats": users_of(form.written, form.thing) if key else [],
        "has_history": history,
    }
    return Asked(request, given, show, person, form, texts or {}, more)


def _form(given: Services, key: str, like: str, found: Mapping[str, str]) -> Form:
    base, written = as_written(given)
    thing = Thing("site", key)
    body = the_body(written, thing) if key else _copied(written, like)
    path = f"/setup/sites/{key}" if key else _NEW
    return Form(
        thing,
        SITE_GROUPS if key or like else NEW_SITE_GROUPS,
        path,
        "/setup",
        name_of(body) if key else "",
        "setup_site.html",
        body,
        written,
        base,
        like=like,
        prefilled={} if key else _prefilled(written, body, found),
    )


def _copied(written: Written, like: str) -> Written:
    body = copied(written, "site", like, _OWN)
    if "supply" in body:
        supply = {key: one for key, one in body["supply"].items() if key not in _OWN_OF_SUPPLY}
        body = {**body, "supply": supply}
    return body


def _prefilled(written: Written, body: Written, found: Mapping[str, str]) -> Mapping[str, str]:
    """Return what needs no choosing: what was found, the only gateway, the next free address."""
    filled = {}
    for table in ("gateway", "profile"):
        keys = [str(one["key"]) for one in written.get(table, [])]
        only = keys[0] if len(keys) == 1 else ""
        chosen = found.get(table, "")
        filled[table] = str(body.get(table, "")) or (chosen if chosen in keys else only)
    if found.get("unit", "").isdecimal():
        return {**filled, "unit": found["unit"]}
    unit = free_unit(written, filled["gateway"]) if filled["gateway"] else None
    return {**filled, "unit": "" if unit is None else str(unit)}


def _points(written: Written, key: str) -> list[PointRow]:
    network = network_file.build(written, "")
    site = next(one for one in (*network.sites, *network.retired) if one.key == key)
    profile = next(one for one in network.profiles if one.key == site.profile)
    body = the_body(written, Thing("site", key))
    shared = {one.tag for one in profile.points}
    own = {str(one["tag"]): set(one) - {"tag"} for one in body.get("point", [])}
    notes = {
        tag: f"changed here: {', '.join(sorted(keys))}" if tag in shared else "this site's own"
        for tag, keys in own.items()
    }
    return point_rows(site.points, notes)
