"""Files somebody sends to change the network: kept as drafts, mended, looked at, then made.

Nothing of a file reaches the network before its button is pressed, and then all of it does.
"""

from dataclasses import dataclass, replace
from typing import Annotated, Final

from fastapi import APIRouter, Path, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.datastructures import UploadFile

from tallymast.domain.errors import ConfigError
from tallymast.domain.people import Right, plain
from tallymast.domain.setup.hidden_codes import with_codes, without_codes
from tallymast.domain.setup.table_work import CellMistake
from tallymast.files.table_in import read_sent
from tallymast.routes.door import NOT_KEPT
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.security import LARGEST_FILE
from tallymast.routes.services import Given, Services
from tallymast.routes.setup.changing import as_written, ask_where_outputs_drop, store
from tallymast.routes.setup.import_reading import (
    NETWORK,
    TABLES,
    Looked,
    body_of,
    grids_of,
    looked_at,
    mended,
)
from tallymast.routes.setup.preview import preview
from tallymast.routes.who import Person, ThePerson
from tallymast.storage import drafts, network
from tallymast.storage.drafts import Draft

TOLD: Final = 50  # ours: nobody reads on
PASTED: Final = "Pasted text"
_NOTHING = "Choose a file, or paste its text."
_MEANWHILE = "The network was changed meanwhile: look at it once more, nothing was stored yet."
router = APIRouter(include_in_schema=False)

Number = Annotated[int, Path(ge=1, le=2**53)]


@dataclass(frozen=True, slots=True)
class Faulty:
    """One mistake on the page, with what stands in its cell, if it is one that can be mended."""

    where: str
    sentence: str
    name: str = ""
    text: str = ""
    is_long: bool = False


@router.get("/setup/import")
def import_page(request: Request, given: Given, person: ThePerson, show: Show) -> HTMLResponse:
    """Show where a file is sent, and what was sent and not used yet."""
    return _page(request, given, person, show)


@router.post("/setup/import")
async def send(request: Request, given: Given, person: ThePerson, show: Show) -> Response:
    """Take a file, or a text that was pasted, and keep it as a draft."""
    async with request.form(max_files=1, max_fields=10, max_part_size=LARGEST_FILE) as form:
        file, text = form.get("file"), form.get("text", "")
        name, content = PASTED, text.encode("utf-8", "replace") if isinstance(text, str) else b""
        if isinstance(file, UploadFile) and file.filename:
            name, content = plain(file.filename, 100) or "the file", await file.read()
    if not content.strip():
        wrong = _NOTHING if name == PASTED else f"{name}: The file is empty."
        return await run_in_threadpool(_page, request, given, person, show, (wrong,))
    return await run_in_threadpool(_keep, request, given, person, show, name, content)


def _keep(
    request: Request, given: Services, person: Person, show: Screens, name: str, content: bytes
) -> Response:
    text = content.decode("utf-8", "replace") if name == PASTED else ""
    try:
        kind, body = body_of(read_sent(name, content))
    except ConfigError as error:
        return _page(request, given, person, show, error.mistakes, text)
    with given.database.writing() as connection:
        drafts.end_old(connection, given.now_ms())
        number = drafts.add(
            connection,
            kind,
            name,
            body,
            actor=person.name,
            account_id=person.account_id,
            revision_id=network.revision(connection),
            at_ms=given.now_ms(),
        )
    return RedirectResponse(f"/setup/import/{number}", 303)


@router.get("/setup/import/{number}")
def draft_page(
    request: Request, number: Number, given: Given, person: ThePerson, show: Show
) -> Response:
    """Show what a file would change, or what is wrong with it and where to mend it."""
    return _draft_page(request, given, person, show, _draft(given, person, number))


@router.post("/setup/import/{number}")
async def decide(
    request: Request, number: Number, given: Given, person: ThePerson, show: Show
) -> Response:
    """Mend a draft, discard it, or make it the network, as its ``step`` says."""
    async with request.form(max_files=1, max_fields=500, max_part_size=LARGEST_FILE) as form:
        fields = {name: value for name, value in form.items() if isinstance(value, str)}
    return await run_in_threadpool(_decide, request, number, given, person, show, fields)


def _decide(
    request: Request,
    number: int,
    given: Services,
    person: Person,
    show: Screens,
    fields: dict[str, str],
) -> Response:
    draft, step = _draft(given, person, number), fields.get("step", "")
    if step == "discard":
        with given.database.writing() as connection:
            drafts.end(connection, number, given.now_ms())
        return RedirectResponse("/setup/import", 303)
    if step == "store":
        return _store(request, given, person, show, draft, fields.get("base", ""))
    if step == "edit":
        return _mend_page(request, person, show, draft, Looked(None))
    better = _mended(draft, fields, person)
    with given.database.writing() as connection:
        drafts.put_body(connection, number, better.body)
    return RedirectResponse(f"/setup/import/{number}", 303)


def _mended(draft: Draft, fields: dict[str, str], person: Person) -> Draft:
    if draft.kind == TABLES:
        return mended(draft, fields)
    if "text" not in fields:
        return draft
    text = fields["text"].replace("\r\n", "\n")
    if not person.may(Right.LOCKS):
        text = with_codes(text, without_codes(draft.body["text"])[1])
    return replace(draft, body={"text": text})


def _store(
    request: Request, given: Services, person: Person, show: Screens, draft: Draft, base: str
) -> Response:
    newest, today = as_written(given)
    found = looked_at(draft, newest, today)
    if found.proposal is None or base != str(newest):
        return _draft_page(request, given, person, show, draft, (_MEANWHILE,))
    ask_where_outputs_drop(request, given, person, today, found.proposal)
    made = store(given, person, found.proposal)
    with given.database.writing() as connection:
        drafts.end(connection, draft.id, given.now_ms())
    return RedirectResponse(f"/setup/revisions/{made}", 303)


def _draft(given: Services, person: Person, number: int) -> Draft:
    with given.database.reading() as connection:
        found = drafts.of_id(connection, number, person.account_id, given.now_ms())
    if found is None:
        raise Problem(
            404,
            f"There is no file {number} of yours that waits: it was used or discarded, is older"
            " than 7 days, or somebody else sent it.",
        )
    return found


# --- pages --------------------------------------------------------------------------------


def _page(
    request: Request,
    given: Services,
    person: Person,
    show: Screens,
    wrong: tuple[str, ...] = (),
    text: str = "",
) -> HTMLResponse:
    with given.database.reading() as connection:
        waiting = drafts.open_of(connection, person.account_id, given.now_ms())
    context = {"wrong": wrong, "text": text, "waiting": waiting}
    return show.page(request, "setup_import.html", context, 422 if wrong else 200)


def _draft_page(
    request: Request,
    given: Services,
    person: Person,
    show: Screens,
    draft: Draft,
    cautions: tuple[str, ...] = (),
) -> Response:
    base, today = as_written(given)
    found = looked_at(draft, base, today)
    if found.proposal is None:
        return _mend_page(request, person, show, draft, found)
    return preview(
        request,
        show,
        today,
        found.proposal,
        headline=draft.name,
        post_to=f"/setup/import/{draft.id}",
        back="/setup/import",
        fields={},
        edit="Change its text first" if draft.kind == NETWORK else "",
        discard="Discard it",
        notes=found.notes,
        cautions=cautions,
        status=409 if cautions else 200,
    )


def _mend_page(
    request: Request, person: Person, show: Screens, draft: Draft, found: Looked
) -> HTMLResponse:
    is_text = draft.kind == NETWORK
    text = draft.body["text"] if is_text else ""
    hidden = 0
    if is_text and not person.may(Right.LOCKS):
        text, codes = without_codes(text)
        hidden = len(codes)
    context = {
        "draft": draft,
        "faults": _faults(draft, found.mistakes),
        "count": len(found.mistakes),
        "more": max(len(found.mistakes) - TOLD, 0),
        "is_text": is_text,
        "text": text,
        "hidden": hidden,
    }
    response = show.page(request, "setup_import_mend.html", context)
    response.headers.update(NOT_KEPT)
    return response


def _faults(draft: Draft, mistakes: tuple[CellMistake, ...]) -> list[Faulty]:
    grids, offered, found = grids_of(draft), set(), []
    for one in mistakes[:TOLD]:
        if one.cell is None or one.cell in offered:
            found.append(Faulty(one.where, one.sentence))
            continue
        offered.add(one.cell)
        grid, row, column = one.cell
        text = grids[grid].cell(row, column)
        name = f"cell.{grid}.{row}.{column}"
        found.append(Faulty(one.where, one.sentence, name, text, "\n" in text))
    return found
