"""Cause of charge volts too high: a controller that holds the battery there."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from tallymast.domain.health.diagnosis.causes.supply_facts import (
    BATTERY_CAUTIONS,
    Powered,
    is_near,
    powered,
)
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import About, At, Diagnosis, Said
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.diagnosis.supply_days import Day
from tallymast.domain.model import Chemistry, SupplyKind

# Ours, all of them.
_OWN_V: Final = 0.45  # of a 12 V pack: a day's peak above all before it; 15 K move it so far
_DULL_DAYS: Final = 4  # between days on which it is held too high
_LEAST_DAYS: Final = 7
_RECENT: Final = 2  # days
_FLOATS_V: Final = 13.3  # of a 12 V pack: it was full, and floated, on days before
_BEYOND_ALL: Final = 4.5  # score of a peak beyond any temperature
_NEAR_KM: Final = 100.0
_CHARGED: Final = (SupplyKind.SOLAR, SupplyKind.MAINS_WITH_BATTERY)
_GOOD: Final = 0.5  # of a good day's lift, today's among them


@a_cause
def overcharge(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a controller that holds the battery higher than any temperature calls for."""
    found = powered(one, *_CHARGED)
    over = () if found is None or found.is_stuck else _over(found)
    if found is None or not over or (over[-1][3] < _BEYOND_ALL and _is_cold(one, around)):
        return None
    peak, limit, since_ms, score = max(over)[0], over[-1][1], over[0][2], over[-1][3]
    return Diagnosis(
        cause="overcharge",
        title="Charge controller holds the battery too high",
        about=About.SUPPLY,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=since_ms,
        score=min(score + (2.5 if len(over) > 1 else 0.0), 9.0),
        says=Said(
            "charged up to {} since {}; usual for the season is {} at most",
            found.volts(peak),
            At(since_ms),
            found.volts(limit),
        ),
        advice=Said("Charge controller: its setting for this battery, and its sensor, decide."),
        decides=Said(
            "A hand meter at the battery terminals at noon: as high is the controller or its "
            "temperature sensor, lower is the station's meter."
        ),
        chart=found.chart(since_ms, "first too high"),
        rests_on=(
            Said(
                "{} of {} known days.", f"{len(over)}", f"{len(found.clues.days)}"
            ),
        ),
        bring=("charge controller, temperature sensor, hand meter", "distilled water if flooded"),
        cautions=(
            "Overcharged batteries give off hydrogen: no flame or spark, air the box first.",
            "A hot or swollen case: keep away, let it cool, disconnect the charger first.",
            *BATTERY_CAUTIONS,
        ),
    )  # fmt: skip


def _is_cold(one: SiteEvidence, around: Around) -> bool:
    """Whether another site near it is held higher as well: a cold snap does that to all."""
    others = (
        powered(other, *_CHARGED)
        for other in around.sites
        if other is not one and is_near(one, other, _NEAR_KM)
    )
    return any(seen is not None and not seen.is_stuck and bool(_over(seen)) for seen in others)


_Over = tuple[float, float, int, float]  # peak, usual [V of a 12 V pack], when, score


def _over(found: Powered) -> tuple[_Over, ...]:
    """Return the days on which it was held too high, in a row that goes on to the newest."""
    limits = {day: (most, usual) for day, most, usual in found.clues.limits_v}
    row: list[_Over] = []
    sound: list[Day] = []
    last = 0
    for day in found.clues.days:
        if day.peak_v is None or day.peak_ms is None:
            continue
        most, usual = limits[day.day]
        score = _too_high(found, day, sound, most, usual, goes_on=bool(row))
        if score:
            row.append((day.peak_v, usual, day.peak_ms, score))
            last = day.day
        else:
            sound.append(day)
            row = row if day.day - last <= _DULL_DAYS else []
    return tuple(row) if found.today - last <= _RECENT else ()


def _too_high(
    found: Powered, day: Day, sound: Sequence[Day], most: float, usual: float, *, goes_on: bool
) -> float:
    """Return how surely a day held it too high, against all limits and its own sound days."""
    half = found.clues.step_v / 2
    peak = day.peak_v or 0.0
    if peak > most + 2 * half:
        return _BEYOND_ALL
    if len(sound) < _LEAST_DAYS:
        return 0.0
    own = max(one.peak_v or 0.0 for one in sound) + _OWN_V + half
    is_high = peak >= own and peak > usual + half
    if not is_high and not _is_held(found, day, sound, goes_on=goes_on):
        return 0.0
    # Flooded batteries are equalized a day now and then.
    return 1.0 if found.supply.chemistry is Chemistry.FLOODED else 3.0


def _is_held(found: Powered, day: Day, sound: Sequence[Day], *, goes_on: bool) -> bool:
    """Whether it is held at absorption for hours though it was full the evening before."""
    held = [one.held_v for one in sound if one.held_v is not None]
    if day.held_v is None or len(held) < _LEAST_DAYS or max(held) < _FLOATS_V:
        return False
    if day.held_v < max(held) + _OWN_V + found.clues.step_v / 2:
        return False
    if goes_on:
        return True
    dawns = [one.dawn_v for one in sound if one.dawn_v is not None]
    is_rested = day.dawn_v is not None and bool(dawns) and day.dawn_v >= np.median(dawns) - 0.05
    was_good = (found.clues.share(sound[-1]) or 0.0) >= _GOOD and day.day - sound[-1].day == 1
    is_floated = found.supply.kind is SupplyKind.MAINS_WITH_BATTERY
    return is_floated or bool(is_rested and was_good)
