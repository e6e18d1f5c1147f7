"""The form of the network itself: its name, its clock, its contract day."""

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from tallymast.domain.setup.network_fields import NETWORK_GROUPS
from tallymast.domain.setup.things import Thing, find
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.setup.answering import Asked, checked, opened, posted
from tallymast.routes.setup.changing import as_written
from tallymast.routes.setup.forms import Form, Typed
from tallymast.routes.who import ThePerson

router = APIRouter(include_in_schema=False)

_PATH = "/setup/network"


@router.get(_PATH)
def show_network(request: Request, given: Given, show: Show, person: ThePerson) -> HTMLResponse:
    """Show what is written of the network itself."""
    return opened(Asked(request, given, show, person, _form(given)))


@router.post(_PATH)
async def change_network(
    request: Request, given: Given, show: Show, person: ThePerson, texts: Typed
) -> Response:
    """Change it."""

    def make(_: str) -> Asked:
        return Asked(request, given, show, person, _form(given), texts)

    return await posted(make, "", lambda _, number: f"/setup?stored={number}")


@router.post(f"{_PATH}/check")
def check_network(
    request: Request, given: Given, show: Show, person: ThePerson, texts: Typed
) -> HTMLResponse:
    """Say what is wrong so far."""
    return checked(Asked(request, given, show, person, _form(given), texts))


def _form(given: Services) -> Form:
    base, written = as_written(given)
    thing = Thing("network")
    body = find(written, thing) or {}
    name, template = "The network", "setup_form.html"
    return Form(thing, NETWORK_GROUPS, _PATH, "/setup", name, template, body, written, base)
