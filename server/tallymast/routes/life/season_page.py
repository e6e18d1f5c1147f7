"""The checklist before a site comes back into service after its season."""

from dataclasses import dataclass
from typing import Final

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.audit import Act
from tallymast.domain.life.checklist import Check, checks_of
from tallymast.domain.model import SitePlan
from tallymast.routes.api.finding import the_site
from tallymast.routes.life.season_lines import season_line
from tallymast.routes.life.typed import TheTyped, Typed
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, ThePerson, tell
from tallymast.storage import hardware, proofs, returns
from tallymast.storage.proofs import Proof

RESULTS: Final = {"order": "in order", "wrong": "not in order", "none": "does not apply"}

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One check with what was found; ``at_ms`` None: not looked at."""

    check: Check
    at_ms: int | None
    actor: str
    result: str
    note: str


@router.get("/sites/{key}/return")
def return_page(request: Request, key: str, given: Given, show: Show) -> HTMLResponse:
    """Show the checklist of a site's return."""
    return _page(request, given, show, the_site(given.network(), key))


@router.post("/sites/{key}/return")
def look_at(key: str, given: Given, person: ThePerson, typed: TheTyped) -> Response:
    """Keep what was found of one check, sign the whole list, or begin a new one."""
    plan = the_site(given.network(), key)
    step = typed.get("step", "")
    if step == "sign":
        _sign(given, person, plan, typed.get("note", ""))
        return RedirectResponse(f"/sites/{key}/return", 303)
    known = {one.key: one for one in checks_of(plan.site)}
    check = known.get(typed.get("check", ""))
    if check is None or typed.get("result") not in RESULTS:
        raise Problem(422, "Say which check, and whether it is in order.")
    if typed["result"] == "wrong" and len(typed.get("note", "")) < 3:
        raise Problem(422, f"{check.title}: say in a few words what is not in order.")
    _keep(given, person, plan, check, typed)
    return RedirectResponse(f"/sites/{key}/return#check-{check.key}", 303)


def _keep(given: Services, person: Person, plan: SitePlan, check: Check, typed: Typed) -> None:
    at_ms, result, note = given.now_ms(), typed["result"], typed.get("note", "")
    with given.database.writing() as connection:
        proof = returns.newest(connection, plan.site_id)
        if proof is None or proof.state != proofs.OPEN:
            station = hardware.station_of(connection, plan.site_id)
            proof = proofs.begin(
                connection,
                plan.site_id,
                returns.KIND,
                actor=person.name,
                at_ms=at_ms,
                at_site=person.name,
                part_id=station.id if station else None,
            )
        found = {"at_ms": at_ms, "actor": person.name, "result": result, "note": note}
        body = {**returns.checks(proof), check.key: found}
        proofs.put_detail(connection, proof, returns.CHECKS, body, at_ms=at_ms)
        told = {"what": check.title, "said": f"{RESULTS[result]}. {note}".strip()}
        act = Act("return.check", "site", plan.site.key, {}, told, plan.site.name)
        tell(connection, given, person, act)


def _sign(given: Services, person: Person, plan: SitePlan, note: str) -> None:
    with given.database.writing() as connection:
        proof = returns.newest(connection, plan.site_id)
        if proof is None or proof.state != proofs.OPEN:
            raise Problem(409, "There is no open checklist to sign; look at the checks first.")
        done = returns.checks(proof)
        left = [one.title for one in checks_of(plan.site) if one.key not in done]
        if left:
            raise Problem(422, f"Not looked at yet: {', '.join(left)}.")
        at_ms, name = given.now_ms(), person.name
        if not returns.sign(connection, proof, at_ms=at_ms, actor=name, note=note):
            raise Problem(409, "Somebody has signed this checklist already.")
        wrong = [one for one in done.values() if one["result"] == "wrong"]
        told = {"n": len(done), "wrong": len(wrong), "text": note}
        act = Act("return.sign", "site", plan.site.key, {}, told, plan.site.name)
        tell(connection, given, person, act)


def _page(request: Request, given: Services, show: Screens, plan: SitePlan) -> HTMLResponse:
    with given.database.reading() as connection:
        proof = returns.newest(connection, plan.site_id)
        line = season_line(connection, given, plan)
        older = [
            one
            for one in proofs.of_site(connection, plan.site_id)
            if one.kind == returns.KIND and one.state == proofs.SIGNED
        ]
    still = proof is not None and proof.state == proofs.OPEN
    rows = _rows(plan, proof if still else None)
    context = {
        "key": plan.site.key,
        "site": plan.site,
        "line": line,
        "rows": rows,
        "left": sum(row.at_ms is None for row in rows),
        "results": RESULTS,
        "older": older,
        "is_open": still,
    }
    return show.page(request, "return_check.html", context)


def _rows(plan: SitePlan, proof: Proof | None) -> list[CheckRow]:
    done = returns.checks(proof)
    rows = []
    for check in checks_of(plan.site):
        found = done.get(check.key, {})
        rows.append(
            CheckRow(
                check,
                found.get("at_ms"),
                str(found.get("actor", "")),
                str(found.get("result", "")),
                str(found.get("note", "")),
            )
        )
    return rows
