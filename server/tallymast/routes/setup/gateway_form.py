"""The form of a gateway: how its channel is reached, and how patient polling is on it."""

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from tallymast.domain.setup.network_fields import GATEWAY_GROUPS
from tallymast.domain.setup.things import Thing, remove, users_of
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.setup.answering import Asked, Button, checked, confirmed, opened, posted
from tallymast.routes.setup.changing import as_written
from tallymast.routes.setup.finding import name_of, the_body
from tallymast.routes.setup.forms import Form, Typed
from tallymast.routes.who import Person, ThePerson

router = APIRouter(include_in_schema=False)

_NEW = "/setup/gateways/new"


@router.get(_NEW)
def new_gateway(request: Request, given: Given, show: Show, person: ThePerson) -> HTMLResponse:
    """Show the form of a gateway that is not there yet."""
    return opened(Asked(request, given, show, person, _form(given, "")))


@router.post(_NEW)
async def make_gateway(
    request: Request, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Add a gateway."""

    def make(key: str) -> Asked:
        return _asked(request, given, show, person, key, texts)

    return await posted(make, "", lambda _, number: f"/setup?stored={number}")


@router.post(f"{_NEW}/check")
def check_new_gateway(
    request: Request, given: Given, show: Show, person: ThePerson, texts: Typed
) -> HTMLResponse:
    """Say what is wrong so far."""
    return checked(Asked(request, given, show, person, _form(given, ""), texts))


@router.get("/setup/gateways/{key}")
def show_gateway(
    request: Request, key: str, given: Given, show: Show, person: ThePerson
) -> HTMLResponse:
    """Show what is written of a gateway."""
    return opened(_asked(request, given, show, person, key))


@router.post("/setup/gateways/{key}")
async def change_gateway(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Change a gateway."""

    def make(key: str) -> Asked:
        return _asked(request, given, show, person, key, texts)

    return await posted(
        make, key, lambda tried, number: f"/setup/gateways/{tried.body['key']}?stored={number}"
    )


@router.post("/setup/gateways/{key}/check")
def check_gateway(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> HTMLResponse:
    """Say what is wrong so far."""
    return checked(_asked(request, given, show, person, key, texts))


@router.post("/setup/gateways/{key}/remove")
async def remove_gateway(
    request: Request, key: str, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Remove a gateway no site lies behind."""
    return await confirmed(lambda: _removal(_asked(request, given, show, person, key, texts)))


def _removal(asked: Asked) -> Button:
    form = asked.form
    if users := users_of(form.written, form.thing):
        raise Problem(409, f"{form.name} still reaches {', '.join(users)}; move these first.")
    after = remove(form.written, form.thing)
    return Button(asked, after, f"Gateway {form.name} removed", "/setup")


def _asked(
    request: Request,
    given: Services,
    show: Screens,
    person: Person,
    key: str,
    texts: dict[str, str] | None = None,
) -> Asked:
    form = _form(given, key)
    more = {"users": users_of(form.written, form.thing) if key else []}
    return Asked(request, given, show, person, form, texts or {}, more)


def _form(given: Services, key: str) -> Form:
    base, written = as_written(given)
    thing = Thing("gateway", key)
    body = the_body(written, thing) if key else {}
    path = f"/setup/gateways/{key}" if key else _NEW
    name = name_of(body) if key else ""
    template = "setup_gateway.html"
    return Form(thing, GATEWAY_GROUPS, path, "/setup", name, template, body, written, base)
