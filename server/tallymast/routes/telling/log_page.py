"""What people were told: every message with where it is, a message's own page, and all as a file.

Names of people and what their servers say are for those who may change the setup; who was told of
one alarm stands on that alarm's page for everybody who may see it.
"""

from collections.abc import Iterator
from typing import Annotated, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, StreamingResponse
from sqlalchemy import Connection

from tallymast.domain.telling.model import Delivery, Message
from tallymast.domain.telling.settings import KEPT_DAYS
from tallymast.files.harmless import csv_line
from tallymast.routes.alarm_board import AlarmBoard, TheAlarms
from tallymast.routes.door import NOT_KEPT
from tallymast.routes.formats import iso
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.telling.rows import Beside, MessageRow, message_row, message_rows, try_rows
from tallymast.routes.telling.words import DELIVERIES, without_keys
from tallymast.storage import contacts, messages

SHOWN: Final = 50
PAGE: Final = 500
HIGHEST: Final = 2**62

router = APIRouter(include_in_schema=False)

State = Annotated[str, Query(max_length=20)]
To = Annotated[int, Query(ge=0, le=HIGHEST)]
Before = Annotated[int | None, Query(ge=1, le=HIGHEST)]


@router.get("/alarms/messages")
def messages_page(
    request: Request,
    given: Given,
    board: TheAlarms,
    show: Show,
    state: State = "",
    to: To = 0,
    before: Before = None,
) -> HTMLResponse:
    """Show what people were told, the newest first."""
    asked = _state(state)
    with given.database.reading() as connection:
        found = _log(connection, asked, to, before, SHOWN + 1)
        beside = beside_of(connection, given, board, found)
    query = {"state": state, "to": to or ""}
    chosen = {name: value for name, value in query.items() if value}
    older = urlencode({**chosen, "before": found[SHOWN - 1].id}) if len(found) > SHOWN else ""
    context = {
        "rows": message_rows(found[:SHOWN], beside),
        "states": {one.value: mark.word for one, mark in DELIVERIES.items()},
        "people": sorted(beside.contacts.values(), key=lambda one: (one.name, one.id)),
        "query": {"state": state, "to": to},
        "is_narrowed": bool(chosen or before),
        "kept_days": KEPT_DAYS,
        "older": older,
        "file": "/alarms/messages.csv" + (f"?{urlencode(chosen)}" if chosen else ""),
    }
    return _page(request, show, "alarms_messages.html", context)


@router.get("/alarms/messages.csv")
def messages_file(
    given: Given, board: TheAlarms, state: State = "", to: To = 0
) -> StreamingResponse:
    """Return all messages asked for as a table of text, the newest first, times in UTC."""
    lines = _lines(given, board, _state(state), to)
    headers = {"Content-Disposition": 'attachment; filename="messages.csv"', **NOT_KEPT}
    return StreamingResponse(lines, media_type="text/csv", headers=headers)


@router.get("/alarms/messages/{number}")
def message_page(
    request: Request, number: str, given: Given, board: TheAlarms, show: Show
) -> HTMLResponse:
    """Show one message as it was sent, and each try."""
    return _page(request, show, "alarms_message.html", _one(given, board, number))


@router.get("/alarms/messages/{number}/now")
def message_now(number: str, given: Given, board: TheAlarms, show: Show) -> HTMLResponse:
    """Return what became of a message so far, for a page that waits for it."""
    context = {"clock": show.clock(), **_one(given, board, number)}
    return HTMLResponse(show.fragment("partials/message_now.html", context), headers=NOT_KEPT)


def beside_of(conn: Connection, given: Services, board: AlarmBoard, found: list[Message]) -> Beside:
    """Return what rows of these messages need besides them."""
    alarms = given.alarms()
    tries = messages.tries(conn, [one.id for one in found]) if found else {}
    people = contacts.every(conn)
    return Beside(people, tries, alarms, board.numbers(alarms), given.network())


def _log(
    conn: Connection, state: Delivery | None, to: int, before: int | None, limit: int
) -> list[Message]:
    return [*messages.log(conn, before_id=before, contact_id=to or None, state=state, limit=limit)]


def _state(word: str) -> Delivery | None:
    try:
        return Delivery(word) if word else None
    except ValueError as error:
        raise Problem(422, f"A message is waiting, handed or given-up, not {word!r}.") from error


def _one(given: Services, board: AlarmBoard, number: str) -> dict[str, object]:
    wanted = int(number) if number.isdecimal() and len(number) < 19 else 0
    with given.database.reading() as connection:
        found = messages.of_id(connection, wanted)
        if found is None:
            raise Problem(404, f"There is no message {number}.")
        beside = beside_of(connection, given, board, [found])
    return {
        "row": message_row(found, beside),
        "body": without_keys(found.body),
        "tries": try_rows(beside.tries.get(found.id, ())),
    }


def _page(
    request: Request, show: Screens, template: str, context: dict[str, object]
) -> HTMLResponse:
    response = show.page(request, template, context)
    response.headers.update(NOT_KEPT)
    return response


# --- the file ---------------------------------------------------------------------------


def _lines(given: Services, board: AlarmBoard, state: Delivery | None, to: int) -> Iterator[str]:
    yield csv_line(
        *("number", "written UTC", "to", "way", "address", "why", "about", "subject"),
        *("state", "ended UTC", "tries", "said last"),
    )
    last: int | None = None
    while True:
        with given.database.reading() as connection:
            found = _log(connection, state, to, last, PAGE)
            beside = beside_of(connection, given, board, found)
        for one in message_rows(found, beside):
            yield csv_line(*_cells(one))
        if len(found) < PAGE:
            return
        last = found[-1].id


def _cells(one: MessageRow) -> tuple[str, ...]:
    return (
        str(one.number),
        iso(one.made_ms) or "",
        *(one.to, one.way, one.address, one.kind),
        "; ".join(name for _, name in one.about),
        one.subject,
        one.mark.word,
        iso(one.ended_ms) or "",
        str(one.tries),
        one.said,
    )
