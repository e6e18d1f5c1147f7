"""One output: what it shows, whether a tag hangs on it, and what may be asked of it.

Asking only has the site polled; what is then shown of it is confirmed on the next page.
"""

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.model import Point, PointKind, SitePlan
from tallymast.domain.orders.limits import longest_pulse_s, offered_pulse_s, set_span
from tallymast.domain.orders.rules import choices
from tallymast.domain.orders.wording import number_words, span_words
from tallymast.routes.api.finding import the_site
from tallymast.routes.api.jobs import ask_poll
from tallymast.routes.commissioning.live_points import live_readings, now_of
from tallymast.routes.formats import value_words
from tallymast.routes.life.typed import TheTyped
from tallymast.routes.orders.order_rows import order_lines
from tallymast.routes.orders.order_words import TAGGED
from tallymast.routes.orders.output_rows import KINDS, tags_on
from tallymast.routes.orders.tag_acts import point_id_of
from tallymast.routes.orders.wanting import SOURCES, UNITS, Carried, read_wanted, the_output
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import ThePerson
from tallymast.storage import orders, tag_outs

router = APIRouter(include_in_schema=False)

LAST_SHOWN = 5


@router.get("/sites/{key}/outputs/{tag}")
def choose_page(
    request: Request,
    key: str,
    tag: str,
    given: Given,
    show: Show,
    source: Annotated[str, Query(max_length=20)] = "page",
) -> HTMLResponse:
    """Show an output and what may be asked of it."""
    plan = the_site(given.network(), key)
    point = the_output(plan, tag)
    return _page(request, given, show, (plan, point), {"source": source})


@router.post("/sites/{key}/outputs/{tag}")
def choose(
    request: Request,
    key: str,
    tag: str,
    given: Given,
    person: ThePerson,
    show: Show,
    typed: TheTyped,
) -> Response:
    """Have the site polled for what is asked of an output; the next page waits for that."""
    plan = the_site(given.network(), key)
    point = the_output(plan, tag)
    wanted = read_wanted(point, typed)
    if isinstance(wanted, str):
        return _page(request, given, show, (plan, point), typed, wanted)
    job = ask_poll(given, key, person)
    asked = Carried(wanted, job.id, _source(typed))
    return RedirectResponse(f"/sites/{key}/outputs/{tag}/confirm?{asked.query}", 303)


def _page(
    request: Request,
    given: Services,
    show: Screens,
    where: tuple[SitePlan, Point],
    typed: dict[str, str],
    wrong: str = "",
) -> HTMLResponse:
    plan, point = where
    point_id = point_id_of(plan, point.tag)
    with given.database.reading() as connection:
        tags = tag_outs.hanging(connection, plan.site_id)
        last = orders.of_point(connection, point_id, 0)[:LAST_SHOWN]
    reading = live_readings(given, plan).get(point.tag)
    on_for, unit = _offered(point)
    context = {
        "key": plan.site.key,
        "site": plan.site,
        "point": point,
        "kind": KINDS[point.kind],
        "now": now_of(point, reading),
        "shown": value_words(reading, point),
        "tags": tags_on(plan, tags, point.tag),
        "tag_mark": TAGGED,
        "choices": [one.value for one in choices(point)],
        "words": point.words or ("off", "on"),
        "on_for": typed.get("on_for") or on_for,
        "unit": typed.get("unit") or unit,
        "units": tuple(UNITS),
        "longest": span_words(longest_pulse_s(point)),
        "range": _range(point),
        "want": typed.get("want", ""),
        "source": _source(typed),
        "wrong": wrong,
        "lines": order_lines(last, given.network()),
    }
    return show.page(request, "output.html", context, 422 if wrong else 200)


def _source(typed: dict[str, str]) -> str:
    return typed.get("source", "") if typed.get("source") in SOURCES else "page"


def _offered(point: Point) -> tuple[str, str]:
    """Return the on-time that a form offers at first: its number and its unit."""
    seconds = offered_pulse_s(point)
    unit = "min" if seconds >= 60 and seconds % 60 == 0 else "s"
    return f"{seconds / UNITS[unit]:g}", unit


def _range(point: Point) -> str:
    span = set_span(point) if point.kind is PointKind.ANALOG_OUTPUT else None
    return f"{span[0]:g} to {number_words(span[1], point.unit)}" if span else ""
