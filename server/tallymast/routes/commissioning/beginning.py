"""Begins proofs: of all points, or again of those that are not proven; two persons are named."""

from collections.abc import Mapping, Sequence
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from tallymast.domain.commissioning.loop_check import NotApplicable
from tallymast.domain.commissioning.point_tests import method_of
from tallymast.domain.commissioning.steps import Step
from tallymast.domain.model import SitePlan
from tallymast.domain.people import plain
from tallymast.routes.api.acts import open_act
from tallymast.routes.commissioning.check_out import tell_of
from tallymast.routes.commissioning.step_rows import KIND_WORDS
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens
from tallymast.routes.services import Services
from tallymast.routes.who import LOCAL, Person
from tallymast.storage import hardware, proof_steps, proofs
from tallymast.storage.proofs import Proof

KINDS = {
    "commissioning": "Commissioning",
    "repair": "After a repair or a change",
    "return": "Return to service after a season",
}
NAME_LONGEST = 60


def names(at_site: str, at_base: str, alone: str) -> tuple[str, str, str]:
    """Return the two persons' names as they are kept, with why there is only one.

    Raises:
        NotApplicable: nobody at the site, or one person without a reason.

    """
    site, base = plain(at_site, NAME_LONGEST), plain(at_base, NAME_LONGEST)
    why = plain(alone, 300)
    if len(site) < 2:
        raise NotApplicable("Write who is at the site.")
    if (not base or base.casefold() == site.casefold()) and not why:
        raise NotApplicable(
            "Two persons prove a point: one at the site, one who sees here what is shown. Write "
            "who is at base, or why one person does both."
        )
    return site, base, why


def begin_proof(
    given: Services,
    plan: SitePlan,
    person: Person,
    kind: str,
    *,
    at_site: str,
    at_base: str,
    alone: str,
    scope: Sequence[str] | None = None,
    follows_id: int | None = None,
    more: Mapping[str, Any] | None = None,
    made_ms: int | None = None,
    steps: Sequence[Step] = (),
    note: str = "",
) -> Proof:
    """Begin a proof; one that goes on without names, begun by what came before, is taken up.

    Args:
        given: what routes may use.
        plan: the site.
        person: who begins it.
        kind: a key of ``KINDS``.
        at_site: who is at the site.
        at_base: who is at base.
        alone: why one person does both; empty: two do.
        scope: tags that are to be proven; None: all.
        follows_id: the proof this one repeats.
        more: what else is kept with it from the beginning.
        made_ms: when it was done, where it is entered from paper.
        steps: what was written there.
        note: what is remarked on the whole.

    Raises:
        NotApplicable: the names do not do.
        Problem: one goes on already.

    """
    site, base, why = names(at_site, at_base, alone)
    with given.database.writing() as connection:
        other = proofs.open_of(connection, plan.site_id)
        _refuse_second(plan, other, made_ms)
        at_ms = given.now_ms()
        proof = other or proofs.begin(
            connection,
            plan.site_id,
            kind,
            actor=person.name,
            at_ms=at_ms,
            at_site=site,
            at_base=base,
            part_id=_station_id(connection, plan),
            follows_id=follows_id,
            made_ms=made_ms,
        )
        said = {"at_site": site, "at_base": base, "note": note or proof.note}
        proofs.put_said(connection, proof, **said, at_ms=at_ms)
        for key, value in _details(more, scope, why).items():
            proofs.put_detail(connection, proof, key, value, at_ms=at_ms)
        proof_steps.add(connection, proof.id, steps, at_ms=at_ms)
        words = {"words": f"{KINDS[kind].lower()}, {site} at the site, {base or 'nobody'} at base"}
        action = "proof.begin" if made_ms is None else "proof.enter"
        tell_of(connection, given, person, plan, action, words)
    return proof


def _details(
    more: Mapping[str, Any] | None, scope: Sequence[str] | None, why: str
) -> dict[str, Any]:
    """Return what else is kept with a proof from its beginning."""
    scoped = {"scope": list(scope)} if scope is not None else {}
    return {**(more or {}), **scoped, **({"alone": why} if why else {})}


def _refuse_second(plan: SitePlan, other: Proof | None, made_ms: int | None) -> None:
    if other is not None and (other.at_site or made_ms is not None):
        raise Problem(409, f"Proof {other.id} of {plan.site.name} is going on; end that one first.")


def _station_id(connection: Connection, plan: SitePlan) -> int | None:
    station = hardware.station_of(connection, plan.site_id)
    return station.id if station is not None else None


def begin_form(
    request: Request,
    given: Services,
    plan: SitePlan,
    person: Person,
    show: Screens,
    entered: Proof | None,
    wrong: str = "",
    typed: Mapping[str, str] | None = None,
) -> HTMLResponse:
    """Show the form that begins a proof; ``entered`` is one from paper that is not signed yet."""
    with given.database.reading() as connection:
        signed = proofs.signed_of(connection, plan.site_id)
    base = "" if person.name == LOCAL else person.name
    kind = "repair" if signed else "commissioning"
    points = [(one, KIND_WORDS[one.kind], method_of(one)) for one in plan.site.points]
    context = {
        "key": plan.site.key,
        "site": plan.site,
        "kinds": KINDS,
        "typed": typed or {"kind": kind, "at_site": "", "at_base": base, "alone": ""},
        "wrong": wrong,
        "may": person.may("prove"),
        "points": points,
        "entered": entered,
        "last": signed[0] if signed else None,
        "act": open_act(given, plan),
    }
    return show.page(request, "check_out_begin.html", context, 422 if wrong else 200)
