"""Balances: what flows into a part of the network, out of it, and is stored; what is left over."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.record.days import Contract, begin_of, date_of
from tallymast.domain.record.months import month_before, month_of
from tallymast.routes.formats import number, plural
from tallymast.routes.life.typed import TheTyped, day_words, read_number
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.volumes.periods import month_words
from tallymast.routes.volumes_kept.balance_words import Line, line_of, verdict
from tallymast.routes.volumes_kept.places import (
    Chosen,
    TheChosen,
    called,
    every_point,
    points_of,
)
from tallymast.routes.volumes_kept.storage_fields import MOST, levels_of, shown, storages_of
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import balances
from tallymast.storage.balances import Group
from tallymast.storage.days import load_contract
from tallymast.storage.volume_hours import Counted
from tallymast.storage.volumes import Span, month_span

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class GroupRow:
    """A group's balance over a span, line by line; ``rest`` None: it cannot be told."""

    group: Group
    inflows: tuple[Line, ...]
    outflows: tuple[Line, ...]
    storages: tuple[Line, ...]
    rest: Line | None
    verdict: str
    closes: bool | None

    @property
    def levels_within(self) -> str:
        """How far the levels may be off, in words; empty where nothing is stored."""
        errors = [f"{number(100 * one.error_m)}\u00a0cm" for one in self.group.storages]
        if len(set(errors)) == 1:
            return f"{'the level' if len(errors) == 1 else 'each level'} within {errors[0]}"
        return f"the levels within {', '.join(errors)} as they stand" if errors else ""


@router.get("/volumes/balances")
def balances_page(
    request: Request, given: Given, show: Show, of: Annotated[str, Query(max_length=20)] = ""
) -> HTMLResponse:
    """Show every group's balance over a day or a month, and the form for another group."""
    return _page(request, given, show, of, Chosen(), {})


@router.post("/volumes/balances")
def enter_group(
    request: Request, given: Given, person: ThePerson, show: Show, form: TheChosen
) -> Response:
    """Store a group, or say what is wrong with it; or show room for another storage."""
    if "more" in form.typed:
        return _page(request, given, show, "", form, {})
    wrong: dict[str, str] = {}
    made = _read(given.network(), form, wrong)
    if made is None or wrong:
        return _page(request, given, show, "", form, wrong)
    with given.database.writing() as conn:
        numbers = (*made.inflows, *made.outflows)
        if len(points_of(conn, given.network(), numbers)) != len(numbers):
            raise Problem(409, "One of these points is not there any more; choose again.")
        stored = balances.enter(conn, made, at_ms=given.now_ms(), actor=person.name)
        told = {
            "words": f"{plural(len(made.inflows), 'inflow')}, "
            f"{plural(len(made.outflows), 'outflow')}, {plural(len(made.storages), 'storage')}"
        }
        act = Act("balance.enter", "balance", str(stored.id), {}, told, made.name)
        tell(conn, given, person, act)
    return RedirectResponse(f"/volumes/balances#balance-{stored.id}", 303)


@router.post("/volumes/balances/{number}/retire")
def retire_group(number: str, given: Given, person: ThePerson, typed: TheTyped) -> Response:
    """End a group."""
    why = typed.get("why", "")
    if len(why) < 3:
        raise Problem(422, "Say in a few words why the balance ends.")
    with given.database.writing() as conn:
        found = {str(one.id): one for one in balances.in_force(conn)}.get(number)
        if found is None:
            raise Problem(404, f"There is no balance {number} in force.")
        balances.retire(conn, found.id, given.now_ms())
        act = Act("balance.retire", "balance", number, {}, {"why": why}, found.name)
        tell(conn, given, person, act)
    return RedirectResponse("/volumes/balances", 303)


# --- what was typed ---------------------------------------------------------------------


def _read(view: NetworkView, form: Chosen, wrong: dict[str, str]) -> Group | None:
    typed = form.typed
    inflows, outflows = form.numbers("in"), form.numbers("out")
    if len(typed.get("name", "")) < 3:
        wrong["name"] = "Name: write what people call this part of the network."
    if not inflows and not outflows:
        wrong["in"] = "Flows: choose at least one meter that flows in or out."
    if set(inflows) & set(outflows):
        wrong["out"] = "Flows: a meter flows either in or out, not both."
    error = read_number(typed.get("error", "2"), "Meter error", wrong, "error")
    if error is not None and not 0 <= error <= 50:
        wrong["error"] = "Meter error: a share of 0 to 50 %."
    stored = storages_of(view, form, wrong)
    if wrong:
        return None
    share = 0.02 if error is None else error / 100
    return Group(0, typed["name"], inflows, outflows, stored, share)


# --- the page ---------------------------------------------------------------------------


def _page(
    request: Request,
    given: Services,
    show: Screens,
    of: str,
    form: Chosen,
    wrong: Mapping[str, str],
) -> HTMLResponse:
    view, now_ms = given.network(), given.now_ms()
    with given.database.reading() as conn:
        contract, held = load_contract(conn), balances.in_force(conn)
        span, words, goes_on = _span(of, contract, now_ms)
        numbers = {number for one in held for number in (*one.inflows, *one.outflows)}
        known = points_of(conn, view, numbers)
        rows = [_row(conn, view, one, known, span, contract) for one in held]
        some = [(one.point_id, called(one)) for one in every_point(conn, view)]
    today = date_of(now_ms, contract)
    days = [today - timedelta(days=n) for n in range(1, 8)]
    months = [month_of(today)]
    months = [months[0], month_before(months[0]), month_before(month_before(months[0]))]
    context = {
        "rows": rows,
        "of": of or days[0].isoformat(),
        "words": words,
        "until_ms": span[1] if goes_on else None,
        "choices": [(one.isoformat(), day_words(one)) for one in days]
        + [(f"{one:%Y-%m}", month_words(one)) for one in months],
        "points": sorted(some, key=lambda one: one[1]),
        "levels": sorted((name, key) for key, _, name in levels_of(view)),
        "chosen": {name: form.numbers(name) for name in ("in", "out")},
        "typed": {**form.typed, **form.tables},
        "storages": shown(form),
        "most_storages": MOST,
        "is_more": "more" in form.typed,
        "wrong": wrong,
    }
    return show.page(request, "volumes_balances.html", context, 422 if wrong else 200)


def _span(of: str, contract: Contract, now_ms: int) -> tuple[Span, str, bool]:
    """Return the span of a day 2026-03-08 or a month 2026-03, its name, and whether it goes on.

    One that goes on is told up to the last hour that is closed: levels and meters at one instant.

    Raises:
        Problem: it is neither, or has not begun.

    """
    day = date_of(now_ms, contract) - timedelta(days=1)
    try:
        found = date.fromisoformat(f"{of}-01" if len(of) == 7 else of) if of else day
    except ValueError as error:
        raise Problem(422, f"{of} is no day and no month; write 2026-03-08 or 2026-03.") from error
    if not 1990 <= found.year <= 2100:
        raise Problem(422, f"{of} is too far away; a day from 1990 to 2100 is meant.")
    if len(of) == 7:
        begin, end = month_span(found, contract)
        words = month_words(found)
    else:
        begin, end = begin_of(found, contract), begin_of(found + timedelta(days=1), contract)
        words = day_words(found)
    last = now_ms - now_ms % 3_600_000 - 3_600_000
    if begin >= last:
        raise Problem(422, f"Of {words} no hour is over and computed yet.")
    return (begin, min(end, last)), words, end > last


def _row(
    conn: Connection,
    view: NetworkView,
    group: Group,
    known: Mapping[int, Counted],
    span: Span,
    contract: Contract,
) -> GroupRow:
    names = {(site_id, tag): name for _, (site_id, tag), name in levels_of(view)}
    sides = [
        tuple(
            line_of(
                called(known[number]) if number in known else "a point that is gone",
                way,
                balances.metered_of(conn, known.get(number), group.meter_error, span, contract),
                "it is gone, or has no factor",
            )
            for number in side
        )
        for way, side in (("in", group.inflows), ("out", group.outflows))
    ]
    stored = tuple(
        line_of(
            names.get((one.site_id, one.tag), "a level that is gone"),
            "into storage",
            balances.stored_of(conn, one, span),
            "its level at the beginning or end is not known, or outside of the table",
        )
        for one in group.storages
    )
    whole = balances.balance(conn, group, known, span, contract)
    if whole is None:
        return GroupRow(group, sides[0], sides[1], stored, None, verdict(None), None)
    line = line_of("Left over", "", whole.rest, "")
    return GroupRow(group, sides[0], sides[1], stored, line, verdict(whole), whole.closes)
