"""The link in a message that acknowledges its alarms: looking asks, and only a press acts.

It is open to whoever holds it, so the page tells of these alarms and of nothing else, and stands
outside the other pages. Mail scanners open every link; so GET and HEAD change nothing.

The referrer policy stays ``same-origin``, as everywhere: with ``no-referrer`` a browser would send
the press from no origin, and it would be taken for another site's (Fetch, "append a request
Origin header"). The link's key reaches no other server either way.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final

from fastapi import APIRouter, Path, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import Connection

from tallymast.domain.alarms.model import Alarms, Standing
from tallymast.domain.audit import Act
from tallymast.domain.telling.model import Contact, Occurrence
from tallymast.routes import alarm_acts
from tallymast.routes.alarm_count import is_waiting
from tallymast.routes.alarm_rows import AlarmRow, row_of
from tallymast.routes.alarm_words import name_of
from tallymast.routes.door import NOT_KEPT
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.who import Gate, Person, TheGate, ThePerson, tell_refusal
from tallymast.storage import ack_links
from tallymast.storage import alarms as alarms_kept
from tallymast.storage.ack_links import AckLink
from tallymast.storage.people import digest

LISTED: Final = 50  # Ours: of more alarms than this the rest is counted
BY_LINK: Final = "by link"
NEAR_MS: Final = 2000  # a link and its alarms are one transaction, stamped at the same moment
MOST: Final = 5000  # Ours: lines of the journal so near that are looked through
HEADERS: Final = {**NOT_KEPT, "X-Robots-Tag": "noindex, nofollow"}
UNKNOWN: Final = (
    "It was cut off on its way, or was never one. Open it from the message again, "
    "or sign in to Tallymast and acknowledge there."
)
OVER: Final = (
    "It is over: a link to acknowledge works for 24 h. Sign in to Tallymast to see how the "
    "alarm stands."
)
BARRED: Final = "Whoever it was sent to is no longer told of alarms. Ask a supervisor."
TOO_MANY: Final = "There were too many attempts from here. Wait a quarter of an hour, or sign in."

router = APIRouter(include_in_schema=False)

Key = Annotated[str, Path(max_length=200)]


@dataclass(frozen=True, slots=True)
class Waiting:
    """What a link may still acknowledge, and what became of the others of its message."""

    rows: tuple[AlarmRow, ...]
    times: tuple[Occurrence, ...]
    others: tuple[str, ...]  # each a sentence


@router.get("/told/{key}")
def told_page(
    request: Request, key: Key, given: Given, gate: TheGate, person: ThePerson, show: Show
) -> HTMLResponse:
    """Show which alarms a link would acknowledge; looking changes nothing."""
    found = _look(given, key)
    if found is None:
        return _unknown(request, show, gate, key, person)
    return _found(request, given, show, found)


@router.post("/told/{key}")
def acknowledge_told(
    request: Request, key: Key, given: Given, gate: TheGate, person: ThePerson, show: Show
) -> Response:
    """Acknowledge what the message told of, as its contact; the link is then used up."""
    if not gate.throttle.take(f"link {digest(key)}", person.address):
        return _say(request, show, TOO_MANY, 429)
    found = _look(given, key)
    if found is None or not found.works(given.now_ms()):
        tell_refusal(given, gate, person, Act("link.refuse", "link", ""))
        return _not_working(request, given, show, found)
    waiting = waiting_of(found.message.alarms, given.alarms(), given.network())
    if not waiting.times:
        return _found(request, given, show, found)

    def use(connection: Connection) -> None:
        if ack_links.use_ack(connection, key, given.now_ms()) is None:
            raise Problem(409, "This link was used a moment ago; nothing was done twice.")

    whose = _acting(gate, found.contact, person.address)
    try:
        alarm_acts.acknowledge_times(given, whose, dict(waiting.times), BY_LINK, use)
    except Problem as problem:
        return _found(request, given, show, found, problem)
    return RedirectResponse(f"/told/{key}", 303, HEADERS)


def waiting_of(times: Sequence[Occurrence], alarms: Alarms, network: NetworkView) -> Waiting:
    """Return which of these times of alarms still wait for somebody to acknowledge them."""
    rows, waiting, others = [], [], []
    for one in times:
        alarm, standing = alarms.alarms.get(one.key), alarms.standings.get(one.key, Standing())
        if alarm is None:
            others.append(f"{one.key} is no longer set up.")
        elif standing.raised_ms == one.raised_ms and is_waiting(alarm, standing):
            rows.append(row_of(alarm, standing, 0, network))
            waiting.append(one)
        else:
            others.append(f"{name_of(one.key, alarms, network)}: {_became(standing, one)}.")
    return Waiting(tuple(rows), tuple(waiting), tuple(others))


def _became(standing: Standing, time: Occurrence) -> str:
    if standing.raised_ms != time.raised_ms:
        return "raised anew since; that is told by a message of its own"
    by = f" by {standing.acked_by}" if standing.acked_by else ""
    return f"acknowledged{by} already"


def _acting(gate: Gate, contact: Contact, address: str) -> Person:
    """Return in whose name a link acts: the contact's, with the account that belongs to it."""
    known = gate.people.known().accounts
    account = known.get(contact.account_id) if contact.account_id is not None else None
    role = account.role if account else None
    return Person(contact.name, role, gate.people.guarded(), False, address, account)


def _look(given: Services, key: str) -> AckLink | None:
    with given.database.reading() as connection:
        return ack_links.ack_link(connection, key)


def _acknowledged(given: Services, found: AckLink) -> tuple[str, ...]:
    """Return the keys of the alarms that were acknowledged when the link was used."""
    at_ms, keys = found.used_ms or 0, {one.key for one in found.message.alarms}
    with given.database.reading() as connection:
        lines = alarms_kept.journal(connection, at_ms - NEAR_MS, at_ms + NEAR_MS, limit=MOST)
    by_it = {
        entry.alarm
        for _, entry in lines
        if (entry.actor, entry.note) == (found.contact.name, BY_LINK) and entry.alarm in keys
    }
    return tuple(dict.fromkeys(one.key for one in found.message.alarms if one.key in by_it))


# --- answers ------------------------------------------------------------------------------


def _unknown(request: Request, show: Screens, gate: Gate, key: str, person: Person) -> HTMLResponse:
    if not gate.throttle.take(f"link {digest(key)}", person.address):
        return _say(request, show, TOO_MANY, 429)
    return _say(request, show, UNKNOWN, 404)


def _not_working(
    request: Request, given: Services, show: Screens, found: AckLink | None
) -> HTMLResponse:
    return (
        _say(request, show, UNKNOWN, 404) if found is None else _found(request, given, show, found)
    )


def _found(
    request: Request,
    given: Services,
    show: Screens,
    found: AckLink,
    problem: Problem | None = None,
) -> HTMLResponse:
    alarms, network, now_ms = given.alarms(), given.network(), given.now_ms()
    if found.used_ms is not None:
        names = [name_of(key, alarms, network) for key in _acknowledged(given, found)]
        return _page(request, show, {"used": found, "names": names[:LISTED], "all": len(names)})
    if not found.works(now_ms):
        return _say(request, show, BARRED if found.is_barred else OVER, 410)
    waiting = waiting_of(found.message.alarms, alarms, network)
    context = {"link": found, "waiting": waiting, "listed": LISTED}
    wrong = problem.detail if problem else ""
    return _page(request, show, {**context, "wrong": wrong}, problem.status if problem else 200)


def _say(request: Request, show: Screens, sentence: str, status: int) -> HTMLResponse:
    return _page(request, show, {"sentence": sentence}, status)


def _page(
    request: Request, show: Screens, context: dict[str, object], status: int = 200
) -> HTMLResponse:
    empty = {"sentence": "", "used": None, "link": None, "wrong": ""}
    response = show.page(request, "told.html", {**empty, **context}, status)
    response.headers.update(HEADERS)
    return response
