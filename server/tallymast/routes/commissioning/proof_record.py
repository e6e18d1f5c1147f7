"""What a proof's record holds: for its page, and as JSON for other systems."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection

from tallymast.domain.commissioning.loop_check import basis_of
from tallymast.domain.commissioning.point_tests import Way, method_of
from tallymast.domain.commissioning.sheet import PhaseSheet, PointSheet
from tallymast.domain.commissioning.steps import Result, Step, StepKind
from tallymast.domain.model import Point, PointKind, SitePlan
from tallymast.routes.commissioning.check_out import CheckOut, read
from tallymast.routes.commissioning.live_points import live_readings
from tallymast.routes.commissioning.step_rows import (
    KIND_WORDS,
    MARKS,
    OPEN,
    StepRow,
    detail_words,
    step_row,
)
from tallymast.routes.commissioning.told_points import told
from tallymast.routes.formats import iso
from tallymast.routes.problems import Problem
from tallymast.routes.rows import Mark
from tallymast.routes.services import NetworkView, Services
from tallymast.storage import hardware, proof_photos, proof_steps, proofs
from tallymast.storage.proof_photos import Photo
from tallymast.storage.proofs import Proof

BESIDES: Final = {"switches": "Address switches", "scan": "Who answers", "link": "Link test"}


@dataclass(frozen=True, slots=True)
class PhaseRows:
    """One phase of a point on paper: how it is called, and its steps in words."""

    words: str
    rows: tuple[StepRow, ...]
    told: str


@dataclass(frozen=True, slots=True)
class PointRecord:
    """One point of a record."""

    tag: str
    name: str
    kind: str
    mark: Mark
    found: Mark | None
    phases: tuple[PhaseRows, ...]
    tolerance: str


@dataclass(frozen=True, slots=True)
class Record:
    """A whole record."""

    found: CheckOut
    steps: tuple[Step, ...]
    photos: tuple[Photo, ...]
    points: tuple[PointRecord, ...]
    besides: tuple[tuple[str, str], ...]

    @property
    def proof(self) -> Proof:
        """What it is a record of."""
        return self.found.proof

    @property
    def untested(self) -> tuple[tuple[str, str], ...]:
        """What was not tested, and why."""
        return tuple(
            (one.point.tag, one.now.verdict.note if one.now.verdict else "")
            for one in self.found.sheets
            if one.result is Result.NOT_TESTED
        )


def plan_of(network: NetworkView, site_id: int) -> SitePlan:
    """Return the site of a proof, a retired one too.

    Raises:
        Problem: the network does not know it.

    """
    for plan in (*network.sites, *network.retired):
        if plan.site_id == site_id:
            return plan
    raise Problem(404, "The site of this proof is not part of the network any more.")


def the_proof(given: Services, number: int) -> tuple[SitePlan, Proof]:
    """Return a proof and its site.

    Raises:
        Problem: there was never one of this number.

    """
    with given.database.reading() as connection:
        proof = proofs.of_id(connection, number) if 0 < number < 2**63 else None
    if proof is None:
        raise Problem(404, f"There was never a proof {number}.")
    return plan_of(given.network(), proof.site_id), proof


def read_record(given: Services, plan: SitePlan, proof: Proof) -> Record:
    """Return a proof's record."""
    found = read(given, plan, proof)
    with given.database.reading() as connection:
        steps = proof_steps.of_proof(connection, proof.id)
        photos = proof_photos.of_proof(connection, proof.id)
    points = tuple(_point(one, steps, found.tolerance(one.point)) for one in found.sheets)
    return Record(found, tuple(steps), tuple(photos), points, _besides(proof.detail))


def versions_now(connection: Connection, given: Services, found: CheckOut) -> dict[str, Any]:
    """Return what is in force while a proof is signed, and what its points are called."""
    plan, network = found.plan, given.network()
    station = hardware.station_of(connection, plan.site_id)
    fitted = (
        {"name": station.name, "serial": station.serial, "version": station.version}
        if station is not None
        else None
    )
    return {
        "tallymast": given.version,
        "network": network.revision_id,
        "firmware": _firmware(given, plan),
        "station": fitted,
        "site": {
            "key": plan.site.key,
            "name": plan.site.name,
            "unit": plan.site.unit,
            "gateway": network.gateway_of(plan.site_id).gateway.name,
            "profile": plan.site.profile,
        },
        "zone": network.time_zone,
        "points": [told(one.point) for one in found.sheets],
    }


def _firmware(given: Services, plan: SitePlan) -> str | float | None:
    point = plan.site.point_of(PointKind.REVISION)
    reading = live_readings(given, plan).get(point.tag) if point is not None else None
    return reading.value if reading is not None else None


def _point(sheet: PointSheet, steps: list[Step], tolerance: float) -> PointRecord:
    point = sheet.point
    of = "span" if basis_of(point).span is not None else "expected"
    has = method_of(point).way in (Way.FIVE, Way.ONE)
    found = sheet.found.verdict
    return PointRecord(
        point.tag,
        point.name,
        KIND_WORDS[point.kind],
        MARKS[sheet.result] if sheet.result else OPEN,
        MARKS[found.result] if found is not None else None,
        tuple(
            PhaseRows(one.phase.words, tuple(_phase_rows(point, one, steps)), one.told)
            for one in (sheet.found, sheet.left)
            if one is not None
        ),
        f"{tolerance:g}\u00a0% of {of}" if has else "",
    )


def _phase_rows(point: Point, phase: PhaseSheet, steps: list[Step]) -> list[StepRow]:
    mine = [one for one in steps if one.tag == point.tag and one.phase is phase.phase]
    shown: list[Step] = [one for one in mine if one.kind is StepKind.ADJUST]
    if phase.start is not None:
        shown.append(phase.start)
    shown += [one for one in mine if one.kind is StepKind.STATE]
    shown += phase.checks
    if phase.verdict is not None:
        shown.append(phase.verdict)
    return [step_row(point, one) for one in shown]


def _besides(detail: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """Return what was found besides points, in words."""
    return tuple(
        (words, detail_words(detail[key])) for key, words in BESIDES.items() if key in detail
    )


# --- for other systems -----------------------------------------------------------------------


def as_json(record: Record) -> dict[str, Any]:
    """Return a record as other systems may keep it; times in UTC, unknown ones null."""
    proof = record.proof
    return {
        "proof": proof.id,
        "kind": proof.kind,
        "state": proof.state,
        "follows": proof.follows_id,
        "began_at": iso(proof.began_ms),
        "made_at": iso(proof.made_ms),
        "signed_at": iso(proof.signed_ms),
        "signed_name": proof.signed_name or None,
        "signed_by": proof.detail.get("signed_by"),
        "at_site": proof.at_site,
        "at_base": proof.at_base or None,
        "alone": proof.detail.get("alone"),
        "entered": proof.detail.get("entered"),
        "instruments": proof.detail.get("instruments", ""),
        "note": proof.note,
        "versions": dict(proof.versions),
        "points": [_json_point(one) for one in record.found.sheets],
        "steps": [_json_step(record, one) for one in record.steps],
        "photos": [
            {"number": one.id, "caption": one.name, "media": one.media, "at": iso(one.at_ms)}
            for one in record.photos
        ],
        "besides": {key: proof.detail[key] for key in BESIDES if key in proof.detail},
    }


def _json_point(sheet: PointSheet) -> dict[str, Any]:
    verdict = sheet.now.verdict
    return {
        "tag": sheet.point.tag,
        "name": sheet.point.name,
        "kind": sheet.point.kind.value,
        "unit": sheet.point.unit,
        "result": sheet.result.value if sheet.result else None,
        "phase": sheet.now.phase.value,
        "note": verdict.note if verdict else "",
    }


def _json_step(record: Record, step: Step) -> dict[str, Any]:
    point = next((one.point for one in record.found.sheets if one.point.tag == step.tag), None)
    read_then = step.meaning
    return {
        "n": step.n,
        "tag": step.tag,
        "kind": step.kind.value,
        "phase": step.phase.value,
        "applied": step.applied,
        "applied_unit": _applied_unit(point, step),
        "expected": step.expected,
        "shown": step.shown,
        "shown_at": iso(step.shown_ms),
        "error_pct": step.error_pct,
        "tolerance_pct": step.tolerance_pct,
        "result": step.result.value,
        "note": step.note,
        "at": iso(step.at_ms),
        "actor": step.actor,
        "raw": step.raw,
        "read": {"digest": read_then.digest, **read_then.as_json()} if read_then else None,
        **({"more": dict(step.more)} if step.more else {}),
    }


def _applied_unit(point: Point | None, step: Step) -> str | None:
    if point is None or step.applied is None:
        return None
    if point.loop is not None:
        return "mA"
    return "pulses" if method_of(point).way is Way.COUNT else point.unit or None
