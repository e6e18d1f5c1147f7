"""The history of findings: what was named where, and what visitors found."""

from collections.abc import Iterator
from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse, StreamingResponse

from tallymast.domain.health.diagnosis.experience import Verdict
from tallymast.routes.api.finding import the_site
from tallymast.routes.api.findings import (
    FOUND_LONGEST,
    HIGHEST,
    TEXT_LONGEST,
    add_word,
)
from tallymast.routes.finding_rows import figure_lines, finding_lines, site_of
from tallymast.routes.findings_file import file_line, heading
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import ThePerson
from tallymast.storage import finding_words, findings
from tallymast.storage.findings import Wanted

SHOWN = 50
PAGE = 500
STATES = {"": "all", "open": "that stand", "over": "that are over"}

router = APIRouter(include_in_schema=False)


def wanted(
    given: Given,
    site: Annotated[str, Query(max_length=200)] = "",
    cause: Annotated[str, Query(max_length=100)] = "",
    state: Annotated[Literal["", "open", "over"], Query()] = "",
    unsaid: Annotated[bool, Query()] = False,
) -> Wanted:
    """Return which findings a page or a file is to hold."""
    return Wanted(
        site_id=the_site(given.network(), site).site_id if site else None,
        cause=cause,
        is_open={"open": True, "over": False}.get(state),
        unsaid=unsaid,
    )


TheWanted = Annotated[Wanted, Depends(wanted)]


@router.get("/findings")
def findings_page(
    request: Request,
    given: Given,
    person: ThePerson,
    show: Show,
    asked: TheWanted,
    before: Annotated[int | None, Query(ge=1, lt=HIGHEST)] = None,
) -> HTMLResponse:
    """Show what was named, the newest first, and how often visitors confirmed it."""
    with given.database.reading() as connection:
        found = findings.page(connection, asked, SHOWN + 1, before)
        titles = findings.titles(connection)
        figures = finding_words.figures(connection)
    network = given.network()
    query = {name: value for name, value in request.query_params.items() if name != "before"}
    older = urlencode({**query, "before": found[SHOWN - 1].id}) if len(found) > SHOWN else ""
    context = {
        "lines": finding_lines(found[:SHOWN], network, show.clock()),
        "figures": figure_lines(figures, titles),
        "sites": sorted((one.site.name, one.site.key) for one in network.sites),
        "causes": titles,
        "states": STATES,
        "query": {name: query.get(name, "") for name in ("site", "cause", "state", "unsaid")},
        "older": older,
        "file": "/findings.csv" + (f"?{urlencode(query)}" if query else ""),
        "may_write": person.may("note"),
        "found_longest": FOUND_LONGEST,
        "text_longest": TEXT_LONGEST,
    }
    return show.page(request, "findings.html", context)


@router.get("/findings.csv")
def findings_file(given: Given, show: Show, asked: TheWanted) -> StreamingResponse:
    """Return all findings asked for as a table of text, the newest first, times in UTC."""
    headers = {"Content-Disposition": 'attachment; filename="findings.csv"'}
    return StreamingResponse(_lines(given, show, asked), media_type="text/csv", headers=headers)


def _lines(given: Services, show: Screens, asked: Wanted) -> Iterator[str]:
    yield heading()
    last: int | None = None
    while True:
        with given.database.reading() as connection:
            found = findings.page(connection, asked, PAGE, last)
        for one in found:
            yield file_line(one, given.network(), show.clock())
        if len(found) < PAGE:
            return
        last = found[-1].id


@router.post("/findings/{number}/word")
def write_word(
    number: int,
    given: Given,
    person: ThePerson,
    verdict: Annotated[Verdict, Form()],
    found: Annotated[str, Form(max_length=FOUND_LONGEST)] = "",
    text: Annotated[str, Form(max_length=TEXT_LONGEST)] = "",
    back: Annotated[Literal["finding", "site", "history"], Form()] = "finding",
) -> Response:
    """Say what a visit found; the page it was said on is shown anew with it."""
    kept, _ = add_word(given, number, verdict, found, text, person)
    plan = site_of(given.network(), kept.site_id)
    if back == "site" and plan is not None:
        return RedirectResponse(f"/sites/{plan.site.key}#findings-title", 303)
    if back == "finding":
        return RedirectResponse(f"/findings/past/{number}#words-title", 303)
    return RedirectResponse(f"/findings#finding-{number}", 303)
