"""Forms of a site's page: somebody works there, or it is not to be polled for a while."""

from typing import Annotated, Literal

from fastapi import APIRouter, Form, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import RedirectResponse

from tallymast.domain.model import Act
from tallymast.routes.api.acts import begin_act, drops, end_act
from tallymast.routes.api.finding import the_site
from tallymast.routes.screens import Show
from tallymast.routes.services import Given
from tallymast.routes.who import ThePerson, ask_again

HOUR_MS = 3_600_000
LENGTHS = (
    (1, "1 hour"),
    (4, "4 hours"),
    (12, "12 hours"),
    (24, "1 day"),
    (168, "7 days"),
    (720, "30 days"),
    (4320, "180 days"),
)

router = APIRouter(include_in_schema=False)

Kind = Annotated[Literal["maintenance", "not-polled"], Form()]


@router.post("/sites/{key}/acts")
async def begin(
    request: Request,
    key: str,
    given: Given,
    person: ThePerson,
    show: Show,
    kind: Kind,
    reason: Annotated[str, Form(max_length=300)],
    hours: Annotated[int, Form(ge=1, le=4320)] = 4,
    confirmed: Annotated[bool, Form()] = False,
) -> Response:
    """Begin an act; ending polling is asked back first where outputs will drop."""
    plan = the_site(given.network(), key)
    falling = drops(plan) if kind == "not-polled" else []
    if falling and not confirmed:
        context = {
            "site": plan.site,
            "key": key,
            "falling": falling,
            "reason": reason,
            "hours": hours,
            "length": dict(LENGTHS).get(hours, f"{hours} hours"),
        }
        return show.page(request, "confirm_act.html", context)
    if falling:
        await ask_again(request, given, person)
    until_ms = given.now_ms() + hours * HOUR_MS
    await run_in_threadpool(begin_act, given, plan, Act(kind), reason, until_ms, person)
    return RedirectResponse(f"/sites/{key}", 303)


@router.post("/sites/{key}/acts/end")
def end(key: str, given: Given, person: ThePerson, kind: Kind) -> Response:
    """End an act; one that has ended already is no mistake."""
    end_act(given, the_site(given.network(), key), Act(kind), person)
    return RedirectResponse(f"/sites/{key}", 303)
