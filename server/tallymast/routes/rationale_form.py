"""Writes what an alarm says of itself at one site, and takes it back: with the audit, or not.

Refused input comes back whole, with a sentence at each field. That a site has too many urgent
alarms is said before it is kept, and is not forbidden: who knows the place decides.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy import Connection

from tallymast.domain.alarms.model import Alarm, Alarms
from tallymast.domain.alarms.rationalised import (
    TERMS,
    Written,
    apart,
    change_words,
    fields_of,
    one_line,
    told_words,
    wrong_with,
)
from tallymast.domain.alarms.setting_up import too_many_urgent
from tallymast.domain.audit import Act
from tallymast.domain.model import Priority
from tallymast.routes.alarm_board import TheAlarms
from tallymast.routes.alarm_one_page import Asked, alarm_answer
from tallymast.routes.alarm_words import called
from tallymast.routes.problems import Problem
from tallymast.routes.rationale_view import Typed
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.who import Person, ThePerson, tell
from tallymast.storage import alarms as stored
from tallymast.storage import rationalised

_FIELDS: Final = ("priority", *TERMS, "seen", "sure")
_CLASH: Final = (
    "Somebody else wrote these words meanwhile; they stand above. Yours are kept in the form:"
    " compare, and send it again."
)

router = APIRouter(include_in_schema=False)


async def as_sent(request: Request) -> dict[str, str]:
    """Return the fields of the form as they came, so that nothing of them is lost when refused."""
    form = await request.form(max_files=0, max_fields=20)
    return {name: text for name in _FIELDS if isinstance(text := form.get(name), str)}


AsSent = Annotated[dict[str, str], Depends(as_sent)]


@dataclass(frozen=True, slots=True)
class _Writing:
    """Who writes of which alarm, as it is in force, and what it is called."""

    person: Person
    number: int
    alarm: Alarm
    name: str


@router.post("/alarms/{number}/words")
def write_words(
    request: Request,
    number: int,
    given: Given,
    person: ThePerson,
    board: TheAlarms,
    show: Show,
    sent: AsSent,
) -> Response:
    """Keep what is written of an alarm, or show what is wrong with it."""
    alarms, network = given.alarms(), given.network()
    alarm = alarms.alarms.get(_key(given, number))
    if alarm is None:
        raise Problem(409, "This alarm is set up no more; words that rest can be taken back only.")
    wanted, wrong = read(sent, person.name, given.now_ms())
    ask = () if wrong or "sure" in sent else _too_urgent(alarm, wanted, alarms, network)
    if not wrong and not ask:
        doing = _Writing(person, number, alarm, called(alarm, network))
        wrong = _keep(given, doing, wanted, sent)
    if wrong or ask:
        # After a clash the form knows what it is compared with now; before, it still has to tell.
        shown = {name: text for name, text in sent.items() if name != "seen" or "all" not in wrong}
        typed = Typed(shown, wrong, ask)
        return alarm_answer(Asked(request, number), given, person, board, show, typed)
    return RedirectResponse(f"/alarms/{number}?done=words#words", 303)


@router.post("/alarms/{number}/as-built")
def take_back(number: int, given: Given, person: ThePerson) -> Response:
    """Take back all that was written of an alarm, also of one that is set up no more."""
    at_ms, key = given.now_ms(), _key(given, number, also_gone=True)
    with given.database.writing() as connection:
        before = rationalised.of_alarm(connection, number)
        if before.is_empty:
            raise Problem(409, "Nothing is written of this alarm: everything is as built in.")
        rationalised.keep(connection, number, Written(at_ms=at_ms))
        alarm = given.alarms().alarms.get(key)
        name = called(alarm, given.network()) if alarm else key
        words = change_words(alarm, before, Written()) if alarm else _taken(before)
        tell(connection, given, person, _act("alarm.as-built", key, name, before, words))
    return RedirectResponse(f"/alarms/{number}?done=as-built#words", 303)


def read(sent: Mapping[str, str], actor: str, at_ms: int) -> tuple[Written, dict[str, str]]:
    """Return what was sent, and by field in a sentence why it cannot be kept.

    Args:
        sent: the form's fields; one left empty, or left out, is as built in.
        actor: who writes.
        at_ms: when [UTC ms].

    """
    texts = {name: one_line(sent.get(name, "")) for name in TERMS}
    found = {name: wrong_with(TERMS[name], text) for name, text in texts.items()}
    wrong = {name: sentence for name, sentence in found.items() if sentence}
    chosen = sent.get("priority", "")
    if chosen and chosen not in list(Priority):
        wrong["priority"] = f"Priority: choose one of {', '.join(Priority)}."
    priority = Priority(chosen) if chosen in list(Priority) else None
    return Written(priority, **texts, actor=actor, at_ms=at_ms), wrong


def _key(given: Services, number: int, *, also_gone: bool = False) -> str:
    """Return an alarm's key by its number; empty where it is set up no more.

    Raises:
        Problem: 404, there is no such alarm and never was.

    """
    with given.database.reading() as connection:
        key = stored.key_of(connection, number) if 0 < number < 2**63 else None
        in_use = stored.ids(connection)
    if key is None:
        raise Problem(404, f"There is no alarm with the number {number}.")
    return key if also_gone or in_use.get(key) == number else ""


def _too_urgent(
    alarm: Alarm, wanted: Written, alarms: Alarms, network: NetworkView
) -> tuple[str, ...]:
    """Return the sentences about urgent alarms that would hold with this one and do not yet."""
    if wanted.priority is not Priority.URGENT or alarm.priority is Priority.URGENT:
        return ()
    now = too_many_urgent(network.network, alarms.alarms.values())
    others = [one for key, one in alarms.alarms.items() if key != alarm.key]
    then = too_many_urgent(network.network, [*others, replace(alarm, priority=Priority.URGENT)])
    return tuple(sentence for sentence in then if sentence not in now)


def _keep(
    given: Services, doing: _Writing, wanted: Written, sent: Mapping[str, str]
) -> dict[str, str]:
    """Keep it with its audit; return why not, under ``all``."""
    with given.database.writing() as connection:
        before = rationalised.of_alarm(connection, doing.number)
        if sent.get("seen", "0") != str(before.at_ms):
            return {"all": _CLASH}
        after = apart(doing.alarm, wanted)
        words = change_words(doing.alarm, before, after)
        if words:
            _put(connection, given, doing, before, after, words)
    return {}


def _put(
    connection: Connection,
    given: Services,
    doing: _Writing,
    before: Written,
    after: Written,
    words: str,
) -> None:
    rationalised.keep(connection, doing.number, after)
    action = "alarm.as-built" if after.is_empty else "alarm.words"
    act = _act(action, doing.alarm.key, doing.name, before, words, after)
    tell(connection, given, doing.person, act)


def _act(
    action: str, key: str, name: str, before: Written, words: str, after: Written | None = None
) -> Act:
    told = {**(fields_of(after) if after else {}), "words": words}
    return Act(action, "alarm", key, fields_of(before), told, name)


def _taken(before: Written) -> str:
    return f"{told_words(before)} is written no more; the alarm is set up no more"
