"""Do-not-operate tags of a site: what hangs, hanging and removing one, history, and its paper."""

from typing import Annotated, Final, Literal

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.model import SitePlan
from tallymast.domain.orders.model import TagOut
from tallymast.routes.api.finding import any_site, the_site
from tallymast.routes.orders import tag_acts
from tallymast.routes.orders.hanging import TheTags
from tallymast.routes.orders.order_words import NO_LOCK, TAGGED
from tallymast.routes.orders.output_rows import outputs_of
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import ThePerson
from tallymast.storage import tag_outs

router = APIRouter(include_in_schema=False)

HISTORY: Final = 50
Text = Annotated[str, Form(max_length=tag_acts.REASON_LONGEST)]


@router.get("/sites/{key}/tags")
def tags_page(
    request: Request,
    key: str,
    given: Given,
    person: ThePerson,
    show: Show,
    tag: Annotated[str, Query(max_length=60)] = "",
) -> HTMLResponse:
    """Show what hangs at a site and what hung there."""
    plan = any_site(given.network(), key)
    with given.database.reading() as connection:
        found = tag_outs.history(connection, plan.site_id, HISTORY)
    hanging = [one for one in found if one.removed_ms is None]
    context = {
        "key": plan.site.key,
        "site": plan.site,
        "outputs": outputs_of(plan),
        "names": {point.tag: point.name for point in plan.site.points},
        "tag": tag,
        "hanging": [(one, tag_acts.may_remove(person, one)) for one in hanging],
        "removed": [one for one in found if one.removed_ms is not None],
        "tag_mark": TAGGED,
        "no_lock": NO_LOCK,
        "longest": tag_acts.REASON_LONGEST,
        "is_used": plan.site.retired is None,
    }
    return show.page(request, "tags.html", context)


@router.post("/sites/{key}/tags")
def hang_tag(
    key: str,
    given: Given,
    person: ThePerson,
    tags: TheTags,
    reason: Text,
    tag: Annotated[str, Form(max_length=60)] = "",
) -> Response:
    """Hang a tag on an output or the whole site."""
    tag_acts.hang(given, person, the_site(given.network(), key), tag, reason)
    tags.forget()
    return RedirectResponse(f"/sites/{key}/tags", 303)


@router.post("/sites/{key}/tags/{number}/remove")
def remove_tag(
    key: str, number: int, given: Given, person: ThePerson, tags: TheTags, note: Text
) -> Response:
    """Remove a tag: who hung it, or a supervisor, with a note."""
    tag_acts.remove(given, person, any_site(given.network(), key), number, note)
    tags.forget()
    return RedirectResponse(f"/sites/{key}/tags", 303)


@router.get("/sites/{key}/tags/{number}")
def tag_paper(
    request: Request,
    key: str,
    number: int,
    given: Given,
    show: Show,
    paper: Annotated[Literal["label", "plain"], Query()] = "label",
) -> HTMLResponse:
    """Show a tag that hangs as paper to hang beside it: 100 by 62 mm, or to cut out."""
    plan = any_site(given.network(), key)
    found = _tag(given, plan, number)
    point = plan.site.point(found.tag) if found.tag else None
    context = {
        "key": plan.site.key,
        "site": plan.site,
        "one": found,
        "what": (point.name if point else found.tag) or "The whole site",
        "paper": paper,
        "no_lock": NO_LOCK,
    }
    return show.page(request, "tag_paper.html", context)


def _tag(given: Services, plan: SitePlan, number: int) -> TagOut:
    with given.database.reading() as connection:
        found = tag_outs.tag_out(connection, number) if 0 < number < 2**63 else None
    if found is None or found.site_id != plan.site_id:
        raise Problem(404, f"There was never a tag {number} at {plan.site.name}.")
    if found.removed_ms is not None:
        raise Problem(409, "This tag was removed; there is nothing to hang any more.")
    return found
