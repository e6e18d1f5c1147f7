"""The record of a proof: shown, signed, repeated, listed; and as JSON for other systems."""

from typing import Annotated, Literal

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse
from sqlalchemy import Connection

from tallymast.domain.commissioning.loop_check import NotApplicable
from tallymast.domain.commissioning.sheet import sheet_of, unjudged
from tallymast.domain.commissioning.steps import Result
from tallymast.domain.model import SitePlan
from tallymast.domain.people import plain
from tallymast.domain.zones import find_zone
from tallymast.routes.api.acts import open_act
from tallymast.routes.commissioning.beginning import KINDS, begin_proof, names
from tallymast.routes.commissioning.check_out import (
    CheckOut,
    read,
    scope_of,
    still_open,
    tell_of,
)
from tallymast.routes.commissioning.proof_record import (
    as_json,
    read_record,
    the_proof,
    versions_now,
)
from tallymast.routes.commissioning.proven_points import read_proven
from tallymast.routes.paper_clock import PaperClock
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, ThePerson
from tallymast.storage import proof_photos, proof_steps, proofs
from tallymast.storage.proofs import Proof

router = APIRouter(include_in_schema=False)

Name = Annotated[str, Form(max_length=80)]
NOTE_LONGEST = 2000


@router.get("/sites/{key}/proofs")
def proofs_page(
    request: Request, key: str, given: Given, person: ThePerson, show: Show
) -> HTMLResponse:
    """List a site's proofs, and what of it is proven."""
    plan = given.network().site_or_retired(key)
    if plan is None:
        raise Problem(404, f"There is no site {key!r}.")
    site = read_proven(given, plan)
    with given.database.reading() as connection:
        steps = proof_steps.of_proofs(connection, [one.id for one in site.proofs])
    rows = [
        (one, CheckOut(plan, one, sheet_of(scope_of(plan, one), steps[one.id], {})))
        for one in site.proofs
    ]
    context = {
        "key": key,
        "site": plan.site,
        "in_use": given.network().site(key) is not None,
        "proven": site,
        "rows": rows,
        "kinds": KINDS,
        "may": person.may("prove"),
        "names": {one.tag: one.name for one in plan.site.points},
    }
    return show.page(request, "proofs.html", context)


@router.get("/proofs/{number}")
def proof_page(
    request: Request, number: int, given: Given, person: ThePerson, show: Show
) -> HTMLResponse:
    """Show one record; an open one can be signed here."""
    plan, proof = the_proof(given, number)
    return _page(request, given, show, plan, proof)


@router.get("/proofs/{number}/record.json")
def proof_json(number: int, given: Given) -> JSONResponse:
    """Answer a record for other systems."""
    plan, proof = the_proof(given, number)
    name = f"proof-{plan.site.key}-{proof.id}.json"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return JSONResponse(as_json(read_record(given, plan, proof)), headers=headers)


@router.post("/proofs/{number}/said")
def put_said(
    request: Request,
    number: int,
    given: Given,
    person: ThePerson,
    show: Show,
    at_site: Name,
    at_base: Name = "",
    alone: Annotated[str, Form(max_length=400)] = "",
    instruments: Annotated[str, Form(max_length=1000)] = "",
    note: Annotated[str, Form(max_length=8000)] = "",
) -> Response:
    """Keep who took part, with which instruments, and what is remarked."""
    plan, proof = the_proof(given, number)
    now_ms = given.now_ms()
    try:
        site, base, why = names(at_site, at_base, alone)
    except NotApplicable as wrong:
        typed = {"at_site": at_site, "at_base": at_base, "alone": alone}
        typed |= {"instruments": instruments, "note": note}
        return _page(request, given, show, plan, proof, wrong=str(wrong), typed=typed)
    with given.database.writing() as connection:
        proof = still_open(connection, proof)
        proofs.put_said(
            connection,
            proof,
            at_site=site,
            at_base=base,
            note=plain(note, NOTE_LONGEST),
            at_ms=now_ms,
        )
        for key, value in (("alone", why), ("instruments", plain(instruments, 300))):
            if value or key in proof.detail:
                proofs.put_detail(connection, proof, key, value, at_ms=now_ms)
        tell_of(connection, given, person, plan, "proof.remark", {"n": number})
    return RedirectResponse(f"/proofs/{number}", 303)


@router.post("/proofs/{number}/sign")
def sign(
    request: Request, number: int, given: Given, person: ThePerson, show: Show, name: Name = ""
) -> Response:
    """Sign a proof of which every point has a result or is said not to be tested; it is sealed."""
    plan, proof = the_proof(given, number)
    cleaned = plain(name, 60)
    if len(cleaned) < 2 or not proof.at_site:
        wrong = "Type your name to sign." if proof.at_site else "Write first who was at the site."
        return _page(request, given, show, plan, proof, wrong=wrong, typed={"name": name})
    with given.database.writing() as connection:
        proof = still_open(connection, proof)
        steps = proof_steps.of_proof(connection, number)
        sheets = sheet_of(scope_of(plan, proof), steps, {})
        missing = unjudged(sheets)
        if not missing:
            _seal(connection, given, person, CheckOut(plan, proof, sheets), cleaned)
    if missing:
        words = ", ".join(missing)
        wrong = f"Neither a result nor “not tested” is said of {words}; nothing was signed."
        return _page(request, given, show, plan, proof, wrong=wrong, typed={"name": name})
    return RedirectResponse(f"/proofs/{number}", 303)


def _seal(
    connection: Connection, given: Services, person: Person, found: CheckOut, name: str
) -> None:
    proof, now_ms = found.proof, given.now_ms()
    if person.account is not None:
        proofs.put_detail(connection, proof, "signed_by", person.name, at_ms=now_ms)
    versions = versions_now(connection, given, found)
    proofs.sign(connection, proof, name=name, versions=versions, at_ms=now_ms)
    counts = ", ".join(
        f"{found.count(one)} {one.words}"
        for one in (Result.PASS, Result.FAIL, Result.NOT_TESTED)
        if found.count(one)
    )
    words = {"n": proof.id, "text": f"{counts}, as {name}."}
    tell_of(connection, given, person, found.plan, "proof.sign", words)


@router.post("/proofs/{number}/repeat")
def repeat(
    number: int,
    given: Given,
    person: ThePerson,
    at_site: Name,
    which: Annotated[Literal["all", "open"], Form()] = "all",
    at_base: Name = "",
    alone: Annotated[str, Form(max_length=400)] = "",
) -> Response:
    """Begin a proof that repeats this one: of all points, or of those that are not proven."""
    plan, proof = the_proof(given, number)
    key = plan.site.key
    if given.network().site(key) is None:
        raise Problem(409, f"{plan.site.name} is retired; nothing of it is proven any more.")
    scope = None
    if which == "open":
        scope = [one.tag for one in read_proven(given, plan).lacking]
        if not scope:
            raise Problem(409, "Every point is proven; repeat all of them if you want to.")
    try:
        begin_proof(
            given,
            plan,
            person,
            "repair",
            at_site=at_site,
            at_base=at_base,
            alone=alone,
            scope=scope,
            follows_id=proof.id,
        )
    except NotApplicable as wrong:
        raise Problem(422, str(wrong)) from wrong
    return RedirectResponse(f"/sites/{key}/check-out", 303)


def _page(
    request: Request,
    given: Services,
    show: Screens,
    plan: SitePlan,
    proof: Proof,
    *,
    wrong: str = "",
    typed: dict[str, str] | None = None,
) -> HTMLResponse:
    with given.database.reading() as connection:
        proof = proofs.of_id(connection, proof.id) or proof
        follows = proofs.of_id(connection, proof.follows_id) if proof.follows_id else None
    person = request.state.person
    zone = str(proof.versions.get("zone", given.network().time_zone))
    context = {
        "key": plan.site.key,
        "site": plan.site,
        "record": read_record(given, plan, proof),
        "proof": proof,
        "found": read(given, plan, proof),
        "kinds": KINDS,
        "follows": follows,
        "clock": PaperClock(find_zone(zone), given.now_ms(), proof.began_ms),
        "zone": zone,
        "may": person.may("prove"),
        "in_use": given.network().site(plan.site.key) is not None,
        "lacking": len(read_proven(given, plan).lacking),
        "wrong": wrong,
        "typed": {**_fields(proof), **(typed or {})},
        "act": open_act(given, plan),
        "most": proof_photos.MOST,
    }
    return show.page(request, "proof.html", context, 422 if wrong else 200)


def _fields(proof: Proof) -> dict[str, str]:
    """Return what the record's forms hold at first."""
    return {
        "at_site": proof.at_site,
        "at_base": proof.at_base,
        "alone": proof.detail.get("alone", ""),
        "instruments": proof.detail.get("instruments", ""),
        "note": proof.note,
        "name": "",
    }
