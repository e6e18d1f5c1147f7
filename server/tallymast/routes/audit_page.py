"""Who did what: a page to search, and all of it as a file."""

from collections.abc import Iterator
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import HTMLResponse, StreamingResponse

from tallymast.domain.audit import SENTENCES, Act
from tallymast.domain.people import plain
from tallymast.files.harmless import csv_line
from tallymast.routes.asked_days import day_ms
from tallymast.routes.formats import iso
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import audit
from tallymast.storage.audit import Entry, Wanted
from tallymast.storage.changes import canonical

SHOWN = 100
PAGE = 1000

router = APIRouter(include_in_schema=False)


def wanted(
    given: Given,
    begin: Annotated[str, Query(alias="from", max_length=10)] = "",
    end: Annotated[str, Query(alias="to", max_length=10)] = "",
    words: Annotated[str, Query(max_length=100)] = "",
    actor: Annotated[str, Query(max_length=100)] = "",
    kind: Annotated[str, Query(max_length=40)] = "",
) -> Wanted:
    """Return which entries a page or a file is to hold; days are those of the network's zone."""
    return Wanted(
        day_ms(given, begin, 0) if begin else 0,
        day_ms(given, end, 1) if end else 2**62,
        plain(words, 100),
        plain(actor, 100),
        plain(kind, 40),
    )


TheWanted = Annotated[Wanted, Depends(wanted)]


@router.get("/audit")
def audit_page(
    request: Request,
    given: Given,
    show: Show,
    asked: TheWanted,
    before: Annotated[int | None, Query(ge=1, le=2**62)] = None,
) -> HTMLResponse:
    """Show who did what, the newest first."""
    with given.database.reading() as connection:
        found = audit.search(connection, asked, SHOWN + 1, before)
    query = {name: value for name, value in request.query_params.items() if name != "before"}
    older = urlencode({**query, "before": found[SHOWN - 1].id}) if len(found) > SHOWN else ""
    context = {
        "entries": found[:SHOWN],
        "kinds": sorted({name.partition(".")[0] for name in SENTENCES}),
        "query": {name: query.get(name, "") for name in ("from", "to", "words", "actor", "kind")},
        "older": older,
        "file": f"/audit.csv?{urlencode(query)}",
    }
    return show.page(request, "audit.html", context)


@router.get("/audit.csv")
def audit_file(given: Given, person: ThePerson, asked: TheWanted) -> StreamingResponse:
    """Return all entries asked for as a table of text, the newest first, times in UTC."""
    with given.database.writing() as connection:
        act = Act("audit.export", "audit", "audit", after={"n": "all that match the search"})
        tell(connection, given, person, act)
    headers = {"Content-Disposition": 'attachment; filename="audit.csv"'}
    return StreamingResponse(_lines(given, asked), media_type="text/csv", headers=headers)


def _lines(given: Services, asked: Wanted) -> Iterator[str]:
    yield csv_line("time UTC", "who", "address", "action", "subject", "sentence", "before", "after")
    last: int | None = None
    while True:
        with given.database.reading() as connection:
            found = audit.search(connection, asked, PAGE, last)
        for one in found:
            yield csv_line(*_cells(one))
        if len(found) < PAGE:
            return
        last = found[-1].id


def _cells(one: Entry) -> tuple[str, ...]:
    return (
        iso(one.at_ms) or "",
        one.actor,
        one.address,
        one.action,
        f"{one.subject_kind} {one.subject_key}",
        one.sentence,
        canonical(dict(one.before)) if one.before else "",
        canonical(dict(one.after)) if one.after else "",
    )
