"""Causes of a battery on the sun that is charged, but too little."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tallymast.domain.health.diagnosis.causes.supply import NO_LIFT_V
from tallymast.domain.health.diagnosis.causes.supply_facts import (
    BATTERY_CAUTIONS,
    PANEL_CAUTION,
    Others,
    Powered,
    days_words,
    how_long,
    powered,
)
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import About, Diagnosis, Said, Since
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.diagnosis.supply_days import Day
from tallymast.domain.health.nights import DAY_MS
from tallymast.domain.health.supply.model import Verdict
from tallymast.domain.model import Chemistry, SupplyKind

# Ours, all of them.
_WEAK: Final = 0.6  # of what it used to be lifted on days like these
_WEAK_DAYS: Final = 5
_LESS_THAN_ALL: Final = 0.8
_GOOD: Final = 0.75  # of a good day's lift: nobody need be asked
_LEAST_BEFORE: Final = 8
_ABSORBED_V: Final = 13.8  # of a 12 V pack: a controller held it, it was nearly full
_SOON_DAYS: Final = 21.0


@a_cause
def weak_charge(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a dirty or shaded panel, or a controller: less lift than on such days before."""
    found = powered(one, SupplyKind.SOLAR)
    if found is None or found.is_stuck or found.supply.chemistry is Chemistry.LIFEPO4:
        return None
    weak = None if _is_good(found) else _weak(found, Others(one, around))
    if weak is None:
        return None
    since_ms = weak.since_ms
    return Diagnosis(
        cause="weak-charge",
        title="Panel dirty or shaded, or controller",
        about=About.SUPPLY,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=since_ms,
        score=min(1.6 + 3.0 * (_WEAK - weak.share), 2.9),
        says=Said(
            "charged too little for {}: {} of its usual lift on days on which others had sun",
            Since(since_ms),
            f"{100 * weak.share:.0f}\u00a0%",
        ),
        advice=Said("Panel dirty or shaded, or controller: charge current at noon decides."),
        decides=Said(
            "Charge current at noon against the panel's rating, panel cleaned: still low is "
            "controller, wiring or a failed part of the panel."
        ),
        chart=found.chart(since_ms, "charge became weak", before_days=10.0),
        rests_on=(
            Said("The last {} days with sun against {} before.", f"{_WEAK_DAYS}", f"{weak.before}"),
        ),
        bring=("brush and water for the panel, meter for panel volts and current",),
        cautions=(PANEL_CAUTION, *BATTERY_CAUTIONS),
        explains=frozenset({About.CONTACT}) if found.has_run_down else frozenset(),
    )


@dataclass(frozen=True, slots=True)
class _Weak:
    """How weak the charge is: a share of its usual, since when, days it is held against."""

    share: float
    since_ms: int
    before: int


def _is_good(found: Powered) -> bool:
    """Whether the newest day lifted it well: then nobody else need be asked."""
    shares = (found.clues.share(day) for day in reversed(found.clues.days))
    newest = next((share for share in shares if share is not None), None)
    return newest is None or newest > _GOOD


def _weak(found: Powered, others: Others) -> _Weak | None:
    """Return how weakly the last days with sun charged it, None where they did as usual."""
    shares = [
        (day, share / had)
        for day in found.clues.days
        if (share := found.clues.share(day)) is not None
        and (had := others.had(day.day)) is not None
        and had >= _GOOD - 0.15
    ]
    before, late = shares[:-_WEAK_DAYS], shares[-_WEAK_DAYS:]
    if len(before) < _LEAST_BEFORE or found.today - late[-1][0].day > 1:
        return None
    first = before[: max(_LEAST_BEFORE, len(before) // 2)]
    usual = float(np.median([share for _, share in first]))
    floor = float(np.quantile([share for _, share in before], 0.1))
    now = float(np.median([share for _, share in late]))
    is_weak = usual >= 0.7 and now <= _WEAK * usual
    if not is_weak or max(share for _, share in late) > min(floor, 0.75 * usual):
        return None
    if any((day.lift_v or 0.0) < NO_LIFT_V for day, _ in late):
        return None  # no charge at all is another matter
    if not _is_alone([day for day, _ in late], found, others):
        return None
    if _is_recovering([day for day, _ in before], [day for day, _ in late]):
        return None
    return _Weak(now / usual, _weak_since(shares, _WEAK * usual), len(before))


def _is_alone(late: Sequence[Day], found: Powered, others: Others) -> bool:
    """Whether it was lifted clearly less than every other: else it is weather, or the season."""
    ratios = [
        (found.clues.share(day) or 0.0) / max(least, 0.05)
        for day in late
        if (least := others.least(day.day)) is not None
    ]
    return len(ratios) == len(late) and float(np.median(ratios)) <= _LESS_THAN_ALL


def _is_recovering(before: Sequence[Day], late: Sequence[Day]) -> bool:
    """Whether a battery was low before its lifts became small: an empty one is lifted little."""
    usual = [day.dawn_v for day in before if day.dawn_v is not None]
    dawns = [day.dawn_v for day in late if day.dawn_v is not None]
    if not usual or len(dawns) < 2:
        return True
    return dawns[0] < float(np.median(usual)) - 0.1 or dawns[-1] > dawns[0] + 0.02


def _weak_since(shares: Sequence[tuple[Day, float]], limit: float) -> int:
    since = shares[-1][0]
    for day, share in reversed(shares):
        if share > limit:
            break
        since = day
    return since.peak_ms or 0


@a_cause
def more_load_than_sun(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Say that a battery goes down because the sun gives less than the load takes."""
    del around
    found = powered(one, SupplyKind.SOLAR)
    health = one.health.supply
    if found is None or health is None or health.verdict is not Verdict.DECLINING:
        return None
    forecast = health.forecast
    if any((day.peak_v or 0.0) >= _ABSORBED_V for day in found.clues.days[-2:]):
        return None  # full by day: then it is what the night makes of it
    if forecast is None or forecast.low_days > _SOON_DAYS or health.predawn_v is None:
        return None
    absorbed = health.absorbed_ms
    since_ms = absorbed if absorbed is not None else one.now_ms - 14 * DAY_MS
    return Diagnosis(
        cause="more-load-than-sun",
        title="More load than sun",
        about=About.SUPPLY,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=since_ms,
        score=1.6,
        says=Said(
            "pre-dawn {}, falling; load disconnect ({}) in {}",
            found.volts(health.predawn_v / found.packs),
            found.volts(found.disconnect_v),
            days_words(forecast),
        ),
        advice=Said("More load than sun: a charged battery or a larger panel before it is dark."),
        decides=Said(
            "Charge current at noon against the panel's rating: as rated is too small a panel "
            "for the season, less is panel or controller."
        ),
        chart=found.chart(since_ms, "last full"),
        rests_on=how_long(forecast),
        bring=("charged battery to swap in, meter for panel volts and current",),
        cautions=(PANEL_CAUTION, *BATTERY_CAUTIONS),
    )
