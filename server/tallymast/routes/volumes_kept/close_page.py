"""Closing a month: what would be frozen, the freezing, and what changed after it."""

from datetime import date
from typing import Annotated, Final

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.errors import ConfigError
from tallymast.domain.record.days import Contract
from tallymast.domain.record.months import month_before, month_named, name_of
from tallymast.routes.formats import plural
from tallymast.routes.life.typed import TheTyped
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.volumes.periods import month_words
from tallymast.routes.volumes.words import amount
from tallymast.routes.volumes_kept.amounts import known_percent, unknown_words
from tallymast.routes.volumes_kept.month_rows import (
    MonthRow,
    fingerprint,
    is_over,
    last_month,
    month_rows,
)
from tallymast.routes.volumes_kept.places import every_point
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import month_closes
from tallymast.storage.days import load_contract

_BACK: Final = 13  # months to choose from
ALL: Final = "all"

router = APIRouter(include_in_schema=False)


@router.get("/volumes/close")
def close_page(
    request: Request,
    given: Given,
    show: Show,
    month: Annotated[str, Query(max_length=20)] = "",
    point: Annotated[str, Query(max_length=20)] = ALL,
) -> HTMLResponse:
    """Show a month of all points, or of one: as it would be frozen, and as it was."""
    now_ms = given.now_ms()
    with given.database.reading() as conn:
        contract = load_contract(conn)
        newest = last_month(contract, now_ms)
        chosen = _month(month) if month else newest
        rows = _rows(conn, given, chosen, point, contract)
    over = is_over(chosen, contract, now_ms)
    due = _to_close(rows) if over else []
    context = {
        "rows": rows,
        "month": name_of(chosen),
        "month_words": month_words(chosen),
        "months": [(name_of(one), month_words(one)) for one in _before(newest)],
        "is_over": over,
        "due": due,
        "waiting": [row for row in rows if row.is_due and row.open_days],
        "empty": [row for row in rows if not row.now.known_ms],
        "corrected": [row for row in rows if row.changes],
        "only": rows[0] if point != ALL and rows else None,
        "point": point,
        "shown": fingerprint(due),
        "words": amount,
        "unknown": unknown_words,
        "known": known_percent,
    }
    return show.page(request, "volumes_close.html", context)


@router.post("/volumes/close")
def close_month(given: Given, person: ThePerson, typed: TheTyped) -> Response:
    """Freeze the figures that were shown, those of each point as its next version."""
    now_ms, month, point = given.now_ms(), _month(typed.get("month", "")), typed.get("point", ALL)
    with given.database.writing() as conn:
        contract = load_contract(conn)
        if not is_over(month, contract, now_ms):
            raise Problem(409, f"{month_words(month)} is not over for an hour yet.")
        rows = _to_close(_rows(conn, given, month, point, contract))
        if not rows:
            raise Problem(409, "Nothing of this month is to be closed: look at the page again.")
        if typed.get("shown") != fingerprint(rows):
            raise Problem(
                409, "Figures have changed since the page was shown; look at it again and close."
            )
        note = typed.get("note", "")
        for row in rows:
            month_closes.close(
                conn,
                row.point.point_id,
                name_of(month),
                row.now,
                at_ms=now_ms,
                actor=person.name,
                note=note,
            )
        what = rows[0].name if len(rows) == 1 else plural(len(rows), "point")
        told = {"n": what, "words": note or "no remark"}
        act = Act("month.close", "month", name_of(month), {}, told, month_words(month))
        tell(conn, given, person, act)
    return RedirectResponse(f"/volumes/close?month={name_of(month)}&point={point}", 303)


def _rows(
    conn: Connection, given: Services, month: date, point: str, contract: Contract
) -> list[MonthRow]:
    """Return the rows of a month, of one point where its number is given.

    Raises:
        Problem: there is no such point.

    """
    some = list(every_point(conn, given.network()))
    if point != ALL:
        some = [one for one in some if str(one.point_id) == point]
        if not some:
            raise Problem(404, f"There is no totalizer {point}.")
    return month_rows(conn, some, month, contract, given.now_ms())


def _to_close(rows: list[MonthRow]) -> list[MonthRow]:
    return [row for row in rows if row.is_due and row.is_ready]


def _month(text: str) -> date:
    try:
        found = month_named(text)
    except ConfigError:
        found = None
    if found is None or not 1990 <= found.year <= 2100:
        raise Problem(422, f"{text or 'Nothing'} is not a month; write it as 2026-03.")
    return found


def _before(newest: date) -> list[date]:
    months = [newest]
    while len(months) < _BACK:
        months.append(month_before(months[-1]))
    return months
