"""Alarms: what calls now, in which order, and what is held back? The page and its stream."""

from collections.abc import AsyncIterator
from typing import Annotated, Final

from fastapi import APIRouter, Header, Request
from fastapi.responses import HTMLResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent

from tallymast.domain.people import Right, Role
from tallymast.routes.alarm_acts import NOTE_LONGEST
from tallymast.routes.alarm_board import TheAlarms
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.streams import stream, version_word
from tallymast.routes.who import StillThere, ThePerson
from tallymast.storage import test_alarm

# Ours: shelving is for a shift; what is longer takes a supervisor, and is rather mended.
HOURS: Final = ((1, "1 hour"), (2, "2 hours"), (4, "4 hours"), (8, "8 hours"), (12, "12 hours"))
LONGER: Final = ((24, "1 day"), (72, "3 days"), (168, "7 days"))
OFFERED: Final = 8

router = APIRouter(include_in_schema=False)


@router.get("/alarms")
def alarm_page(
    request: Request, given: Given, person: ThePerson, board: TheAlarms, show: Show
) -> HTMLResponse:
    """Show what calls, the most urgent first, and what is held back."""
    version, found = board.shown()
    context = {
        "stream": f"/stream/alarms?have={version_word(given, version)}",
        "kept": board.kept,
        "view": found,
        "blind": given.blind(),
        "weekly": _weekly(given),
        **act_choices(person),
    }
    return show.page(request, "alarms.html", context)


def _weekly(given: Services) -> str:
    with given.database.reading() as connection:
        return test_alarm.load(connection).words


@router.get("/alarms/now")
def alarms_now(board: TheAlarms) -> HTMLResponse:
    """Return the lists as they are now, for a page that was told of news."""
    board.shown()
    return HTMLResponse(board.kept("now"), headers={"Cache-Control": "no-store"})


@router.get("/stream/alarms", response_class=EventSourceResponse)
async def alarm_stream(
    given: Given,
    board: TheAlarms,
    still: StillThere,
    have: str = "",
    last_event_id: Annotated[str, Header()] = "",
) -> AsyncIterator[ServerSentEvent]:
    """Keep an open page of alarms current."""
    async for event in stream(given, board, board.catch_up, last_event_id or have, still):
        yield event


def act_choices(person: ThePerson) -> dict[str, object]:
    """Return what the forms of acts need: whether there are any, and for how long to shelve."""
    longer = LONGER if person.role is Role.SUPERVISOR else ()
    return {
        "may_alarm": person.may(Right.ALARM),
        "may_rest": person.may(Right.SETUP),
        "hours": HOURS + longer,
        "hours_offered": OFFERED,
        "note_longest": NOTE_LONGEST,
    }
