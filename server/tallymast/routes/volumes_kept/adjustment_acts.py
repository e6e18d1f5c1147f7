"""Adding to a volume or taking from it, with a reason; and taking such an adjustment back."""

from collections.abc import Sequence
from fractions import Fraction

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.totals.adjustments import PULSES, Adjustment, refusal
from tallymast.domain.totals.factors import Factor, in_force
from tallymast.domain.totals.units import converted, unit_name
from tallymast.domain.zones import find_zone
from tallymast.routes.formats import Clock
from tallymast.routes.life.typed import TheTyped, Typed, read_moment
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.volumes.words import amount, decimals
from tallymast.routes.volumes_kept.amounts import added_words
from tallymast.routes.volumes_kept.kept_page import Key, standing_adjustments, the_page
from tallymast.routes.volumes_kept.places import called, page_of, read_exact, the_point
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import adjustments, k_factors
from tallymast.storage.days import load_contract
from tallymast.storage.volume_hours import Counted
from tallymast.storage.volumes import booked

router = APIRouter(include_in_schema=False)


@router.post("/volumes/{key}/{tag}/kept/adjustments")
def add_adjustment(
    request: Request,
    key: Key,
    tag: Key,
    given: Given,
    person: ThePerson,
    show: Show,
    typed: TheTyped,
) -> Response:
    """Store an adjustment, or say what is wrong with it."""
    wrong: dict[str, str] = {}
    with given.database.reading() as conn:
        one = the_point(conn, given, key, tag)
        made = _read(given, one, typed, wrong, person.name)
        if made is not None:
            _doubt(conn, given, one, made, typed, wrong)
    if made is None or wrong:
        return the_page(request, given, show, one, "adjustment", typed, wrong)
    with given.database.writing() as conn:
        adjustments.add(conn, made)
        clock = show.clock()
        span = f"{clock.words(made.from_ms)} to {clock.words(made.to_ms)}"
        words = f"{added_words(made.amount, made.unit)}, {span}: {made.reason}"
        act = Act("adjustment.add", "point", f"{key}/{tag}", {}, {"words": words}, called(one))
        tell(conn, given, person, act)
    return RedirectResponse(f"{page_of(one)}#adjustments", 303)


@router.post("/volumes/{key}/{tag}/kept/adjustments/{number}/back")
def take_back(
    key: Key, tag: Key, number: str, given: Given, person: ThePerson, show: Show, typed: TheTyped
) -> Response:
    """Take an adjustment back by a reverse entry; both stay on record."""
    why = typed.get("why", "")
    if len(why) < 3:
        raise Problem(422, "Say in a few words why the adjustment is taken back.")
    wanted = int(number) if number.isdecimal() and len(number) < 16 else 0
    with given.database.writing() as conn:
        one = the_point(conn, given, key, tag)
        before = adjustments.of_id(conn, wanted)
        if before is None or before.point_id != one.point_id:
            raise Problem(404, f"There is no adjustment {number} of {called(one)}.")
        at_ms = given.now_ms()
        back = adjustments.take_back(conn, wanted, reason=why, at_ms=at_ms, actor=person.name)
        if back is None:
            raise Problem(409, "Somebody has taken this adjustment back already.")
        told = {"words": added_words(before.amount, before.unit), "why": why}
        act = Act("adjustment.back", "point", f"{key}/{tag}", {}, told, called(one))
        tell(conn, given, person, act)
    return RedirectResponse(f"{page_of(one)}#adjustments", 303)


# --- what was typed ---------------------------------------------------------------------


def _read(
    given: Services, one: Counted, typed: Typed, wrong: dict[str, str], actor: str
) -> Adjustment | None:
    amount = read_exact(typed.get("amount", ""), "Amount", wrong, "amount")
    from_ms, to_ms = (read_moment(typed.get(name, ""), given) for name in ("from", "to"))
    for name, at_ms in (("from", from_ms), ("to", to_ms)):
        if at_ms is None:
            wrong[name] = f"{name.capitalize()}: choose a day and a time."
    unit = PULSES if typed.get("unit") == PULSES else unit_name(typed.get("unit", ""))
    if unit is None:
        wrong["unit"] = "Unit: choose a unit of volume, or pulses."
    if amount is None or from_ms is None or to_ms is None or unit is None:
        return None
    now_ms, reason = given.now_ms(), typed.get("reason", "")
    made = Adjustment(0, one.point_id, from_ms, to_ms, amount, unit, reason, now_ms, actor)
    if no := refusal(made, now_ms):
        wrong["reason" if "why" in no else "amount" if "0" in no else "to"] = no
    return made


def _doubt(
    conn: Connection,
    given: Services,
    one: Counted,
    made: Adjustment,
    typed: Typed,
    wrong: dict[str, str],
) -> None:
    """Refuse what cannot be meant: the same twice, another over it, more than was counted."""
    if wrong:
        return
    _overlaps(
        standing_adjustments(conn, one),
        made,
        typed,
        wrong,
        Clock(find_zone(given.network().time_zone), given.now_ms()),
    )
    held = in_force(k_factors.factors(conn, one.point_id, one.point), made.from_ms)
    if made.unit != PULSES and _in_unit(made, held) is None:
        wrong["unit"] = (
            "Unit: this point has no factor for that time, so it is counted in pulses only."
        )
    elif made.amount < 0 and not one.meter.both_ways:
        _more_than_counted(conn, given, one, made, held, wrong)


def _in_unit(made: Adjustment, held: Factor | None) -> Fraction | None:
    """Return an amount in the unit its point is counted in; None where that is not known."""
    if made.unit == PULSES:
        return made.amount if held is None else made.amount * held.per_pulse
    return None if held is None else converted(made.amount, made.unit, held.unit)


def _more_than_counted(
    conn: Connection,
    given: Services,
    one: Counted,
    made: Adjustment,
    held: Factor | None,
    wrong: dict[str, str],
) -> None:
    span = made.from_ms - made.from_ms % HOUR_MS, -(-made.to_ms // HOUR_MS) * HOUR_MS
    (found,) = booked(conn, one, [span], load_contract(conn), given.now_ms())
    added = _in_unit(made, held) or Fraction(0)
    if found.total + added < 0:
        counted = amount(found.total, found.unit, decimals(found))
        wrong["amount"] = (
            f"Amount: more would be taken away than was counted, {counted} in the hours from "
            "beginning to end."
        )


def _overlaps(
    others: Sequence[Adjustment],
    made: Adjustment,
    typed: Typed,
    wrong: dict[str, str],
    clock: Clock,
) -> None:
    near = [one for one in others if one.from_ms < made.to_ms and made.from_ms < one.to_ms]
    for one in near:
        span = f"{clock.words(one.from_ms)} to {clock.words(one.to_ms)}"
        words = f"{added_words(one.amount, one.unit)}, {span}"
        if (one.from_ms, one.to_ms, one.amount, one.unit) == (
            made.from_ms,
            made.to_ms,
            made.amount,
            made.unit,
        ):
            wrong["amount"] = f"Amount: the very same adjustment stands already ({words})."
        elif typed.get("sure") != "yes":
            wrong["sure"] = (
                f"Another adjustment stands for a part of that time ({words}, {one.reason}). Take "
                "it back first, or say below that both are meant."
            )
