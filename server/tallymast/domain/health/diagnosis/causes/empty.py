"""Causes of an empty supply of which its days do not show why, and of a primary pack's end."""

from typing import Final

from tallymast.domain.health.diagnosis.causes.supply_facts import (
    BATTERY_CAUTIONS,
    PANEL_CAUTION,
    is_charged,
    powered,
)
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import About, ChartOf, Diagnosis, Said, Shown
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.nights import DAY_MS
from tallymast.domain.health.supply.battery_words import battery_to_take, battery_words
from tallymast.domain.health.supply.model import Verdict
from tallymast.domain.model import PointKind, SupplyKind

_RAN_DOWN_V: Final = 0.35  # ours


@a_cause
def ran_down(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name an empty battery of a silent site, where its days do not show why."""
    del around
    found = powered(one, SupplyKind.SOLAR, SupplyKind.MAINS_WITH_BATTERY)
    if found is None or not found.has_run_down or found.last_v is None:
        return None
    if is_charged(found, range(found.today - 2, found.today + 1)):
        return None  # then it is the battery
    above = found.last_v - found.disconnect_v
    since_ms = one.moment.since_ms
    return Diagnosis(
        cause="ran-down",
        title="Battery run down: battery or its charging",
        about=About.SUPPLY,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=since_ms,
        score=2.3 + min(4.0 * (_RAN_DOWN_V - above), 1.6),
        says=Said(
            "silent; its last supply reading was {}, load disconnect is {}",
            found.volts(found.last_v),
            found.volts(found.disconnect_v),
        ),
        advice=Said("Battery run down: panel volts by day and a battery test decide."),
        decides=Said(
            "Charge volts by day at the battery: normal is a worn battery, none is panel, cable, "
            "fuse or controller."
        ),
        chart=found.chart(since_ms, "fell silent"),
        desk=("Does it come back when the sun has charged it for some hours?",),
        bring=(f"battery {battery_to_take(one.site)}", "meter for panel volts"),
        cautions=(PANEL_CAUTION, *BATTERY_CAUTIONS),
        explains=frozenset({About.CONTACT}),
    )


@a_cause
def primary_pack(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a primary pack near its end: its voltage has left where it always stood."""
    del around
    health, supply = one.health.supply, one.site.supply
    if health is None or supply is None or supply.kind is not SupplyKind.PRIMARY:
        return None
    point = one.site.point_of(PointKind.SUPPLY_VOLTAGE)
    if health.verdict is not Verdict.DECLINING or point is None or health.predawn_v is None:
        return None
    since_ms = one.now_ms - 3 * DAY_MS
    return Diagnosis(
        cause="primary-pack",
        title="Primary pack near its end",
        about=About.SUPPLY,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=since_ms,
        score=3.0,
        says=Said("pack at {}, lower than it ever stood", f"{health.predawn_v:.1f}\u00a0V"),
        advice=Said("Primary pack near its end: take a {}.", battery_words(one.site)),
        decides=Said("Pack volts under load against a new pack's."),
        chart=ChartOf(Shown.VOLTS, one.now_ms - 30 * DAY_MS),
        rests_on=(Said("{} nights of record.", f"{health.nights}"),),
        bring=(f"pack {battery_to_take(one.site)}",),
        cautions=("Lithium packs: never short, charge or crush them; keep the terminals covered.",),
    )
