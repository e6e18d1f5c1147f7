"""Causes of wrong volts at the charger: mains or charger lost, a controller that holds too high."""

from collections.abc import Sequence
from typing import Final

from tallymast.domain.health.diagnosis.causes.supply_facts import (
    BATTERY_CAUTIONS,
    MAINS_CAUTIONS,
    Powered,
    is_near,
    powered,
)
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import About, At, Diagnosis, Said, Since
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.supply.limits import MAINS_LOST_V
from tallymast.domain.model import Chemistry, SupplyKind
from tallymast.domain.record.rollups import HOUR_MS

# Ours, all of them.
_FRESH_MS: Final = 3 * HOUR_MS
_FEEDER_KM: Final = 30.0
_TOGETHER_MS: Final = 2 * HOUR_MS
_BY_HOURS: Final = (0.0, 2.5, 4.5, 6.5)
_OWN_V: Final = 0.45  # of a 12 V pack: a day's peak above all before it; 15 K move it so far
_DULL_DAYS: Final = 4  # between days on which it is held too high
_LEAST_DAYS: Final = 7


@a_cause
def mains_lost(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name lost mains or a dead charger: the battery is no longer held up; sites near share it."""
    own = _unheld(one)
    if own is None or own.clues.low_ms is None:
        return None
    begun_ms = own.clues.low_ms
    shared = [own, *_with(one, begun_ms, around)]
    shared.sort(key=lambda found: found.one.site_id)
    several = len(shared) > 1
    newest = own.volts(own.last_v or 0.0)
    held = own.volts(own.clues.held_v or 0.0)
    return Diagnosis(
        cause="mains-lost",
        title="Feeder or mains lost" if several else "Mains or charger lost",
        about=About.SUPPLY,
        gateway_id=one.gateway_id,
        site_ids=tuple(found.one.site_id for found in shared),
        since_ms=min(found.clues.low_ms or begun_ms for found in shared),
        score=max(_score(found) for found in shared) + (1.0 if several else 0.0),
        says=Said(
            f"{len(shared)} sites on mains run on battery since about {{}}; supply {{}}, usual {{}}"
            if several
            else "runs on battery since about {}; supply {}, usual {}",
            At(begun_ms),
            newest,
            held,
        ),
        advice=Said(
            "One feeder: ask the utility first."
            if several
            else "Mains or charger lost: mains at the charger's terminals decide."
        ),
        decides=Said(
            "Mains at the charger: present is charger or its fuse, none is breaker, feeder or "
            "utility."
        ),
        chart=own.chart(begun_ms, "no longer held"),
        rests_on=_rests(shared),
        desk=(
            "Ask the utility whether the area has mains.",
            "Do its neighbours run on battery?",
        ),
        bring=("charger, fuses, multimeter",),
        cautions=(*MAINS_CAUTIONS, *BATTERY_CAUTIONS),
        explains=frozenset({About.CONTACT})
        if all(found.one.moment.is_silent for found in shared)
        else frozenset(),
    )


def _unheld(one: SiteEvidence) -> Powered | None:
    """Return a site's supply where nothing has held it up in its newest hours."""
    found = powered(one, SupplyKind.MAINS_WITH_BATTERY)
    if found is None or not found.clues.low_hours or found.clues.newest_ms is None:
        return None
    is_old = one.now_ms - found.clues.newest_ms > _FRESH_MS and not one.moment.is_silent
    is_back = found.last_v is not None and found.last_v >= MAINS_LOST_V
    never_held = found.clues.held_v is None or found.clues.held_v < MAINS_LOST_V - 0.12
    return None if is_old or is_back or (never_held and _score(found) < _BY_HOURS[-1]) else found


def _score(found: Powered) -> float:
    return _BY_HOURS[min(found.clues.low_hours, len(_BY_HOURS) - 1)]


def _with(one: SiteEvidence, begun_ms: int, around: Around) -> list[Powered]:
    return [
        found
        for other in around.sites
        if other.site_id != one.site_id
        and (found := _unheld(other)) is not None
        and abs((found.clues.low_ms or 0) - begun_ms) <= _TOGETHER_MS
        and is_near(one, other, _FEEDER_KM)
    ]


def _rests(shared: Sequence[Powered]) -> tuple[Said, ...]:
    return tuple(
        Said(
            "{}: below {} for {}.",
            found.one.site.name,
            found.volts(MAINS_LOST_V),
            Since(found.clues.low_ms or 0),
        )
        for found in shared
    )


# --- held too high -------------------------------------------------------------------------


@a_cause
def overcharge(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a controller that holds the battery higher than any temperature calls for."""
    del around
    found = powered(one, SupplyKind.SOLAR, SupplyKind.MAINS_WITH_BATTERY)
    over = () if found is None or found.is_stuck else _over(found)
    if found is None or not over:
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


_Over = tuple[float, float, int, float]  # peak, usual [V of a 12 V pack], when, score


def _over(found: Powered) -> tuple[_Over, ...]:
    """Return the days on which it was held too high, in a row that goes on to the newest."""
    limits = {day: (most, usual) for day, most, usual in found.clues.limits_v}
    days = [day for day in found.clues.days if day.peak_v is not None]
    half_step = found.clues.step_v / 2
    row = _row([(day.peak_v or 0.0) > limits[day.day][1] + half_step for day in days])
    if not row or found.today - days[row[-1]].day > 2:
        return ()
    before = [day.peak_v or 0.0 for day in days[: row[0]]]
    own = max(before) if len(before) >= _LEAST_DAYS else None
    over = []
    for place in row:
        day = days[place]
        score = _too_high(found, day.peak_v or 0.0, limits[day.day][0], own)
        if score:
            over.append((day.peak_v or 0.0, limits[day.day][1], day.peak_ms or 0, score))
    return tuple(over)


def _row(marks: Sequence[bool]) -> list[int]:
    """Return the places of the newest marks, with no more than some days between them."""
    row: list[int] = []
    for place in reversed(range(len(marks))):
        if marks[place] and (not row or row[0] - place <= _DULL_DAYS + 1):
            row.insert(0, place)
    return row


def _too_high(found: Powered, peak: float, most: float, own: float | None) -> float:
    if peak > most + found.clues.step_v:
        return 4.5
    if own is None or peak < own + _OWN_V + found.clues.step_v / 2:
        return 0.0
    # Flooded batteries are equalized a day now and then.
    return 1.0 if found.supply.chemistry is Chemistry.FLOODED else 3.0
