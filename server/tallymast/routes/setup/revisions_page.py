"""The list of what changed the network, each change's page, and the network as it was then."""

from typing import Annotated, Final

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from tallymast.domain.network_file import Written
from tallymast.domain.setup.undo import Later, Undone, as_of
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.setup.changing import SOURCES
from tallymast.routes.setup.export_files import toml_file
from tallymast.routes.setup.preview import Part
from tallymast.routes.setup.revision_told import told
from tallymast.routes.who import ThePerson
from tallymast.storage import network, revision_list
from tallymast.storage.changing import difference_of
from tallymast.storage.revision_list import Revision

A_PAGE: Final = 50
router = APIRouter(include_in_schema=False)

Number = Annotated[int, Path(ge=1, le=2**53)]


@router.get("/setup/revisions")
def revisions(
    request: Request,
    given: Given,
    show: Show,
    before: Annotated[int | None, Query(ge=1, le=2**53)] = None,
) -> HTMLResponse:
    """Show the changes of the network, the newest first."""
    with given.database.reading() as connection:
        found = revision_list.newest(connection, A_PAGE + 1, before)
        base = network.revision(connection)
    context = {
        "rows": found[:A_PAGE],
        "older": found[A_PAGE - 1].number if len(found) > A_PAGE else None,
        "is_newest": before is None,
        "base": base,
        "sources": SOURCES,
    }
    return show.page(request, "setup_revisions.html", context)


@router.get("/setup/revisions/{number}")
def revision(request: Request, number: Number, given: Given, show: Show) -> HTMLResponse:
    """Show what one change changed."""
    with given.database.reading() as connection:
        one = the_revision(connection, number)
        lines = difference_of(connection, number) or []
        base, first = network.revision(connection), revision_list.first(connection)
    context = {
        "one": one,
        "part": Part("differences", "What it changed", told(lines)),
        "base": base,
        "is_first": number == first,
        "sources": SOURCES,
    }
    return show.page(request, "setup_revision.html", context)


@router.get("/setup/revisions/{number}/network.toml")
def network_then(number: Number, given: Given, person: ThePerson) -> Response:
    """Answer the network file as it was after a change."""
    _, _, then = network_at(given, number)
    return toml_file(given, person, then.written, f"network-{number}.toml")


def network_at(given: Services, number: int) -> tuple[int, Written, Undone]:
    """Return the newest revision, the network today, and the network after a revision.

    Raises:
        Problem: there is no such revision.

    """
    with given.database.reading() as connection:
        the_revision(connection, number)
        base, today = network.revision(connection), network.load_written(connection)
        steps = since(connection, number)
    return base, today, as_of(today, steps)


def since(connection: Connection, number: int) -> tuple[Later, ...]:
    """Return what every revision after one changed, oldest first."""
    return tuple(Later(n, tuple(lines)) for n, lines in revision_list.later(connection, number))


def the_revision(connection: Connection, number: int) -> Revision:
    """Return a revision.

    Raises:
        Problem: there is none of this number.

    """
    found = revision_list.of_number(connection, number)
    if found is None:
        raise Problem(404, f"There is no revision {number} of the network.")
    return found
