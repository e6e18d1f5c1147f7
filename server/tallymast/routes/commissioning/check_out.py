"""Reads where a proof stands, and keeps what is done in it, each act with its line in the audit."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.commissioning.point_tests import Way
from tallymast.domain.commissioning.sheet import PointSheet, sheet_of
from tallymast.domain.commissioning.steps import Step
from tallymast.domain.commissioning.taking import tolerance_for
from tallymast.domain.model import Point, SitePlan
from tallymast.domain.orders.model import TagOut
from tallymast.routes.api.finding import the_point
from tallymast.routes.commissioning.live_points import seen_since
from tallymast.routes.commissioning.told_points import point_then
from tallymast.routes.problems import Problem
from tallymast.routes.services import Services
from tallymast.routes.who import Person, tell
from tallymast.storage import proof_steps, proofs, tag_outs
from tallymast.storage.proofs import Proof


@dataclass(frozen=True, slots=True)
class CheckOut:
    """A proof with where each of its points stands."""

    plan: SitePlan
    proof: Proof
    sheets: tuple[PointSheet, ...]
    tags: tuple[TagOut, ...] = ()

    def sheet(self, tag: str) -> PointSheet:
        """Return where one point stands.

        Raises:
            Problem: it is not part of this proof.

        """
        point = the_point(self.plan, tag)
        for one in self.sheets:
            if one.point.tag == point.tag:
                return one
        raise Problem(409, f"{tag} is not part of this check-out; repeat all points to prove it.")

    def tolerance(self, point: Point) -> float:
        """Return a point's tolerance in this proof [%]."""
        return tolerance_for(point, self.proof.detail.get("tolerance", {}))

    @property
    def unjudged(self) -> tuple[PointSheet, ...]:
        """Points of which nothing is said yet."""
        return tuple(one for one in self.sheets if one.result is None)

    def count(self, result: str) -> int:
        """Return how many points ended so."""
        return sum(one.result == result for one in self.sheets)


def going_on(given: Services, plan: SitePlan) -> CheckOut | None:
    """Return the check-out of a site that is going on, None where there is none."""
    with given.database.reading() as connection:
        proof = proofs.open_of(connection, plan.site_id)
    return read(given, plan, proof) if proof is not None else None


def the_check_out(given: Services, plan: SitePlan) -> CheckOut:
    """Return the check-out of a site that is going on.

    Raises:
        Problem: there is none.

    """
    found = going_on(given, plan)
    if found is None:
        raise Problem(409, f"No check-out of {plan.site.name} is going on; begin one first.")
    return found


def read(given: Services, plan: SitePlan, proof: Proof) -> CheckOut:
    """Return where a proof stands; states of contacts are looked for while it goes on."""
    points = scope_of(plan, proof)
    with given.database.reading() as connection:
        steps = proof_steps.of_proof(connection, proof.id)
        tags = tag_outs.hanging(connection, plan.site_id)
    sheets = sheet_of(points, steps, {})
    looked_for = {}
    if proof.state == proofs.OPEN and proof.made_ms is None:
        looked_for = {
            one.point.tag: one.adjusted.at_ms if one.adjusted else proof.began_ms
            for one in sheets
            if one.method.way is Way.STATES and one.result is None
        }
    if looked_for:
        sheets = sheet_of(points, steps, seen_since(given, plan, looked_for))
    return CheckOut(plan, proof, sheets, tags)


def scope_of(plan: SitePlan, proof: Proof) -> list[Point]:
    """Return the points a proof is about: of a signed one as they were, else as they are."""
    if proof.state == proofs.SIGNED and "points" in proof.versions:
        return [point_then(one) for one in proof.versions["points"]]
    wanted = proof.detail.get("scope")
    return [one for one in plan.site.points if wanted is None or one.tag in wanted]


def keep(
    given: Services, person: Person, found: CheckOut, steps: Sequence[Step], told: tuple[str, str]
) -> None:
    """Append steps to a proof that goes on.

    Args:
        given: what routes may use.
        person: whose act it is.
        found: the proof.
        steps: in their order.
        told: the act, and its words for the audit.

    Raises:
        Problem: it was signed or left meanwhile.

    """
    with given.database.writing() as connection:
        still_open(connection, found.proof)
        proof_steps.add(connection, found.proof.id, steps, at_ms=given.now_ms())
        tell_of(connection, given, person, found.plan, told[0], {"text": told[1]})


def keep_detail(
    given: Services, person: Person, found: CheckOut, key: str, value: dict[str, Any]
) -> None:
    """Keep a detail of a proof that goes on.

    Raises:
        Problem: it was signed or left meanwhile.

    """
    with given.database.writing() as connection:
        proof = still_open(connection, found.proof)
        proofs.put_detail(connection, proof, key, value, at_ms=given.now_ms())
        tell_of(connection, given, person, found.plan, "proof.remark", {"n": proof.id})


def still_open(connection: Connection, proof: Proof) -> Proof:
    """Return a proof as it is now, in the transaction that changes it.

    Raises:
        Problem: it was signed or left meanwhile.

    """
    now = proofs.of_id(connection, proof.id)
    if now is None or now.state != proofs.OPEN:
        raise Problem(409, f"Proof {proof.id} is {now.state if now else 'gone'}: nothing was kept.")
    return now


def tell_of(
    connection: Connection,
    given: Services,
    person: Person,
    plan: SitePlan,
    action: str,
    words: dict[str, Any],
) -> None:
    """Write down an act on a site's proof in the transaction of what it did."""
    act = Act(action, "proof", plan.site.key, {}, words, plan.site.name)
    tell(connection, given, person, act)
