"""Rounds of days gone by, as they were said."""

from datetime import date

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from tallymast.domain.health.nights import day_number, day_of
from tallymast.domain.rounds import KeptLine, KeptRound, changes
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.storage import rounds

DAYS_SHOWN = 60

router = APIRouter(include_in_schema=False)


@router.get("/rounds")
def rounds_page(request: Request, given: Given, show: Show) -> HTMLResponse:
    """List the days whose round is kept, with what each said in one line."""
    with given.database.reading() as connection:
        days = rounds.days(connection, DAYS_SHOWN)
        kept = [one for day in days if (one := rounds.load(connection, day)) is not None]
    return show.page(request, "rounds.html", {"kept": [(day_of(one.day), one) for one in kept]})


@router.get("/rounds/{day}")
def round_of_day(request: Request, day: date, given: Given, show: Show) -> HTMLResponse:
    """Show a day's round as it was kept, and what had changed since the one before."""
    number = day_number(day)
    with given.database.reading() as connection:
        kept = rounds.load(connection, number)
        before = rounds.newest_before(connection, number)
    if kept is None:
        raise Problem(404, f"No round is kept of {day.isoformat()}.")
    keys = [line.key for line in kept.lines]
    return show.page(
        request,
        "round_of_day.html",
        {
            "day": day,
            "kept": kept,
            "named": named(given, kept),
            "before": None if before is None else day_of(before.day),
            "changed": None if before is None else changes(before, keys),
        },
    )


def named(given: Services, kept: KeptRound) -> list[tuple[KeptLine, list[tuple[str, str]]]]:
    """Return each line with the sites it names that still exist (key, name)."""
    network = given.network()
    found = []
    for line in kept.lines:
        plans = [network.site(key) for key in line.sites]
        found.append((line, [(one.site.key, one.site.name) for one in plans if one is not None]))
    return found
