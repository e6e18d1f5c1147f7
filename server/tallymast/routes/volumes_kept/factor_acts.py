"""Another factor from a date on: what it changes is shown first; the newest is taken out again."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.record.days import Contract, date_of
from tallymast.domain.record.months import month_after, month_of, name_of
from tallymast.domain.totals.factors import Factor, Volume, in_force, volume
from tallymast.domain.totals.units import converted, unit_name
from tallymast.domain.totals.written import decimals_of
from tallymast.domain.zones import find_zone
from tallymast.routes.formats import clock, plural
from tallymast.routes.life.typed import TheTyped, Typed, read_moment
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.volumes.periods import month_words
from tallymast.routes.volumes.words import amount, factor_words
from tallymast.routes.volumes_kept.amounts import moved_words
from tallymast.routes.volumes_kept.kept_page import Key, the_page
from tallymast.routes.volumes_kept.places import called, page_of, read_exact, the_point
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import k_factors, month_closes
from tallymast.storage.days import load_contract
from tallymast.storage.k_factors import KeptFactor
from tallymast.storage.volume_hours import Counted, with_open
from tallymast.storage.volumes import month_span

_DAY_MS: Final = 86_400_000

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class MonthChange:
    """A month, or the part of it since the factor's date: its volume before and after."""

    name: str
    before: str
    after: str
    change: str
    version: int  # of the closed month; 0: it is not closed


@router.post("/volumes/{key}/{tag}/kept/factors")
def enter_factor(
    request: Request,
    key: Key,
    tag: Key,
    given: Given,
    person: ThePerson,
    show: Show,
    typed: TheTyped,
) -> Response:
    """Show what a new factor changes, and on the second asking store it."""
    wrong: dict[str, str] = {}
    with given.database.reading() as conn:
        one = the_point(conn, given, key, tag)
        factor = _read(conn, given, one, typed, wrong)
    if factor is None or wrong or typed.get("step") == "edit":
        return the_page(request, given, show, one, "factor", typed, wrong)
    if typed.get("step") != "store":
        return _preview(request, given, show, one, factor, typed)
    with given.database.writing() as conn:
        if _newest_ms(conn, one) >= factor.from_ms:
            raise Problem(409, "Somebody entered another factor meanwhile; look once more.")
        kept = KeptFactor(one.point_id, factor, given.now_ms(), person.name, typed["note"])
        k_factors.enter(conn, kept)
        words = f"{factor_words(factor)} from {_when(given, factor.from_ms)} on, {typed['note']}"
        act = Act("factor.enter", "point", f"{key}/{tag}", {}, {"words": words}, called(one))
        tell(conn, given, person, act)
    return RedirectResponse(f"{page_of(one)}#factors", 303)


@router.post("/volumes/{key}/{tag}/kept/factors/take-out")
def take_out(key: Key, tag: Key, given: Given, person: ThePerson, typed: TheTyped) -> Response:
    """Take the newest entered factor out again, with a reason."""
    why = typed.get("why", "")
    if len(why) < 3:
        raise Problem(422, "Say in a few words why the factor is taken out.")
    with given.database.writing() as conn:
        one = the_point(conn, given, key, tag)
        entered = k_factors.kept(conn, one.point_id)
        if not entered or typed.get("from_ms") != str(entered[-1].factor.from_ms):
            raise Problem(409, "That is not the newest factor any more; look at the page again.")
        newest = entered[-1].factor
        k_factors.take_out(conn, one.point_id, newest.from_ms, given.now_ms())
        told = {"words": f"{factor_words(newest)} from {_when(given, newest.from_ms)} on"}
        told["why"] = why
        act = Act("factor.take-out", "point", f"{key}/{tag}", {}, told, called(one))
        tell(conn, given, person, act)
    return RedirectResponse(f"{page_of(one)}#factors", 303)


# --- what was typed ---------------------------------------------------------------------


def _read(
    conn: Connection, given: Services, one: Counted, typed: Typed, wrong: dict[str, str]
) -> Factor | None:
    amount = read_exact(typed.get("amount", ""), "Factor", wrong, "amount")
    from_ms = read_moment(typed.get("from", ""), given)
    unit = unit_name(typed.get("unit", ""))
    if amount is not None and amount <= 0:
        wrong["amount"] = "Factor: a pulse stands for more than 0; write a number above 0."
    if from_ms is None:
        wrong["from"] = "From: choose a day and a time."
    elif from_ms > given.now_ms():
        wrong["from"] = "From: what has not passed yet is counted by the factor that holds now."
    elif from_ms <= _newest_ms(conn, one):
        wrong["from"] = (
            "From: a factor that was entered holds from that time or later on; take it out first."
        )
    if unit is None:
        wrong["unit"] = "Unit: choose a unit of volume."
    if len(typed.get("note", "")) < 3:
        wrong["note"] = "Why: say what the new factor rests on, a meter test or a new meter."
    if wrong or amount is None or from_ms is None or unit is None:
        return None
    each = 1 / amount if typed.get("way") == "pulses" else amount
    return _in_one_unit(conn, one, Factor(from_ms, each, unit), wrong)


def _in_one_unit(
    conn: Connection, one: Counted, factor: Factor, wrong: dict[str, str]
) -> Factor | None:
    """Return a factor in the unit its point has, exactly: volumes of two units add up to none."""
    before = k_factors.factors(conn, one.point_id, one.point)
    if not before:
        return factor
    each = converted(factor.per_pulse, factor.unit, before[-1].unit)
    if each is None:
        wrong["unit"] = f"Unit: this point is counted in {before[-1].unit}; stay with that."
        return None
    return Factor(factor.from_ms, each, before[-1].unit)


def _newest_ms(conn: Connection, one: Counted) -> int:
    entered = k_factors.kept(conn, one.point_id)
    return entered[-1].factor.from_ms if entered else -(2**62)


# --- what it changes --------------------------------------------------------------------


def _preview(
    request: Request,
    given: Services,
    show: Screens,
    one: Counted,
    factor: Factor,
    typed: Typed,
) -> HTMLResponse:
    now_ms = given.now_ms()
    with given.database.reading() as conn:
        contract = load_contract(conn)
        before = k_factors.factors(conn, one.point_id, one.point)
        changes = _changes(conn, one, contract, (before, [*before, factor]), now_ms)
    days = (now_ms - factor.from_ms) / _DAY_MS
    held = in_force(before, factor.from_ms)
    context = {
        "name": called(one),
        "to": page_of(one),
        "when": _when(given, factor.from_ms),
        "since": plural(int(days), "day") if days >= 2 else plural(round(24 * days), "hour"),
        "before": factor_words(held) if held else "none",
        "after": factor_words(factor),
        "percent": _percent(held, factor),
        "changes": changes,
        "closed": sum(one.version > 0 for one in changes),
        "is_full_hour": factor.from_ms % 3_600_000 == 0,
        "fields": {
            name: typed[name] for name in ("way", "amount", "unit", "from", "note") if name in typed
        },
    }
    return show.page(request, "volumes_factor.html", context)


def _changes(
    conn: Connection,
    one: Counted,
    contract: Contract,
    factors: tuple[Sequence[Factor], Sequence[Factor]],
    now_ms: int,
) -> list[MonthChange]:
    """Return month by month what changes from the newest factor's date on."""
    from_ms = factors[1][-1].from_ms
    month, found = month_of(date_of(from_ms, contract)), list[MonthChange]()
    first = month_span(month, contract)[0]
    some = with_open(conn, one, contract, first, now_ms)
    while (span := month_span(month, contract))[0] < now_ms:
        inside = [part for part in some if span[0] <= part.from_ms and part.to_ms <= span[1]]
        sides = tuple(volume(inside, side) for side in factors)
        closed = month_closes.newest(conn, name_of(month)).get(one.point_id)
        version = closed.version if closed else 0
        places = decimals_of(one.per_pulse for one in factors[1])
        found.append(_change(month, sides[0], sides[1], places, version))
        month = month_after(month)
    return found


def _change(
    month: date, before: Volume | None, after: Volume | None, places: int, version: int
) -> MonthChange:
    told = [
        "not known" if one is None else amount(one.amount, one.unit, places)
        for one in (before, after)
    ]
    change = ""
    if before is not None and after is not None and before.unit == after.unit:
        change = moved_words(after.amount - before.amount, after.unit, places)
    return MonthChange(month_words(month), told[0], told[1], change, version)


def _percent(held: Factor | None, factor: Factor) -> str:
    if held is None or held.unit != factor.unit:
        return ""
    share = 100 * float(factor.per_pulse / held.per_pulse - 1)
    return f"{'+' if share > 0 else ''}{share:.2f}\u00a0%".replace("-", "\u2212")


def _when(given: Services, at_ms: int) -> str:
    return clock(at_ms, given.now_ms(), find_zone(given.network().time_zone))
