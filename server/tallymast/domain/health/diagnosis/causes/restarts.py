"""Causes of restarts and totals that fell back, where the battery is well."""

from collections.abc import Sequence
from typing import Final

from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import (
    About,
    At,
    ChartOf,
    Diagnosis,
    Said,
    Shown,
    TimeOf,
)
from tallymast.domain.health.diagnosis.point_restarts import Fallen, Restart
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.nights import DAY_MS
from tallymast.domain.health.supply.limits import limits_of, packs_of
from tallymast.domain.model import PointKind, SiteStatus, SupplyKind

# Ours, all of them.
_RAN_DOWN_V: Final = 0.5  # of a 12 V pack above the disconnect
_SAME_MS: Final = 15 * 60_000
_ONE_LASTS_MS: Final = 7 * DAY_MS  # a single restart is old news after a week
_OTHERS: Final = 2  # other sites that restarted with it: one mains or a storm
_BY_COUNT: Final = (0.0, 1.7, 4.2, 6.2)
_FELL: Final = 0.6  # a total that fell back beside a climbing counter makes it surer


@a_cause
def restarts(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a loose supply connection or fuse clip: restarts that no empty battery explains."""
    found = [event for event in one.health.clues.points.restarts if _is_loose(one, event)]
    found = [event for event in found if not _is_shared(one, event, around)]
    if not found or one.moment.status is SiteStatus.MAINTENANCE:
        return None
    if len(found) == 1 and one.now_ms - found[0].to_ms > _ONE_LASTS_MS:
        return None
    kind = one.site.supply.kind if one.site.supply is not None else None
    on_mains = kind is SupplyKind.MAINS
    worst = max(found, key=lambda event: event.to_ms - event.from_ms)
    return Diagnosis(
        cause="restarts",
        title="Mains interruptions or supply connection"
        if on_mains
        else "Supply connection or fuse clip",
        about=About.COUNT,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=found[0].from_ms,
        score=_score(found),
        says=_says(worst, found),
        advice=Said(
            "Mains interruptions or supply connection, not the meter."
            if on_mains
            else "Supply connection or fuse clip, not the meter."
        ),
        decides=Said(
            "Pull gently at supply leads, terminals and fuse clip while the station runs: a "
            "restart is the connection, none after all of them is the station."
        ),
        chart=ChartOf(
            Shown.COUNTS,
            found[0].from_ms - 2 * DAY_MS,
            tags=tuple(
                point.tag
                for point in one.site.points
                if point.kind in (PointKind.TOTALIZER, PointKind.COUNTER)
            ),
            marks=tuple((event.from_ms, "restarted") for event in found),
        ),
        rests_on=tuple(_each(event) for event in found[-6:]),
        desk=("Read the meter's own register if it has one: what the total lacks is there.",),
        bring=("fuses and fuse clips of the ratings fitted there, ferrules, crimping tool",),
        cautions=(
            "Batteries: a short circuit burns; insulated tools, no rings or watch.",
            "Outputs may move when the station restarts: isolate and lock out by local law.",
        ),
    )


def _is_loose(one: SiteEvidence, event: Restart) -> bool:
    """Whether a restart is neither an empty battery's nor made by somebody who worked there."""
    if event.quiet:
        return False
    clues, supply = one.health.clues.supply, one.site.supply
    ends = clues.ran_down if clues is not None else ()
    if any(event.from_ms - _SAME_MS <= at <= event.to_ms + _SAME_MS for at in ends):
        return False
    limits = limits_of(supply) if supply is not None else None
    if supply is None or limits is None or event.supply_v is None:
        return True
    if supply.kind is SupplyKind.MAINS:
        return True
    return event.supply_v > limits.disconnect_v + _RAN_DOWN_V * packs_of(supply)


def _is_shared(one: SiteEvidence, event: Restart, around: Around) -> bool:
    """Whether other sites restarted at the same time: one mains, a storm, an update of all."""
    count = 0
    for other in around.sites:
        if other.site_id != one.site_id:
            count += any(
                its.from_ms <= event.to_ms and event.from_ms <= its.to_ms
                for its in other.health.clues.points.restarts
            )
    return count >= _OTHERS


def _score(found: Sequence[Restart]) -> float:
    score = _BY_COUNT[min(len(found), len(_BY_COUNT) - 1)]
    both = any(event.counted and event.totals for event in found)
    return score + (_FELL if both else 0.0)


def _unknown(event: Restart) -> Fallen | None:
    """Return the total that may have missed most, None where no maximum rate is known."""
    known = [total for total in event.totals if total.missed is not None]
    return max(known, key=lambda total: total.missed or 0.0) if known else None


def _says(worst: Restart, found: Sequence[Restart]) -> Said:
    often = f"{len(found)} restarts in 14 days" if len(found) > 1 else "one restart in 14 days"
    missed = _unknown(worst)
    what = "counter" if worst.totals else "station"
    if missed is None or missed.missed is None:
        text = "{} restarted {} to {}; {}"
        return Said(text, what, At(worst.from_ms), TimeOf(worst.to_ms), often)
    lost = 1 - (worst.to_ms - worst.from_ms) / DAY_MS
    return Said(
        "{} restarted {} to {}; 0 to {} pulses unknown; {} of the day is known; {}",
        what,
        At(worst.from_ms),
        TimeOf(worst.to_ms),
        f"{missed.missed:,.0f}".replace(",", "\u202f"),
        f"{100 * max(lost, 0.0):.0f}\u00a0%",
        often,
    )


def _each(event: Restart) -> Said:
    total = event.totals[0] if event.totals else None
    volts = "" if event.supply_v is None else f", supply {event.supply_v:.1f}\u00a0V before"
    if total is None:
        text = "{} to {}: restart counter{}."
        return Said(text, At(event.from_ms), TimeOf(event.to_ms), volts)
    return Said(
        "{} to {}: {} fell from {} to {}{}.",
        At(event.from_ms),
        TimeOf(event.to_ms),
        total.tag,
        f"{total.before:.0f}",
        f"{total.after:.0f}",
        volts,
    )
