"""What a person does to alarms by forms: acknowledge, shelve, take out of service, and back."""

from typing import Annotated, Literal

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import RedirectResponse

from tallymast.domain.people import plain
from tallymast.routes import alarm_acts
from tallymast.routes.alarm_acts import NOTE_LONGEST
from tallymast.routes.alarm_board import TheAlarms
from tallymast.routes.problems import Problem
from tallymast.routes.services import Given
from tallymast.routes.who import ThePerson

MOST = 1000  # Ours: more than a screen can hold, so that one form cannot ask for without end

router = APIRouter(include_in_schema=False)

Numbers = Annotated[list[int], Form(alias="alarm", max_length=MOST)]
Note = Annotated[str, Form(max_length=NOTE_LONGEST)]
Back = Annotated[Literal["list", "one"], Form()]
NONE: list[int] = []


@router.post("/alarms/acknowledge")
def acknowledge(
    request: Request,
    given: Given,
    person: ThePerson,
    board: TheAlarms,
    numbers: Numbers = NONE,
    note: Note = "",
    back: Back = "list",
) -> Response:
    """Say that the chosen ones were seen."""
    keys = board.keys(_some(numbers))
    alarm_acts.acknowledge(given, person, keys, plain(note, NOTE_LONGEST))
    return _done(request, numbers, back)


@router.post("/alarms/shelve")
def shelve(
    request: Request,
    given: Given,
    person: ThePerson,
    board: TheAlarms,
    hours: Annotated[float, Form(gt=0, le=168)],
    numbers: Numbers = NONE,
    note: Note = "",
    back: Back = "list",
) -> Response:
    """Hold the chosen ones back for some hours; they come back by themselves."""
    why = _why(note, "shelved")
    alarm_acts.shelve(given, person, board.keys(_some(numbers)), hours, why)
    return _done(request, numbers, back)


@router.post("/alarms/unshelve")
def unshelve(
    request: Request,
    given: Given,
    person: ThePerson,
    board: TheAlarms,
    numbers: Numbers = NONE,
    back: Back = "list",
) -> Response:
    """Take the chosen ones off the shelf."""
    for key in board.keys(_some(numbers)):
        alarm_acts.unshelve(given, person, key)
    return _done(request, numbers, back)


@router.post("/alarms/out-of-service")
def out_of_service(
    request: Request,
    given: Given,
    person: ThePerson,
    board: TheAlarms,
    numbers: Numbers = NONE,
    note: Note = "",
    back: Back = "list",
) -> Response:
    """Hold the chosen ones back until somebody puts them into service again."""
    why = _why(note, "taken out of service")
    for key in board.keys(_some(numbers)):
        alarm_acts.out_of_service(given, person, key, why)
    return _done(request, numbers, back)


@router.post("/alarms/in-service")
def in_service(
    request: Request,
    given: Given,
    person: ThePerson,
    board: TheAlarms,
    numbers: Numbers = NONE,
    note: Note = "",
    back: Back = "list",
) -> Response:
    """Put the chosen ones into service again."""
    for key in board.keys(_some(numbers)):
        alarm_acts.in_service(given, person, key, plain(note, NOTE_LONGEST))
    return _done(request, numbers, back)


@router.post("/alarms/reset")
def reset(
    request: Request,
    given: Given,
    person: ThePerson,
    board: TheAlarms,
    numbers: Numbers = NONE,
    note: Note = "",
    back: Back = "list",
) -> Response:
    """Reset the chosen latched ones, whose condition is normal again."""
    for key in board.keys(_some(numbers)):
        alarm_acts.reset(given, person, key, plain(note, NOTE_LONGEST))
    return _done(request, numbers, back)


@router.post("/alarms/test")
def test(request: Request, given: Given, person: ThePerson) -> Response:
    """Raise the test alarm."""
    alarm_acts.raise_test(given, person)
    if "hx-request" in request.headers:
        return Response(status_code=204)
    return RedirectResponse("/alarms", 303)


def _some(numbers: list[int]) -> list[int]:
    if not numbers:
        raise Problem(422, "No alarm was selected; tick the boxes of those you mean.")
    return numbers


def _why(note: str, done: str) -> str:
    why = plain(note, NOTE_LONGEST)
    if len(why) < 3:
        raise Problem(422, f"Write in the note why it is {done}; whoever comes next reads it.")
    return why


def _done(request: Request, numbers: list[int], back: str) -> Response:
    if "hx-request" in request.headers:
        return Response(status_code=204)
    return RedirectResponse(f"/alarms/{numbers[0]}" if back == "one" else "/alarms", 303)
