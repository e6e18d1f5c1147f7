"""A hand meter beside a station's own voltmeter: as found, the offset it asks for, as left."""

import copy
from collections.abc import Mapping
from typing import Final

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import Connection

from tallymast.domain import network_file
from tallymast.domain.audit import Act
from tallymast.domain.errors import ConfigError
from tallymast.domain.life.hand_meter import (
    FRESH_MS,
    Comparison,
    doubt,
    offset_words,
    refusal,
)
from tallymast.domain.model import Point, PointKind, Quality, Reading, SitePlan
from tallymast.domain.network_file import Written
from tallymast.domain.setup.proposals import Proposal
from tallymast.routes.api.finding import the_site
from tallymast.routes.api.jobs import ask_poll
from tallymast.routes.formats import lasting
from tallymast.routes.life.typed import TheTyped, Typed, read_number
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.setup.changing import as_written, store
from tallymast.routes.setup.preview import preview
from tallymast.routes.standings import site_readings
from tallymast.routes.who import Person, ThePerson, tell
from tallymast.storage import hand_readings
from tallymast.storage.hand_readings import HandReading

_KEPT: Final = ("hand", "shown", "shown_ms", "sure", "note")

router = APIRouter(include_in_schema=False)


@router.get("/sites/{key}/hand-meter")
def hand_page(request: Request, key: str, given: Given, show: Show) -> HTMLResponse:
    """Show what the station says of its supply now, and what hand meters said before."""
    return _page(request, given, show, the_site(given.network(), key), {}, {})


@router.post("/sites/{key}/hand-meter")
def keep_reading(
    request: Request, key: str, given: Given, person: ThePerson, show: Show, typed: TheTyped
) -> Response:
    """Ask for a fresh poll, or keep a reading without touching the offset."""
    plan = the_site(given.network(), key)
    if typed.get("step") == "poll":
        ask_poll(given, key, person)
        return _page(request, given, show, plan, typed, {}, asked=True)
    if typed.get("step") == "look":
        return _page(request, given, show, plan, typed, {})
    found, wrong = _comparison(given, plan, typed)
    if found is None or wrong:
        return _page(request, given, show, plan, typed, wrong, status=422)
    with given.database.writing() as connection:
        _keep(connection, given, person, plan, found, typed, found.offset_before, None)
    return RedirectResponse(f"/sites/{key}/hand-meter", 303)


@router.post("/sites/{key}/hand-meter/offset")
def set_offset(
    request: Request, key: str, given: Given, person: ThePerson, show: Show, typed: TheTyped
) -> Response:
    """Show what the new offset changes, and on the second asking store it with the reading."""
    plan = the_site(given.network(), key)
    if typed.get("step") == "edit":
        return _page(request, given, show, plan, typed, {})
    found, wrong = _comparison(given, plan, typed)
    if found is None or wrong:
        return _page(request, given, show, plan, typed, wrong, status=422)
    base, written = as_written(given)
    proposal = _proposal(plan, base, written, found)
    if typed.get("step") != "store":
        return preview(
            request,
            show,
            written,
            proposal,
            headline=f"Voltmeter of {plan.site.name}",
            post_to=f"/sites/{key}/hand-meter/offset",
            back=f"/sites/{key}/hand-meter",
            fields={name: typed[name] for name in _KEPT if name in typed},
        )
    if typed.get("base") and typed["base"] != str(base):
        raise Problem(409, "Somebody changed the network while you looked; look once more.")

    def keep(connection: Connection, number: int) -> None:
        _keep(connection, given, person, plan, found, typed, found.offset, number)

    store(given, person, proposal, keep)
    return RedirectResponse(f"/sites/{key}/hand-meter", 303)


def _keep(
    connection: Connection,
    given: Services,
    person: Person,
    plan: SitePlan,
    found: Comparison,
    typed: Typed,
    offset_after: float,
    revision_id: int | None,
) -> None:
    point = _the_point(plan)
    shown_ms = typed.get("shown_ms", "")
    made = hand_readings.add(
        connection,
        HandReading(
            0,
            plan.site_id,
            point.tag,
            given.now_ms(),
            found.hand,
            found.shown,
            int(shown_ms) if shown_ms.isdecimal() else None,
            found.offset_before,
            offset_after,
            revision_id,
            person.name,
            typed.get("note", ""),
        ),
    )
    told = {
        "hand": f"{found.hand:.2f}",
        "shown": f"{found.shown:.2f}",
        "offset": offset_after,
        "reading": made.id,
    }
    act = Act("hand.read", "site", plan.site.key, {}, told, plan.site.name)
    tell(connection, given, person, act)


def _proposal(plan: SitePlan, base: int, written: Written, found: Comparison) -> Proposal:
    """Return the network with the new offset; the reading it rests on stands in its sentence."""
    changed = copy.deepcopy(written)
    site = next((one for one in changed["site"] if one.get("key") == plan.site.key), None)
    if site is None or "supply" not in site:
        raise Problem(
            409, f"The supply of {plan.site.name} is not entered; enter it in Setup first."
        )
    site["supply"] = {**site["supply"], "meter_offset_v": found.offset}
    try:
        whole = network_file.build(changed, "the changed network")
    except ConfigError as error:
        raise Problem(422, " ".join(error.mistakes[:5])) from error
    said = (
        f"{plan.site.name}: meter_offset_v is {found.offset:g} by a hand meter "
        f"({found.hand:.2f} V, the station showed {found.shown:.2f} V)."
    )
    return Proposal(base, changed, whole, "form", sentence=said)


# --- what was typed, and what the station shows -------------------------------------------


def _comparison(
    given: Services, plan: SitePlan, typed: Typed
) -> tuple[Comparison | None, dict[str, str]]:
    """Return the two readings, and what is wrong with them by field."""
    wrong: dict[str, str] = {}
    hand = read_number(typed.get("hand", ""), "Hand meter", wrong, "hand")
    shown = read_number(typed.get("shown", ""), "Station", wrong, "shown")
    if hand is None and not wrong:
        wrong["hand"] = "Hand meter: type what it reads, in volts."
    stale = _stale(given, typed)
    if shown is None or stale:
        wrong["shown"] = stale or "The station's value is not known: poll it first."
    if hand is None or shown is None or wrong:
        return None, wrong
    supply = plan.site.supply
    found = Comparison(hand, shown, supply.meter_offset_v if supply else 0.0)
    no = refusal(found)
    if no:
        wrong["hand"] = no
    elif doubt(found) and typed.get("sure") != "yes":
        wrong["sure"] = doubt(found)
    return found, wrong


def _stale(given: Services, typed: Typed) -> str:
    """Return in a sentence that the value compared with is too old, or has no time."""
    text = typed.get("shown_ms", "")
    if not text.isdecimal():
        return "The station's value has no time: poll it first."
    age_ms = given.now_ms() - int(text)
    if age_ms > 2 * FRESH_MS:
        return f"The station's value is {lasting(age_ms)} old: poll it, and read both again."
    return "" if age_ms >= 0 else "The station's value has no time: poll it first."


def _the_point(plan: SitePlan) -> Point:
    point = plan.site.point_of(PointKind.SUPPLY_VOLTAGE)
    if point is None:
        raise Problem(404, f"{plan.site.name} has no point for its supply voltage.")
    return point


def supply_reading(given: Services, plan: SitePlan) -> Reading | None:
    """Return what the station shows of its supply, None where it shows none."""
    point = plan.site.point_of(PointKind.SUPPLY_VOLTAGE)
    if point is None:
        return None
    gateway, state = given.network().gateway_of(plan.site_id), given.live.sites().get(plan.site_id)
    found = site_readings(gateway, plan, state, given.now_ms())
    reading = next((one for one in found if one.tag == point.tag), None)
    return reading if reading is not None and reading.quality is not Quality.NONE else None


def _page(
    request: Request,
    given: Services,
    show: Screens,
    plan: SitePlan,
    typed: Typed,
    wrong: Mapping[str, str],
    status: int = 200,
    asked: bool = False,
) -> HTMLResponse:
    reading = supply_reading(given, plan)
    at_ms = reading.at_ms if reading is not None else None
    is_fresh = at_ms is not None and given.now_ms() - at_ms <= FRESH_MS
    with given.database.reading() as connection:
        before = hand_readings.of_site(connection, plan.site_id)
    supply = plan.site.supply
    context = {
        "key": plan.site.key,
        "site": plan.site,
        "reading": reading,
        "is_fresh": is_fresh,
        "offset": supply.meter_offset_v if supply else 0.0,
        "offset_words": offset_words,
        "before": [(one, Comparison(one.hand, one.shown, one.offset_before)) for one in before],
        "typed": typed,
        "wrong": wrong,
        "asked": asked,
    }
    return show.page(request, "hand_meter.html", context, status)
