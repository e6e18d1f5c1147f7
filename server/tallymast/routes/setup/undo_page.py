"""Taking changes back: one of them, or all since a revision; looked at first, then made."""

from typing import Annotated

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy import Connection

from tallymast.domain.errors import ConfigError, StorageError
from tallymast.domain.network_file import Written, build, mistakes_in
from tallymast.domain.setup.proposals import Proposal
from tallymast.domain.setup.undo import Undone, undone
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.setup.changing import ask_where_outputs_drop, store
from tallymast.routes.setup.preview import preview
from tallymast.routes.setup.revisions_page import Number, network_at, since, the_revision
from tallymast.routes.who import Person, ThePerson
from tallymast.storage import network, revision_list
from tallymast.storage.changing import difference_of
from tallymast.storage.revision_list import Revision

_LONGEST = 300
_MEANWHILE = "The network was changed meanwhile: look at it once more, nothing was stored yet."
router = APIRouter(include_in_schema=False)

Base = Annotated[int | None, Form()]
Step = Annotated[str, Form(max_length=20)]


@router.post("/setup/revisions/{number}/undo")
def undo(
    request: Request,
    number: Number,
    given: Given,
    person: ThePerson,
    show: Show,
    step: Step = "",
    base: Base = None,
) -> Response:
    """Take one change back: first what that does, then, with ``step`` = ``store``, do it."""
    with given.database.reading() as connection:
        one = the_revision(connection, number)
        if number == revision_list.first(connection):
            raise Problem(409, "This is the first network; there is nothing before it.")
        newest, today = network.revision(connection), network.load_written(connection)
        found = undone(today, difference_of(connection, number) or [], since(connection, number))
        before = _before(connection, number)
    wrong = () if found.clashes else mistakes_in(found.written)
    if found.clashes or wrong:
        context = {"one": one, "clashes": found.clashes, "wrong": wrong, "before": before}
        return show.page(request, "setup_revision_clash.html", context, 409)
    proposal = _proposal(newest, found, sentence=_sentence(given, one), undoes=number)
    post_to = f"/setup/revisions/{number}/undo"
    headline = f"Take back revision {number}"
    return _ask_or_store(
        request, given, person, show, today, proposal, headline, post_to, step, base
    )


@router.post("/setup/revisions/{number}/restore")
def restore(
    request: Request,
    number: Number,
    given: Given,
    person: ThePerson,
    show: Show,
    step: Step = "",
    base: Base = None,
) -> Response:
    """Take the whole network back to what it was after a change."""
    newest, today, then = network_at(given, number)
    proposal = _proposal(
        newest, then, sentence=f"Takes the whole network back to revision {number}."
    )
    post_to = f"/setup/revisions/{number}/restore"
    headline = f"The whole network as of revision {number}"
    return _ask_or_store(
        request, given, person, show, today, proposal, headline, post_to, step, base
    )


def _ask_or_store(
    request: Request,
    given: Services,
    person: Person,
    show: Screens,
    today: Written,
    proposal: Proposal,
    headline: str,
    post_to: str,
    step: str,
    base: int | None,
) -> Response:
    if step == "store" and base == proposal.base:
        ask_where_outputs_drop(request, given, person, today, proposal)
        try:
            made = store(given, person, proposal)
        except StorageError as error:
            if not proposal.renamed:
                raise
            raise Problem(409, f"{error} Nothing was changed.") from error
        return RedirectResponse(f"/setup/revisions/{made}", 303)
    return preview(
        request,
        show,
        today,
        proposal,
        headline=headline,
        post_to=post_to,
        back=post_to.rpartition("/")[0],
        fields={},
        edit="",
        cautions=(_MEANWHILE,) if step == "store" else (),
        status=409 if step == "store" else 200,
    )


def _proposal(base: int, found: Undone, *, sentence: str, undoes: int | None = None) -> Proposal:
    try:
        whole = build(found.written, "The network")
    except ConfigError as error:
        raise Problem(409, f"It does not hold together by today's rules. {error}") from error
    return Proposal(
        base,
        found.written,
        whole,
        "undo",
        renamed=found.renamed,
        undoes=undoes,
        sentence=sentence,
    )


def _sentence(given: Services, one: Revision) -> str:
    """Return what the list will say; an undo of an undo names what it makes again."""
    if one.undoes is None:
        return f"Takes back revision {one.number}: {one.sentence}"[:_LONGEST]
    with given.database.reading() as connection:
        first = revision_list.of_number(connection, one.undoes)
    said = first.sentence if first else one.sentence
    return f"Takes back revision {one.number}, so makes {one.undoes} again: {said}"[:_LONGEST]


def _before(connection: Connection, number: int) -> int | None:
    """Return the revision before one."""
    found = revision_list.newest(connection, 1, before=number)
    return found[0].number if found else None
