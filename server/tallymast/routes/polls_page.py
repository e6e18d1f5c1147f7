"""A site's polls one by one, back in time; all of them, or the missed ones."""

from dataclasses import dataclass
from typing import Annotated, Final

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from tallymast.domain.model import Poll
from tallymast.routes.api.finding import any_site
from tallymast.routes.screens import Show
from tallymast.routes.services import Given
from tallymast.routes.site_rows import PollRow, poll_rows
from tallymast.storage.polls import polls_between

router = APIRouter(include_in_schema=False)

SHOWN: Final = 50
_READ: Final = 2000  # polls read at a time while missed ones are looked for
_MOST_READS: Final = 8  # Ours: a page is answered soon, and goes on where it stopped
_EVER_MS: Final = 0


@dataclass(frozen=True, slots=True)
class _Part:
    rows: tuple[PollRow, ...]
    next_ms: int | None  # older polls begin before it; None: there are none
    looked_to_ms: int | None  # how far back missed ones were looked for


@router.get("/sites/{key}/polls")
def polls_page(
    request: Request,
    key: str,
    given: Given,
    show: Show,
    before: Annotated[int | None, Query(ge=0, le=2**53)] = None,
    missed: bool = False,
) -> HTMLResponse:
    """Show polls of a site before an instant [ms since 1970 UTC], the newest first."""
    plan = any_site(given.network(), key)
    end_ms = given.now_ms() + 1 if before is None else before
    read = _missed if missed else _all
    with given.database.reading() as connection:
        part = read(connection, plan.site_id, end_ms)
    context = {
        "key": key,
        "site": plan.site,
        "polls": part.rows,
        "next_ms": part.next_ms,
        "looked_to_ms": part.looked_to_ms,
        "missed": missed,
        "is_newest": before is None,
    }
    return show.page(request, "polls.html", context)


def _all(connection: Connection, site_id: int, end_ms: int) -> _Part:
    page = polls_between(connection, site_id, _EVER_MS, end_ms, SHOWN, newest_first=True)
    return _Part(poll_rows(page.items, SHOWN), page.next, None)


def _missed(connection: Connection, site_id: int, end_ms: int) -> _Part:
    found: list[Poll] = []
    next_ms: int | None = end_ms
    for _ in range(_MOST_READS):
        if next_ms is None or len(found) > SHOWN:
            break
        page = polls_between(connection, site_id, _EVER_MS, next_ms, _READ, newest_first=True)
        found += [poll for poll in page.items if poll.outcome.is_missed]
        next_ms = page.next
    if len(found) > SHOWN:
        next_ms = found[SHOWN - 1].at_ms
    return _Part(poll_rows(found[:SHOWN], SHOWN), next_ms, next_ms)
