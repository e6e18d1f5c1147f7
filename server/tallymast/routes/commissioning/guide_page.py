"""Commissioning a site, step by step: address, finding it, link test, points, record.

The first three steps are done on this page; what they find can be taken into the site's open
record. Points and record have pages of their own.
"""

from typing import Annotated, Literal

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.audit import Act
from tallymast.domain.commissioning.link_check import CHOICES, LEAST_POLLS, USUAL
from tallymast.domain.model import GatewayPlan, SitePlan, SiteStatus
from tallymast.domain.visit_cautions import general_cautions
from tallymast.routes.api.finding import the_site
from tallymast.routes.commissioning.guide_reading import read_guide
from tallymast.routes.commissioning.guide_steps import next_of, steps_of
from tallymast.routes.commissioning.keeping import what_to_keep
from tallymast.routes.commissioning.known_profiles import profiles_of
from tallymast.routes.commissioning.link_tests import ask_link_test
from tallymast.routes.commissioning.scans import ask_scan, blocks_of, is_over
from tallymast.routes.day import NOTHING, Days, TheDays
from tallymast.routes.formats import number
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, ThePerson, tell
from tallymast.storage import jobs, proofs

router = APIRouter(include_in_schema=False)


@router.get("/sites/{key}/commissioning")
def guide_page(
    request: Request, key: str, given: Given, days: TheDays, person: ThePerson, show: Show
) -> HTMLResponse:
    """Show the guide of a site."""
    plan = the_site(given.network(), key)
    context = _context(given, days, show, plan, person)
    return show.page(request, "commissioning.html", context)


@router.get("/sites/{key}/commissioning/steps")
def guide_steps(
    key: str, given: Given, days: TheDays, person: ThePerson, show: Show
) -> HTMLResponse:
    """Answer the steps as they stand, while something goes on."""
    context = _context(given, days, show, the_site(given.network(), key), person)
    return HTMLResponse(show.fragment("partials/commissioning_steps.html", context))


@router.post("/sites/{key}/commissioning/duplicate")
def ask_duplicate(
    key: str, given: Given, person: ThePerson, station: Annotated[Literal["off", "on"], Form()]
) -> Response:
    """Ask the site's address once, to hear whether somebody answers there."""
    plan, gateway = _of(given, key)
    profiles = [profiles_of(given)[plan.site.profile]]
    about = {"site": plan.site_id, "why": "duplicate", "on": station == "on"}
    blocks = blocks_of(profiles, gateway)
    units = (plan.site.unit,)
    ask_scan(given, person, gateway, units, blocks, plan.site.reply_timeout_s, about)
    return RedirectResponse(f"/sites/{key}/commissioning#address", 303)


@router.post("/sites/{key}/commissioning/find")
def ask_find(key: str, given: Given, person: ThePerson) -> Response:
    """Ask the site's address with every profile, its own first."""
    plan, gateway = _of(given, key)
    blocks = blocks_of(list(profiles_of(given).values()), gateway, plan.site.profile)
    about = {"site": plan.site_id, "why": "find"}
    units = (plan.site.unit,)
    ask_scan(given, person, gateway, units, blocks, plan.site.reply_timeout_s, about)
    return RedirectResponse(f"/sites/{key}/commissioning#finding", 303)


@router.post("/sites/{key}/commissioning/link")
def ask_link(
    key: str, given: Given, person: ThePerson, polls: Annotated[int, Form()] = USUAL
) -> Response:
    """Ask for so many polls in a row."""
    if polls not in CHOICES:
        raise Problem(422, f"A link test has {', '.join(map(str, CHOICES))} polls, not {polls}.")
    ask_link_test(given, person, the_site(given.network(), key), polls)
    return RedirectResponse(f"/sites/{key}/commissioning#link", 303)


@router.post("/sites/{key}/commissioning/link/stop")
def stop_link(key: str, given: Given, person: ThePerson) -> Response:
    """Ask for the end of the link test that goes on; its polls so far count."""
    plan = the_site(given.network(), key)
    with given.database.writing() as connection:
        job = jobs.newest_of_site(connection, "link-test", plan.site_id)
        if job is not None and jobs.ask_stop(connection, job.id, given.now_ms()):
            told = Act("site.stop-link-test", "site", key, name=plan.site.name)
            tell(connection, given, person, told)
    return RedirectResponse(f"/sites/{key}/commissioning#link", 303)


@router.post("/sites/{key}/commissioning/keep")
def keep_found(
    key: str,
    given: Given,
    person: ThePerson,
    what: Annotated[Literal["switches", "scan", "link"], Form()],
) -> Response:
    """Take what a step found into the site's open record."""
    plan, gateway = _of(given, key)
    reading = read_guide(given, plan, profiles_of(given))
    kept = what_to_keep(what, reading, gateway, person.name, given.now_ms())
    with given.database.writing() as connection:
        proof = proofs.open_of(connection, plan.site_id)
        if proof is None:
            raise Problem(409, f"No record of {plan.site.name} is open: begin one first.")
        proofs.put_detail(connection, proof, what, kept, at_ms=given.now_ms())
        words = {"switches": "the address", "scan": "what was found", "link": "the link test"}
        told = Act("proof.keep", "site", key, {}, {"words": words[what]}, plan.site.name)
        tell(connection, given, person, told)
    anchors = {"switches": "address", "scan": "finding", "link": "link"}
    return RedirectResponse(f"/sites/{key}/commissioning#{anchors[what]}", 303)


def _of(given: Services, key: str) -> tuple[SitePlan, GatewayPlan]:
    plan = the_site(given.network(), key)
    return plan, given.network().gateway_of(plan.site_id)


def _context(
    given: Services, days: Days, show: Screens, plan: SitePlan, person: Person
) -> dict[str, object]:
    network, site = given.network(), plan.site
    profiles = profiles_of(given)
    reading = read_guide(given, plan, profiles)
    steps = steps_of(site.key, reading.found)
    carries = any(one.site.via == site.key for one in network.sites)
    return {
        "clock": show.clock(),
        "key": site.key,
        "site": site,
        "plan": plan,
        "person": person,
        "gateway": network.gateway_of(plan.site_id).gateway,
        "profile": profiles[site.profile],
        "found": reading.found,
        "check": reading.check,
        "search": reading.search,
        "busy": reading.is_busy,
        "steps": steps,
        "next": next_of(steps),
        "cautions": general_cautions(site, carries),
        "choices": CHOICES,
        "usual": USUAL,
        "least": LEAST_POLLS,
        "path": _path_words(given, days, plan),
        "is_over": is_over,
    }


def _path_words(given: Services, days: Days, plan: SitePlan) -> str:
    """Return how the repeater that carries a site came through lately; empty without one."""
    via = given.network().site(plan.site.via) if plan.site.via else None
    if via is None:
        return ""
    counts = days.upto(given.now_ms()).get(via.site_id, NOTHING).counts
    name, state = via.site.name, given.live.sites().get(via.site_id)
    if state is not None and state.status is SiteStatus.COMM_FAIL:
        return f"{name}, which carries this site, is silent now: nothing comes through it."
    if not counts.asked:
        return f"{name} carries this site and was not asked in the last 24 h."
    return (
        f"{name}, which carries this site, answered {number(counts.first_try)} of "
        f"{number(counts.asked)} polls of the last 24 h at the first try; a link through it "
        "cannot be better than that."
    )
