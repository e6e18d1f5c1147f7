"""Gives the demo its commissioning records: invented check-outs of four sites, signed.

One was done three days ago; one leaves an output untested; one found a transmitter's span wrong
and left it right. The numbers are what a station would answer to what is applied: whole counts
of its registers, a little off.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from tallymast.demo.demonstration import Scene
from tallymast.domain.commissioning.loop_check import FIVE, applied_at, expected_for
from tallymast.domain.commissioning.point_tests import Way, method_of
from tallymast.domain.commissioning.sheet import PointSheet, sheet_of
from tallymast.domain.commissioning.steps import Result, Step, StepKind
from tallymast.domain.commissioning.taking import Take, adjusted, step_of, verdict_of
from tallymast.domain.modbus.layouts import scale, unscale
from tallymast.domain.model import Point, PointKind, Quality, Reading, SitePlan, WordLayout
from tallymast.domain.zones import find_zone
from tallymast.routes.commissioning.told_points import told
from tallymast.simulator.fault_file import Moments
from tallymast.storage import hardware, proof_steps, proofs
from tallymast.storage.engine import Database

_MINUTE_MS: Final = 60_000
_TEXTS: Final = {PointKind.REVISION: "as on the label", PointKind.SIGNAL: "radio's display agrees"}
_LEVELS: Final = {  # what was applied where one value was
    PointKind.SUPPLY_VOLTAGE: 1.07,  # of the supply's nominal voltage
    PointKind.TEMPERATURE: 14.5,
    PointKind.RATE: 60.0,
    PointKind.ANALOG_INPUT: 400.0,
}


@dataclass(frozen=True, slots=True)
class Story:
    """One invented check-out.

    Attributes:
        begun: as in the demo's files of troubles.
        minutes: how long it took.
        untested: tags left out, with the reason.
        span_error: a tag, and by how many per cent its span was found wrong.
        remark: on the whole.

    """

    site: str
    begun: str
    minutes: int
    at_site: str = "R. Hale"
    at_base: str = "M. Okoro"
    untested: Mapping[str, str] = field(default_factory=dict)
    span_error: tuple[str, float] = ("", 0.0)
    remark: str = ""


STORIES: Final = (
    Story("fennel-dosing", "D-3 08:20", 80, remark="Address 6. Panel meter and screen agree."),
    Story(
        "quill-tank",
        "D-48 10:05",
        65,
        untested={"OUT2": "spare, nothing is connected"},
    ),
    Story(
        "upper-weir",
        "D-44 13:30",
        95,
        span_error=("LVL", 1.4),
        remark="Level transmitter re-ranged at the stilling well.",
    ),
    Story("gannet-turnout", "D-37 09:10", 70, at_site="M. Okoro", at_base="R. Hale"),
)


def demo_proofs(database: Database, shown: Scene, version: str) -> int:
    """Put the demo's signed records in; return how many. A site that has a proof is left alone.

    Args:
        database: of a demo that was begun.
        shown: its scene.
        version: of Tallymast, as records tell it.

    """
    moments = Moments(shown.begun_ms, find_zone(shown.world.network.time_zone))
    sites = {plan.site.key: plan for _, plan in shown.sites}
    return sum(
        _write(database, shown, sites[one.site], one, moments.at_ms(one.begun), version)
        for one in STORIES
        if one.site in sites
    )


def _write(
    database: Database, shown: Scene, plan: SitePlan, story: Story, begun_ms: int, version: str
) -> bool:
    with database.writing() as connection:
        if proofs.of_site(connection, plan.site_id):
            return False
        station = hardware.station_of(connection, plan.site_id)
        there = station if station is not None and station.from_ms <= begun_ms else None
        proof = proofs.begin(
            connection,
            plan.site_id,
            "commissioning",
            actor=story.at_base,
            at_ms=begun_ms,
            at_site=story.at_site,
            at_base=story.at_base,
            part_id=there.id if there else None,
        )
        steps = _steps(plan, story, begun_ms)
        proof_steps.add(connection, proof.id, steps, at_ms=steps[-1].at_ms)
        proofs.put_said(
            connection,
            proof,
            at_site=story.at_site,
            at_base=story.at_base,
            note=story.remark,
            at_ms=begun_ms,
        )
        instruments = "Loop calibrator, hand meter"
        proofs.put_detail(connection, proof, "instruments", instruments, at_ms=begun_ms)
        versions = _versions(shown, plan, there, version)
        signed_ms = begun_ms + story.minutes * _MINUTE_MS
        name = story.at_site
        return proofs.sign(connection, proof, name=name, versions=versions, at_ms=signed_ms)


def _versions(
    shown: Scene, plan: SitePlan, there: hardware.Part | None, version: str
) -> dict[str, object]:
    fitted = None
    if there is not None:
        fitted = {"name": there.name, "serial": there.serial, "version": there.version}
    return {
        "tallymast": version,
        "network": shown.plan.revision_id,
        "firmware": None,
        "station": fitted,
        "site": {
            "key": plan.site.key,
            "name": plan.site.name,
            "unit": plan.site.unit,
            "gateway": _gateway_name(shown, plan),
            "profile": plan.site.profile,
        },
        "zone": shown.world.network.time_zone,
        "points": [told(one) for one in plan.site.points],
    }


def _gateway_name(shown: Scene, plan: SitePlan) -> str:
    return next(gateway.gateway.name for gateway, one in shown.sites if one.site_id == plan.site_id)


# --- one point after the other ----------------------------------------------------------------


def _steps(plan: SitePlan, story: Story, begun_ms: int) -> list[Step]:
    """Return the steps of a check-out, spread over the time it took."""
    points = plan.site.points
    every_ms = story.minutes * _MINUTE_MS // (len(points) + 1)
    found: list[Step] = []
    for place, point in enumerate(points):
        one = _Proving(plan, point, story, begun_ms + place * every_ms)
        one.prove()
        found += one.steps
    return found


class _Proving:
    """Proves one point: takes what its way asks for, then judges it."""

    def __init__(self, plan: SitePlan, point: Point, story: Story, at_ms: int) -> None:
        self.steps: list[Step] = []
        self._plan, self._point, self._story = plan, point, story
        self._at_ms = at_ms

    def prove(self) -> None:
        """Do all of it."""
        point, story = self._point, self._story
        if point.tag in story.untested:
            self._judge(Result.NOT_TESTED, story.untested[point.tag])
            return
        tag, wrong = story.span_error
        way = method_of(point).way
        if way is Way.FIVE and point.tag == tag:
            self._five(wrong)
            self._judge(Result.FAIL, "reads too much, more the higher")
            note = "span trimmed at the transmitter"
            step = adjusted(self._sheet(), note, at_ms=self._later(), actor=story.at_site)
            self.steps.append(step)
        self._take(way)
        self._judge(Result.PASS, _TEXTS.get(point.kind, ""))

    def _take(self, way: Way) -> None:
        if way is Way.FIVE:
            self._five(0.0)
        elif way is Way.STATES:
            for state in (False, True):
                self._step(Take(StepKind.STATE), self._reading(state, state))
        elif way is Way.COUNT:
            start, count = 4100 + len(self._point.tag), method_of(self._point).count
            self._step(Take(StepKind.START), self._number(float(start)))
            self._step(Take(StepKind.CHECK, float(count)), self._number(float(start + count)))
        elif way is Way.ONE:
            amount = self._amount()
            self._step(Take(StepKind.CHECK, amount), self._value(amount * 1.001))

    def _five(self, span_error_pct: float) -> None:
        for percent in FIVE:
            applied = applied_at(self._point, percent)
            off = percent / 100.0 * span_error_pct / 100.0 + 0.0004 * math.sin(percent)
            ends = (expected_for(self._point, applied_at(self._point, one)) for one in (0, 100))
            low, high = ends
            value = expected_for(self._point, applied) + off * (high - low)
            self._step(Take(StepKind.CHECK, applied), self._value(value))

    def _amount(self) -> float:
        amount = _LEVELS.get(self._point.kind, 10.0)
        if self._point.kind is PointKind.SUPPLY_VOLTAGE:
            supply = self._plan.site.supply
            amount = round(amount * (supply.nominal_v if supply else 12.0), 2)
        return amount

    def _value(self, value: float) -> Reading:
        """Return a reading of a value, in whole counts where the register has them."""
        point = self._point
        raw = unscale(value, point.raw, point.value)
        if point.layout not in (WordLayout.FLOAT32, WordLayout.FLOAT64):
            raw = float(round(raw))
        return self._reading(scale(raw, point.raw, point.value), raw)

    def _number(self, raw: float) -> Reading:
        return self._reading(scale(raw, self._point.raw, self._point.value), raw)

    def _reading(self, value: float | bool, raw: float | bool) -> Reading:
        return Reading(self._point.tag, value, raw, Quality.GOOD, self._later())

    def _later(self) -> int:
        self._at_ms += 25_000
        return self._at_ms

    def _sheet(self) -> PointSheet:
        numbered = [replace(step, n=place) for place, step in enumerate(self.steps, 1)]
        (sheet,) = sheet_of([self._point], numbered, {})
        return sheet

    def _step(self, take: Take, reading: Reading) -> None:
        step = step_of(
            self._sheet(),
            take,
            reading,
            tolerance_pct=method_of(self._point).tolerance_pct,
            at_ms=reading.at_ms or self._at_ms,
            actor=self._story.at_base,
        )
        self.steps.append(step)

    def _judge(self, result: Result, note: str) -> None:
        at_ms = self._later()
        self.steps += verdict_of(
            self._sheet(), result, note, reading=None, at_ms=at_ms, actor=self._story.at_base
        )
