"""The page on which an order is confirmed: fresh value, what will happen, one button, once.

It waits for the poll that was asked for. Its button carries a token that orders once, and only
for a minute after that poll; a page shown anew has another token, and the older one works no
more. Asking for the page orders nothing.
"""

from dataclasses import dataclass
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.model import Job, JobState, Point, SitePlan
from tallymast.domain.orders.model import Order
from tallymast.domain.orders.rules import TOKEN_MS, refusals, tags_on, wrong
from tallymast.domain.orders.telling import cautions, happens
from tallymast.routes.api.finding import the_site
from tallymast.routes.commissioning.live_points import LOST_MS, now_of
from tallymast.routes.formats import value_words
from tallymast.routes.orders.order_words import TAGGED, act_words
from tallymast.routes.orders.placing import Placed, Seen, place, seen_of
from tallymast.routes.orders.situation import situation_of
from tallymast.routes.orders.tag_acts import point_id_of
from tallymast.routes.orders.wanting import Carried, carried, subject_of, the_output
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, ThePerson
from tallymast.storage import jobs, order_tokens, orders

router = APIRouter(include_in_schema=False)

_NOT_NEWEST: Final = (
    "This page was opened once more since, by you or by another window: only the newest one's "
    "button works."
)
TheCarried = Annotated[Carried, Depends(carried)]


@dataclass(frozen=True, slots=True)
class Asking:
    """Everything a confirm page is about."""

    plan: SitePlan
    point: Point
    point_id: int
    asked: Carried
    job: Job

    @property
    def subject(self) -> str:
        """What its token orders."""
        return subject_of(self.plan, self.point_id, self.asked)

    @property
    def ends_ms(self) -> int:
        """Until when its button works [UTC ms]."""
        return (self.job.done_ms or self.job.asked_ms) + TOKEN_MS


def the_asking(given: Given, key: str, tag: str, asked: TheCarried) -> Asking:
    """Return what a confirm page is about.

    Raises:
        Problem: no such output, it takes no such order, or its poll is not on record.

    """
    plan = the_site(given.network(), key)
    point = the_output(plan, tag)
    sentence = wrong(point, asked.wanted)
    if sentence:
        raise Problem(422, sentence)
    with given.database.reading() as connection:
        job = jobs.job(connection, asked.job)
    if job is None or job.kind != "poll" or job.site_id != plan.site_id:
        raise Problem(404, "The poll of this page is not on record; choose anew what to order.")
    return Asking(plan, point, point_id_of(plan, tag), asked, job)


TheAsking = Annotated[Asking, Depends(the_asking)]


# Who reloads the answer to a pressed button, or signs in after it, comes to its address by GET.
@router.get("/sites/{key}/outputs/{tag}/order")
@router.get("/sites/{key}/outputs/{tag}/confirm")
def confirm_page(
    request: Request,
    given: Given,
    person: ThePerson,
    show: Show,
    asking: TheAsking,
) -> Response:
    """Show what is about to be ordered, once the poll that was asked for has ended."""
    ordered = _ordered(given, asking, person)
    if ordered is not None:
        return RedirectResponse(f"/orders/{ordered.id}", 303)
    context = {**_shown(given, show, asking, person), "whole": True}
    return _no_store(show.page(request, "output_confirm.html", context))


@router.get("/sites/{key}/outputs/{tag}/confirm/now")
def confirm_part(
    request: Request,
    given: Given,
    person: ThePerson,
    show: Show,
    asking: TheAsking,
) -> Response:
    """Return the same as a fragment, for a page that waits or whose minute is over."""
    context = _shown(given, show, asking, person)
    more = {"person": person, "clock": show.clock()}
    return _no_store(
        HTMLResponse(show.fragment("partials/output_confirm.html", {**context, **more}))
    )


@router.post("/sites/{key}/outputs/{tag}/order")
def order_now(
    request: Request,
    given: Given,
    person: ThePerson,
    show: Show,
    asking: TheAsking,
    token: Annotated[str, Form(max_length=100)],
    they_know: Annotated[bool, Form()] = False,
) -> Response:
    """Order what the page showed; pressed twice it is the same order."""
    placed = _placed(given, person, asking, token, they_know)
    if placed.order is not None:
        return RedirectResponse(f"/orders/{placed.order.id}", 303)
    context = {**_shown(given, show, asking, person, placed), "whole": True}
    return _no_store(show.page(request, "output_confirm.html", context, 409))


def _placed(given: Services, person: Person, asking: Asking, token: str, they_know: bool) -> Placed:
    """Order in one transaction, by a token that fits; or say why not, with nothing stored."""
    with given.database.writing() as connection:
        known = order_tokens.token(connection, token)
        fits = known is not None and known.subject == asking.subject
        if known is None or not fits or known.account_id != person.account_id:
            return Placed(wrong=_NOT_NEWEST)
        stored = orders.by_key(connection, known.hash)
        if stored is not None:
            return Placed(stored)
        now_ms = given.now_ms()
        if known.used_ms is not None or now_ms >= known.ends_ms:
            return Placed(wrong="The button was pressed too late: the value was a minute old.")
        situation = situation_of(given, connection, asking.plan, asking.point, now_ms)
        if situation.visitors and not they_know:
            return Placed(wrong="Somebody is there: tick that they know, then press again.")
        order_tokens.use(connection, token, now_ms)
        seen = Seen(known.hash, asking.asked.source, *seen_of(situation))
        return place(connection, given, person, asking.asked.wanted, situation, seen)


def _ordered(given: Services, asking: Asking, person: Person) -> Order | None:
    """Return what was ordered by this page before, if anything."""
    with given.database.reading() as connection:
        used = order_tokens.used(connection, asking.subject, person.account_id)
        return orders.by_key(connection, used) if used is not None else None


def _waits(given: Services, asking: Asking, now_ms: int) -> bool:
    """Whether the poll is still under way, or its answer not seen here yet."""
    job = asking.job
    if job.state is JobState.FAILED:
        return False
    if job.done_ms is None:
        return now_ms - job.asked_ms < TOKEN_MS
    state = given.live.sites().get(asking.plan.site_id)
    newest_ms = state.last_poll_ms if state is not None else None
    seen = newest_ms is not None and newest_ms >= job.asked_ms
    return not seen and now_ms - job.done_ms < LOST_MS


def _shown(
    given: Services,
    show: Screens,
    asking: Asking,
    person: Person,
    placed: Placed | None = None,
) -> dict[str, object]:
    """Return what the page shows: that it waits, that its minute is over, or all of it."""
    now_ms = given.now_ms()
    plan, point, wanted = asking.plan, asking.point, asking.asked.wanted
    where = f"/sites/{plan.site.key}/outputs/{point.tag}"
    shown: dict[str, object] = {
        "key": plan.site.key,
        "site": plan.site,
        "point": point,
        "asked": asking.asked,
        "act": act_words(point, plan.site.name, wanted),
        "here": where,
        "job": asking.job,
        "wrong": placed.wrong if placed is not None else "",
        "source": asking.asked.source,
    }
    if _waits(given, asking, now_ms):
        return {**shown, "stage": "waits"}
    if now_ms >= asking.ends_ms:
        return {**shown, "stage": "over"}
    return {**shown, **_whole(given, asking, person, now_ms)}


def _whole(given: Services, asking: Asking, person: Person, now_ms: int) -> dict[str, object]:
    plan, point, wanted = asking.plan, asking.point, asking.asked.wanted
    with given.database.reading() as connection:
        situation = situation_of(given, connection, plan, point, now_ms)
    refused = refusals(wanted, situation)
    reading = situation.readings.get(point.tag)
    may = person.may("operate")
    return {
        "stage": "asks",
        "now": now_of(point, reading),
        "shown": value_words(reading, point),
        "result": asking.job.result,
        "happens": happens(wanted, situation),
        "cautions": cautions(wanted, situation),
        "visitors": situation.visitors,
        "tags": tags_on(situation),
        "tag_mark": TAGGED,
        "refused": refused,
        "may": may,
        "token": _token(given, asking, person, now_ms) if may and not refused else "",
        "left_s": max(round((asking.ends_ms - now_ms) / 1000) + 1, 1),
    }


def _token(given: Services, asking: Asking, person: Person, now_ms: int) -> str:
    with given.database.writing() as connection:
        return order_tokens.give(
            connection,
            asking.subject,
            account_id=person.account_id,
            at_ms=now_ms,
            ends_ms=asking.ends_ms,
        )


def _no_store(response: HTMLResponse) -> HTMLResponse:
    response.headers["Cache-Control"] = "no-store"
    return response
