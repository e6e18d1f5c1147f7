"""One alarm: how it is set up, how it stands, what happened to it, and what may be done.

What people wrote of it is shown here and changed by rationale_form.py, which shows this page again
where it refuses something.
"""

from dataclasses import dataclass
from typing import Final

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from tallymast.domain.alarms.model import Alarm, Standing
from tallymast.domain.alarms.rationalised import Written
from tallymast.domain.model import SitePlan
from tallymast.routes.alarm_board import AlarmBoard, TheAlarms
from tallymast.routes.alarm_journal_page import ALWAYS_MS, journal_lines
from tallymast.routes.alarm_page import act_choices
from tallymast.routes.alarm_rows import row_of
from tallymast.routes.alarm_words import deadband_words, limit_words, name_of, point_of
from tallymast.routes.formats import lasting
from tallymast.routes.problems import Problem
from tallymast.routes.rationale_view import Typed, words_of
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.telling.of_alarm import told_lines
from tallymast.routes.who import Person, ThePerson
from tallymast.storage import alarms as stored
from tallymast.storage import contacts, messages, rationalised

SHOWN: Final = 50
NOTHING: Final = Typed()

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class Asked:
    """Which alarm is asked for, and what was done to its words just now; empty: nothing."""

    request: Request
    number: int
    done: str = ""


@dataclass(frozen=True, slots=True)
class SetUp:
    """How an alarm is set up, as it is listed: names and words."""

    lines: tuple[tuple[str, str], ...]
    href: str  # where it is changed, empty for none


@router.get("/alarms/{number}")
def one_alarm(
    request: Request,
    number: int,
    given: Given,
    person: ThePerson,
    board: TheAlarms,
    show: Show,
    done: str = "",
) -> HTMLResponse:
    """Show one alarm; one that is no longer set up with its journal only."""
    asked = Asked(request, number, done if done in ("words", "as-built") else "")
    return alarm_answer(asked, given, person, board, show)


def alarm_answer(
    asked: Asked,
    given: Services,
    person: Person,
    board: AlarmBoard,
    show: Screens,
    typed: Typed = NOTHING,
) -> HTMLResponse:
    """Return the page of one alarm.

    Args:
        asked: which, and what was done just now.
        given: the services.
        person: who asks.
        board: knows the alarms' numbers.
        show: renders it.
        typed: a form that was refused; it stands there as it was sent.

    Raises:
        Problem: 404, there is no such alarm and never was.

    """
    alarms, network, number = given.alarms(), given.network(), asked.number
    with given.database.reading() as connection:
        key = stored.key_of(connection, number) if 0 < number < 2**63 else None
        found = stored.journal(connection, 0, ALWAYS_MS, alarm=key or "-", limit=SHOWN)
        sent = messages.of_alarm(connection, key, limit=SHOWN) if key else ()
        people = contacts.every(connection) if sent else {}
        written = rationalised.of_alarm(connection, number) if key else Written()
    if key is None:
        raise Problem(404, f"There is no alarm with the number {number}.")
    alarm, standing = alarms.alarms.get(key), alarms.standings.get(key, Standing())
    context = {
        "number": number,
        "key": key,
        "alarm": alarm,
        "standing": standing,
        "row": row_of(alarm, standing, number, network) if alarm else None,
        "set_up": set_up(alarm, network) if alarm else None,
        "rationale": words_of(alarm, written, typed),
        "done": asked.done,
        "told": told_lines(sent, people),
        "entries": journal_lines(found, alarms, board.numbers(alarms), network),
        "shown": SHOWN,
        "name": name_of(key, alarms, network),
        **act_choices(person),
    }
    status = 422 if typed.wrong else 200
    return show.page(asked.request, "alarm.html", context, status)


def set_up(alarm: Alarm, network: NetworkView) -> SetUp:
    """Return how an alarm is set up, line by line."""
    plan = network.site_or_retired(alarm.site) if alarm.site else None
    point = point_of(alarm, plan)
    lines = (
        ("Limit", limit_words(alarm, point)),
        ("Deadband", deadband_words(alarm, point)),
        ("Calls when", alarm.call_when),
        ("On-delay", _delay(alarm.on_delay_s, "and at two readings at least")),
        ("Off-delay", _delay(alarm.off_delay_s, "of normal readings")),
        ("Latched", "stays until it is reset by hand" if alarm.latched else ""),
        ("Held against", _other(alarm, plan)),
        ("Rate judged over", lasting(alarm.over_s * 1000) if alarm.over_s else ""),
        ("Tells which came first of", alarm.first_up),
    )
    return SetUp(tuple(line for line in lines if line[1]), _setup_of(alarm, plan is not None))


def _other(alarm: Alarm, plan: SitePlan | None) -> str:
    other = plan.site.point(alarm.other) if plan is not None and alarm.other else None
    return other.name if other is not None else alarm.other


def _delay(seconds: float, more: str) -> str:
    return f"{lasting(seconds * 1000)}, {more}" if seconds else "none"


def _setup_of(alarm: Alarm, is_there: bool) -> str:
    if alarm.site and is_there:
        return f"/setup/sites/{alarm.site}"
    return f"/setup/gateways/{alarm.gateway}" if alarm.gateway else ""
