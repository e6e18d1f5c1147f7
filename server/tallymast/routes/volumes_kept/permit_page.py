"""Permits: how much may be taken in a day or month, how each stands, and how its period may end."""

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.audit import Act
from tallymast.domain.totals.permits import Outlook, Period, Permit, range_words, words
from tallymast.domain.totals.units import NAMES, unit_name
from tallymast.domain.totals.written import as_typed
from tallymast.routes.life.typed import TheTyped
from tallymast.routes.problems import Problem
from tallymast.routes.rows import Mark
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.volumes_kept.kept_page import paired
from tallymast.routes.volumes_kept.places import (
    Chosen,
    TheChosen,
    called,
    every_point,
    points_of,
    read_exact,
)
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import permits
from tallymast.storage.days import load_contract

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class PermitRow:
    """A permit as the page shows it; shares of the bar are in per cent of the limit."""

    permit: Permit
    amount: str
    points: tuple[tuple[str, str], ...]  # what each is called, where its volumes are
    outlook: Outlook | None
    mark: Mark
    sentence: str
    forecast: str

    @property
    def bar(self) -> tuple[float, float, float] | None:
        """Taken, and the forecast's low and high end, in per cent of the limit, at most 130."""
        one = self.outlook
        if one is None or one.limit <= 0:
            return None
        low, high = (one.taken if end is None else end for end in (one.low, one.high))
        taken, low, high = (min(130.0, 100 * end / one.limit) for end in (one.taken, low, high))
        return taken, low, high


@router.get("/volumes/permits")
def permits_page(request: Request, given: Given, show: Show) -> HTMLResponse:
    """Show every permit in force, and the form for another."""
    return _page(request, given, show, Chosen(), {})


@router.post("/volumes/permits")
def enter_permit(
    request: Request, given: Given, person: ThePerson, show: Show, form: TheChosen
) -> Response:
    """Store a permit, or say what is wrong with it."""
    wrong: dict[str, str] = {}
    made = _read(given, form, wrong, person.name)
    if made is None or wrong:
        return _page(request, given, show, form, wrong)
    with given.database.writing() as conn:
        known = points_of(conn, given.network(), made.point_ids)
        if len(known) != len(made.point_ids):
            raise Problem(409, "One of these points is not there any more; choose again.")
        stored = permits.enter(conn, made)
        names = "; ".join(called(known[number]) for number in made.point_ids)
        told = {"words": f"{as_typed(made.amount)} {made.unit} a {made.period}, {names}"}
        tell(
            conn, given, person, Act("permit.enter", "permit", str(stored.id), {}, told, made.name)
        )
    return RedirectResponse(f"/volumes/permits#permit-{stored.id}", 303)


@router.post("/volumes/permits/{number}/retire")
def retire_permit(number: str, given: Given, person: ThePerson, typed: TheTyped) -> Response:
    """End a permit; it stays on record, its alarms are set up no more."""
    why = typed.get("why", "")
    if len(why) < 3:
        raise Problem(422, "Say in a few words why the permit ends.")
    with given.database.writing() as conn:
        found = {str(one.id): one for one in permits.in_force(conn)}.get(number)
        if found is None:
            raise Problem(404, f"There is no permit {number} in force.")
        permits.retire(conn, found.id, given.now_ms())
        act = Act("permit.retire", "permit", number, {}, {"why": why}, found.name)
        tell(conn, given, person, act)
    return RedirectResponse("/volumes/permits", 303)


def _read(given: Services, form: Chosen, wrong: dict[str, str], actor: str) -> Permit | None:
    typed, now_ms = form.typed, given.now_ms()
    name, unit = typed.get("name", ""), unit_name(typed.get("unit", ""))
    amount = read_exact(typed.get("amount", ""), "Amount", wrong, "amount")
    points = form.numbers("point")
    if len(name) < 3:
        wrong["name"] = "Name: write what people call it, its number perhaps."
    if amount is not None and amount <= 0:
        wrong["amount"] = "Amount: write what may be taken, more than 0."
    if unit is None:
        wrong["unit"] = "Unit: choose a unit of volume."
    if typed.get("period") not in list(Period):
        wrong["period"] = "For each: choose day or month."
    if not points:
        wrong["point"] = "Points: choose at least one whose volume counts."
    if wrong or amount is None or unit is None:
        return None
    period, note = Period(typed["period"]), typed.get("note", "")
    return Permit(0, name, period, amount, unit, points, now_ms, now_ms, actor, note)


def _page(
    request: Request,
    given: Services,
    show: Screens,
    form: Chosen,
    wrong: Mapping[str, str],
) -> HTMLResponse:
    now_ms = given.now_ms()
    with given.database.reading() as conn:
        contract, held = load_contract(conn), permits.in_force(conn)
        numbers = {number for one in held for number in one.point_ids}
        known = points_of(conn, given.network(), numbers)
        names = {
            number: (called(one), f"/volumes/{one.plan.site.key}/{one.point.tag}")
            for number, one in known.items()
        }
        rows = [
            _row(one, permits.standing(conn, one, known, contract, now_ms), names) for one in held
        ]
        some = [(one.point_id, called(one)) for one in every_point(conn, given.network())]
    context = {
        "rows": rows,
        "points": sorted(some, key=lambda one: one[1]),
        "chosen": form.numbers("point"),
        "typed": form.typed,
        "wrong": wrong,
        "units": paired(NAMES),
        "contract": contract,
    }
    return show.page(request, "volumes_permits.html", context, 422 if wrong else 200)


def _row(one: Permit, outlook: Outlook | None, names: Mapping[int, tuple[str, str]]) -> PermitRow:
    points = tuple(names.get(number, ("a point that is gone", "")) for number in one.point_ids)
    if outlook is None:
        sentence = f"Not known: a point of it is gone, or is not counted in {one.unit}."
    else:
        sentence = words(outlook, one.unit)
    forecast = range_words(outlook, one.period) if outlook is not None else ""
    amount = f"{as_typed(one.amount)}\u00a0{one.unit} a {one.period}"
    return PermitRow(one, amount, points, outlook, _mark(outlook), sentence, forecast)


def _mark(one: Outlook | None) -> Mark:
    if one is None:
        return Mark("not known", "dash", "off")
    if one.is_reached:
        return Mark("used up", "octagon", "act")
    if one.may_be_over:
        return Mark("not known whether used up", "dash", "off")
    if one.soonest_days is not None:
        return Mark("may be used up", "triangle", "watch")
    if one.low is None:
        return Mark("too few days to tell", "dash", "off")
    return Mark("within the limit", "disc", "calm")
