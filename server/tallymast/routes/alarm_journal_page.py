"""The journal of alarms: what happened to which, a page to search, and all of it as a file."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import HTMLResponse, StreamingResponse
from sqlalchemy import Connection

from tallymast.domain.alarms.model import Alarms, Entry, Event
from tallymast.files.harmless import csv_line
from tallymast.routes.alarm_board import TheAlarms
from tallymast.routes.alarm_words import EVENTS, STATES, name_of
from tallymast.routes.api.finding import any_site
from tallymast.routes.asked_days import day_ms
from tallymast.routes.formats import iso
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.storage import alarms as stored

SHOWN: Final = 100
PAGE: Final = 500
ALWAYS_MS: Final = 2**62

router = APIRouter(include_in_schema=False)

Found = tuple[int, Entry]


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which lines are asked for; ``event`` None for all."""

    from_ms: int
    to_ms: int
    site: str
    event: Event | None


@dataclass(frozen=True, slots=True)
class JournalLine:
    """One line as it is listed; ``number`` 0 where the alarm is no longer set up."""

    at_ms: int
    number: int
    name: str
    event: str
    change: str
    value: str
    actor: str
    note: str


def wanted(
    given: Given,
    begin: Annotated[str, Query(alias="from", max_length=10)] = "",
    end: Annotated[str, Query(alias="to", max_length=10)] = "",
    site: Annotated[str, Query(max_length=200)] = "",
    event: Annotated[Event | str, Query(max_length=40)] = "",
) -> Wanted:
    """Return which lines a page or a file is to hold; days are those of the network's zone."""
    if site:
        any_site(given.network(), site)
    return Wanted(
        day_ms(given, begin, 0) if begin else 0,
        day_ms(given, end, 1) if end else ALWAYS_MS,
        site,
        _event(event),
    )


TheWanted = Annotated[Wanted, Depends(wanted)]


def _event(word: str) -> Event | None:
    try:
        return Event(word) if word else None
    except ValueError as error:
        raise Problem(422, f"{word!r} is no event of an alarm.") from error


@router.get("/alarms/journal")
def journal_page(
    request: Request,
    given: Given,
    board: TheAlarms,
    show: Show,
    asked: TheWanted,
    before: Annotated[int | None, Query(ge=1, le=2**62)] = None,
) -> HTMLResponse:
    """Show what happened to alarms, the newest first."""
    alarms, network = given.alarms(), given.network()
    with given.database.reading() as connection:
        found = search(connection, asked, SHOWN + 1, before)
    query = {name: value for name, value in request.query_params.items() if name != "before"}
    older = urlencode({**query, "before": found[SHOWN - 1][0]}) if len(found) > SHOWN else ""
    context = {
        "entries": journal_lines(found[:SHOWN], alarms, board.numbers(alarms), network),
        "events": {one.value: words for one, words in EVENTS.items()},
        "sites": sorted((one.site.name, one.site.key) for one in network.sites),
        "query": {name: query.get(name, "") for name in ("from", "to", "site", "event")},
        "older": older,
        "file": "/alarms/journal.csv" + (f"?{urlencode(query)}" if query else ""),
    }
    return show.page(request, "alarms_journal.html", context)


@router.get("/alarms/journal.csv")
def journal_file(given: Given, asked: TheWanted) -> StreamingResponse:
    """Return all lines asked for as a table of text, the newest first, times in UTC."""
    headers = {"Content-Disposition": 'attachment; filename="alarm-journal.csv"'}
    return StreamingResponse(_lines(given, asked), media_type="text/csv", headers=headers)


def search(conn: Connection, asked: Wanted, limit: int, before: int | None) -> list[Found]:
    """Return lines of the journal, the newest first; those of other events are passed over."""
    matching: list[Found] = []
    while True:
        page = stored.journal(
            conn, asked.from_ms, asked.to_ms, site=asked.site, before_id=before, limit=PAGE
        )
        matching += [one for one in page if asked.event in (None, one[1].event)]
        if len(page) < PAGE or len(matching) >= limit:
            return matching[:limit]
        before = page[-1][0]


def journal_lines(
    found: Iterable[Found], alarms: Alarms, numbers: Mapping[str, int], network: NetworkView
) -> tuple[JournalLine, ...]:
    """Return lines of the journal as they are listed, in their order."""
    return tuple(
        JournalLine(
            entry.at_ms,
            numbers.get(entry.alarm, 0),
            name_of(entry.alarm, alarms, network),
            EVENTS[entry.event],
            _change(entry),
            entry.value,
            entry.actor,
            entry.note.removeprefix("suppressed: "),  # the event says that already
        )
        for _, entry in found
    )


def _change(entry: Entry) -> str:
    if entry.before is entry.after:
        return f"stays {STATES[entry.after]}"
    return f"{STATES[entry.before]} → {STATES[entry.after]}"


def _lines(given: Services, asked: Wanted) -> Iterator[str]:
    yield csv_line("time UTC", "alarm", "event", "from", "to", "value", "who", "note")
    last: int | None = None
    while True:
        with given.database.reading() as connection:
            found = search(connection, asked, PAGE, last)
        for _, one in found:
            yield csv_line(*_cells(one))
        if len(found) < PAGE:
            return
        last = found[-1][0]


def _cells(one: Entry) -> tuple[str, ...]:
    states = (one.before.value, one.after.value)
    return (
        iso(one.at_ms) or "",
        one.alarm,
        one.event.value,
        *states,
        one.value,
        one.actor,
        one.note,
    )
