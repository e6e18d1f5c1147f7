"""Causes of values that do not come, or stand still: sensor loops and sensors."""

import re
from typing import Final

from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import About, ChartOf, Diagnosis, Said, Shown, Since
from tallymast.domain.health.diagnosis.point_clues import Gone, Still
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.nights import DAY_MS
from tallymast.domain.model import Point, PointKind
from tallymast.domain.record.rollups import HOUR_MS

_LOOP: Final = re.compile(r"loop (-?\d+(?:\.\d+)?) mA")
_LOW_MA: Final = 4.0  # a fault current below it is a fault low, above 20 a fault high (NE 43)
_LOOP_CAUTIONS: Final = (
    "Classified areas: open no loop under power; the local electrical code decides.",
    "Work at heights and over open tanks: fall protection and a gas monitor.",
)


@a_cause
def loop(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a broken or shorted sensor loop: its current is one that no sound sensor sends."""
    del around
    failed = [
        (point, float(match[1]))
        for tag, reason in one.moment.invalid
        if (match := _LOOP.match(reason)) is not None and (point := one.site.point(tag)) is not None
    ]
    known = {gone.tag: gone for gone in one.health.clues.points.gone}
    found = [(known[point.tag], point, current) for point, current in failed if point.tag in known]
    if not found or one.moment.is_silent:
        return None
    gone, point, current = min(found, key=lambda some: some[0].since_ms or 0)
    return _of_loop(one, gone, point, current, together=len(found) > 1)


def _of_loop(
    one: SiteEvidence, gone: Gone, point: Point, current: float, *, together: bool
) -> Diagnosis:
    since_ms = gone.since_ms if gone.since_ms is not None else one.now_ms - 21 * DAY_MS
    is_low = current < _LOW_MA
    title = _loop_title(point, is_low=is_low, together=together)
    return Diagnosis(
        cause="loop",
        title=title,
        about=About.POINT,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=since_ms,
        score=_loop_score(one, gone),
        says=_loop_says(gone, point, f"loop {current:.2f}\u00a0mA", since_ms),
        advice=Said("{}: loop current at the terminals decides.", title.partition(" (")[0]),
        decides=Said(
            "Loop current at the station's terminals: the same with the sensor's wires off is "
            "the input, none with 24 V present is wire or sensor, none without is its power."
            if is_low
            else "Loop current with the sensor unplugged: it falls to none for a sensor fault, "
            "and stays for a short in the cable."
        ),
        chart=ChartOf(
            Shown.POINT,
            since_ms - 3 * DAY_MS,
            tags=(point.tag,),
            marks=((since_ms, "loop failed"),),
        ),
        rests_on=(Said("Several loops of the station failed together."),) if together else (),
        desk=("Twenty polls now: does the current change at all?",),
        bring=(f"spare transmitter and loop meter for {point.name}", "means to gauge by hand"),
        cautions=_LOOP_CAUTIONS,
        tag=point.tag,
    )  # fmt: skip


def _loop_title(point: Point, *, is_low: bool, together: bool) -> str:
    if is_low and together:
        return "Power for the sensor loops, or their wires"
    kind = "Broken wire or sensor without power" if is_low else "Short or sensor fault"
    return f"{kind} ({point.name})"


def _loop_score(one: SiteEvidence, gone: Gone) -> float:
    if gone.since_ms is None:
        return 3.0  # never had a value: perhaps not wired
    hours = (one.now_ms - gone.since_ms) / HOUR_MS
    if hours * HOUR_MS < 3000 * one.site.poll_every_s:
        return 1.0
    return 4.5 if hours < 0.5 else 6.5 if hours < 24 else 8.0


def _loop_says(gone: Gone, point: Point, current: str, since_ms: int) -> Said:
    if gone.last is None:
        return Said("{} UNKNOWN ({}), no valid value in three weeks", point.name, current)
    text = "{} UNKNOWN for {} ({}); last good {}"
    return Said(text, point.name, Since(since_ms), current, _measure(gone.last, point))


def _measure(value: float, point: Point) -> str:
    unit = f"\u00a0{point.unit}" if point.unit else ""
    if point.value is None or point.unit == "%":
        return f"{value:.2f}{unit}"
    return f"{value:.2f}{unit} of {max(point.value):.2f}"


# --- readings that stand still --------------------------------------------------------------


@a_cause
def stuck(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a sensor that stands still although it always moved, while others move."""
    del around
    found = [
        (still, point)
        for still in one.health.clues.points.still
        if (point := one.site.point(still.tag)) is not None and still.others
    ]
    if not found or one.moment.is_silent:
        return None
    still, point = max(found, key=lambda some: some[0].hours)
    is_supply = point.kind is PointKind.SUPPLY_VOLTAGE
    return Diagnosis(
        cause="supply-reading-stuck" if is_supply else "stuck",
        title=f"{'Meter or register' if is_supply else 'Sensor or its input'} stuck ({point.name})",
        about=About.SUPPLY if is_supply else About.POINT,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=still.since_ms,
        score=_still_score(still),
        says=Said(
            "{} has not moved for {} (stands at {}); before, it never stood still longer than {}",
            point.name,
            Since(still.since_ms),
            _plain(still.value, point),
            f"{max(still.longest, 1)}\u00a0h",
        ),
        advice=Said("Sensor or its input stuck: a hand reading beside it decides."),
        decides=Said(
            "A hand reading against the shown value, then the signal at the input's terminals: "
            "it moves there for an input or register fault, and stands for the sensor."
        ),
        chart=ChartOf(
            Shown.POINT,
            still.since_ms - 3 * DAY_MS,
            tags=(point.tag,),
            marks=((still.since_ms, "stands still"),),
        ),
        rests_on=(
            Said("{} hours without movement against {} hours before.", f"{still.hours}",
                 f"{still.before}"),
            Said("{} of the site's other readings moved meanwhile.", f"{still.others}"),
        ),
        desk=("Is the process itself at rest: closed valve, full tank, shut-in well?",),
        bring=(f"spare sensor and loop meter for {point.name}", "means to gauge by hand"),
        cautions=_LOOP_CAUTIONS,
        tag="" if is_supply else point.tag,
    )  # fmt: skip


def _plain(value: float, point: Point) -> str:
    return f"{value:.2f}" + (f"\u00a0{point.unit}" if point.unit else "")


def _still_score(still: Still) -> float:
    if still.hours < 24:
        return 2.0
    return 4.0 if still.hours < 72 else 6.0
