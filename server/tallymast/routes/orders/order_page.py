"""One order: where it stands, its steps, and what is known of it; live while it goes on."""

from typing import Final

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from tallymast.domain.model import Point, SitePlan
from tallymast.domain.orders.model import Order, Proof
from tallymast.domain.orders.telling import said
from tallymast.domain.zones import find_zone
from tallymast.routes.commissioning.live_points import live_readings, now_of
from tallymast.routes.formats import value_words
from tallymast.routes.orders.late import end_late
from tallymast.routes.orders.order_rows import SOURCES, asked_of, proof_mark
from tallymast.routes.orders.order_words import STATES, act_words, next_step, readback_words
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, ThePerson
from tallymast.storage import orders

router = APIRouter(include_in_schema=False)

HIGHEST: Final = 2**63


@router.get("/orders/{number}")
def order_page(
    request: Request, number: int, given: Given, person: ThePerson, show: Show
) -> HTMLResponse:
    """Show an order."""
    context = _context(given, show, person, number)
    return show.page(request, "order.html", context)


@router.get("/orders/{number}/now")
def order_part(number: int, given: Given, person: ThePerson, show: Show) -> HTMLResponse:
    """Return where an order stands as a fragment, for a page that waits."""
    context = _context(given, show, person, number)
    html = show.fragment("partials/order_now.html", context)
    return HTMLResponse(html, headers={"Cache-Control": "no-store"})


def goes_on(order: Order) -> bool:
    """Return whether more is to be heard of an order: of itself, or of its feedback."""
    return not order.state.is_over or order.feedback is Proof.WAITING


def _context(given: Services, show: Screens, person: Person, number: int) -> dict[str, object]:
    with given.database.reading() as connection:
        order = orders.order(connection, number) if 0 < number < HIGHEST else None
    order = end_late(given, order)
    with given.database.reading() as connection:
        steps = orders.steps(connection, number) if order is not None else ()
    if order is None:
        raise Problem(404, f"There was never an order {number}.")
    network = given.network()
    plan = next(
        (one for one in (*network.sites, *network.retired) if one.site_id == order.site_id), None
    )
    point = plan.site.point(order.tag) if plan is not None else None
    return {
        "order": order,
        "clock": show.clock(),
        "person": person,
        "steps": steps,
        "goes_on": goes_on(order),
        "mark": STATES[order.state],
        "marks": STATES,
        "proof": proof_mark(order),
        "next": next_step(order),
        "asked": asked_of(order, point),
        "source": SOURCES.get(order.source, ""),
        **_at(given, order, plan, point),
    }


def _at(
    given: Services, order: Order, plan: SitePlan | None, point: Point | None
) -> dict[str, object]:
    """Return what is known of the place an order was for; it may be gone by now."""
    if plan is None or point is None:
        name = plan.site.name if plan is not None else "a site that is gone"
        act = f"{order.tag} {asked_of(order, point)} at {name}"
        key = plan.site.key if plan is not None else ""
        return {"act": act, "key": key, "site_name": name, "point": None, "says": ()}
    reading = live_readings(given, plan).get(order.tag)
    feedback = plan.site.point(point.feedback.tag) if point.feedback is not None else None
    return {
        "act": act_words(point, plan.site.name, order.wanted),
        "key": plan.site.key,
        "site_name": plan.site.name,
        "point": point,
        "says": said(order, point, find_zone(given.network().time_zone)),
        "readback": readback_words(order, point),
        "feedback_point": feedback,
        "now": now_of(point, reading),
        "shown": value_words(reading, point),
    }
