"""Cause of a battery that mains no longer hold up: mains or charger lost."""

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
from tallymast.domain.model import SupplyKind
from tallymast.domain.record.rollups import HOUR_MS

# Ours, all of them.
_FRESH_MS: Final = 3 * HOUR_MS
_FEEDER_KM: Final = 30.0
_TOGETHER_MS: Final = 2 * HOUR_MS
_BY_HOURS: Final = (0.0, 2.5, 4.5, 6.5)


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
