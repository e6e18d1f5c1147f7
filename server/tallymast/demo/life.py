"""Gives the demo a hardware register, spares, due tasks and a hand reading; all invented.

Serials are made of the site's place in the network, antennas of its distance and repeater, the
rest of the network's own supplies. Nothing names a maker.
"""

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any, Final

from sqlalchemy import Connection

from tallymast.domain.health.nights import day_number
from tallymast.domain.health.supply.battery_words import MAKES
from tallymast.domain.life.tasks import months_later
from tallymast.domain.local_times import local_time
from tallymast.domain.model import (
    GatewayPlan,
    PointKind,
    PollPlan,
    Site,
    SitePlan,
    Supply,
    SupplyKind,
)
from tallymast.domain.positions import distance_bearing
from tallymast.domain.zones import find_zone
from tallymast.storage import hand_readings, hardware, tasks
from tallymast.storage.engine import Database
from tallymast.storage.hand_readings import HandReading
from tallymast.storage.hardware import Part

DAY_MS: Final = 86_400_000
ACTOR: Final = "R. Hale"
_FITTED_DAYS: Final = 700  # before the demo begins; batteries have days of their own
_FAR_KM: Final = 15.0
_REPORTED: Final = "R3.12"  # as the simulated stations report
_ENTERED: Final = {"osier-pond": "R3.11"}  # one was written down wrongly

_SPARES: Final[tuple[tuple[str, str, str, str, dict[str, Any]], ...]] = (
    ("radio", "Spare radio", "MB-0977", "shelf B", {"power_w": 1.0, "count": 2}),
    ("station", "Tank station", "MB-0981", "shelf B", {}),
    ("antenna", "", "", "rack over the door", {"type": "yagi", "gain_dbi": 9.0, "count": 2}),
    ("arrester", "Surge arrester", "", "drawer 3", {"connectors": "N female", "count": 6}),
    ("battery", "", "", "shelf A, on charge", {"type": "AGM", "capacity_ah": 33.0, "count": 2}),
    ("transmitter", "Level transmitter", "LT-118", "drawer 5", {"range": "0 to 5 m"}),
    ("fuse", "", "", "drawer 1", {"rating_a": 3.0, "type": "blade", "count": 20}),
    ("fuse", "", "", "drawer 1", {"rating_a": 10.0, "type": "blade", "count": 12}),
)
# site (or none), what, due [days from the demo's day], every so many months
_TASKS: Final = (
    ("vetch-water", "Calibrate level transmitter", -12, 12),
    ("merlin-pad", "Load test of the battery", -3, 6),
    ("rook-valve", "Inspect antenna, feedline and arrester", 9, 24),
    ("quill-tank", "Calibrate level transmitter", 64, 12),
    ("saddle-repeater", "Load test of the battery", 33, 12),
    (None, "Check the hand meters against the reference", 21, 12),
)


def furnish(database: Database, plan: PollPlan, begun_ms: int, time_zone: str) -> bool:
    """Enter it all as of the demo's beginning, once; return whether it was done now."""
    with database.writing() as connection:
        if hardware.everything(connection):
            return False
        sites = {one.site.key: one for gateway in plan.gateways for one in gateway.sites}
        for gateway in plan.gateways:
            for n, site in enumerate(gateway.sites):
                for part in parts_of(gateway, site, sites, n, begun_ms):
                    hardware.enter(connection, part)
        _stock(connection, begun_ms)
        _plan_tasks(connection, sites, begun_ms, time_zone)
        _read_by_hand(connection, sites["quill-tank"], begun_ms)
    return True


def parts_of(
    gateway: GatewayPlan, plan: SitePlan, sites: dict[str, SitePlan], n: int, begun_ms: int
) -> Iterator[Part]:
    """Yield what is fitted at a site; its numbers are unknown to the database yet."""
    site, from_ms = plan.site, begun_ms - _FITTED_DAYS * DAY_MS
    serial = 400 + 50 * (gateway.gateway.key == "long-scarp") + n

    def part(kind: str, name: str = "", serial: str = "", place: str = "", **detail: Any) -> Part:
        return Part(
            0, plan.site_id, kind, name, from_ms, serial, detail=detail, place=place, actor=ACTOR
        )

    word = {"gate": "Gate station", "pump": "Pump station"}.get(site.profile)
    name = word or f"{site.profile.capitalize()} station"
    version = _ENTERED.get(site.key, _REPORTED) if site.point_of(PointKind.REVISION) else ""
    yield replace(part("station", name, f"MB-{serial:04d}"), version=version)
    yield part("radio", "Radio", f"RR-{serial + 2100}", power_w=1.0)
    yield part("antenna", **_antenna(gateway, site, sites))
    length = 3.0 + _height(site)
    yield part("feedline", type="10 mm low-loss coax", length_m=length, connectors="N male")
    yield part("arrester", "Surge arrester", place="at the enclosure", connectors="N female")
    if site.supply is not None:
        yield from _powered(part, site.supply)
    for point in site.points:
        if point.kind is PointKind.ANALOG_INPUT and point.loop and point.value:
            span = f"{point.value[0]:g} to {point.value[1]:g} {point.unit}"
            yield part("transmitter", point.name, range=span, tag=point.tag)


def _powered(part: Any, supply: Supply) -> Iterator[Part]:
    if supply.capacity_ah:
        made = MAKES.get(supply.chemistry, "") if supply.chemistry else ""
        noted: dict[str, Any] = {"type": made, "capacity_ah": supply.capacity_ah}
        if supply.installed is not None:
            noted["fitted"] = supply.installed.isoformat()
            noted["made"] = (supply.installed - timedelta(days=90)).isoformat()
        yield part("battery", **noted)
    if supply.kind is SupplyKind.SOLAR:
        if supply.panel_w:
            yield part("panel", "Solar panel", power_w=supply.panel_w)
        yield part("controller", "Charge controller", rating_a=10.0)
    if supply.kind is not SupplyKind.PRIMARY:
        yield part("fuse", place="load", rating_a=3.0, type="blade")
        yield part("fuse", place="battery", rating_a=10.0, type="blade")


def _antenna(gateway: GatewayPlan, site: Site, sites: dict[str, SitePlan]) -> dict[str, Any]:
    via = sites[site.via].site if site.via else None
    end = (via or gateway.gateway).latitude, (via or gateway.gateway).longitude
    here = site.latitude, site.longitude
    carries = any(one.site.via == site.key for one in sites.values())
    if carries:
        return {"type": "omni", "gain_dbi": 5.0, "height_m": 12.0}
    if None in (*here, *end):
        return {"type": "omni", "gain_dbi": 2.0, "height_m": _height(site)}
    leg = distance_bearing(*(float(one or 0.0) for one in (*here, *end)))
    return {
        "type": "yagi",
        "gain_dbi": 9.0 if leg.distance_km > _FAR_KM else 6.0,
        "height_m": _height(site),
        "bearing": float(round(leg.bearing_deg) % 360),
    }


def _height(site: Site) -> float:
    """Return a mast's height [m]: some have three metres, some four or six."""
    return (3.0, 4.0, 6.0)[math.floor(1e5 * (site.latitude or 0.0)) % 3]


def _stock(connection: Connection, begun_ms: int) -> None:
    for kind, name, serial, place, detail in _SPARES:
        since_ms = begun_ms - 90 * DAY_MS
        part = Part(0, None, kind, name, since_ms, serial, detail=detail, place=place, actor=ACTOR)
        hardware.enter(connection, part)


def _plan_tasks(
    connection: Connection, sites: dict[str, SitePlan], begun_ms: int, time_zone: str
) -> None:
    today = local_time(begun_ms, find_zone(time_zone)).date()
    for key, what, days, every in _TASKS:
        due = today + timedelta(days=days)
        tasks.add(
            connection,
            site_id=sites[key].site_id if key else None,
            what=what,
            due_day=day_number(due),
            every_months=every,
            at_ms=begun_ms - (day_number(months_later(due, every)) - day_number(due)) * DAY_MS,
            actor=ACTOR,
        )


def _read_by_hand(connection: Connection, plan: SitePlan, begun_ms: int) -> None:
    """Keep one reading that agrees: Quill Tank's float charge is steady all year."""
    point = plan.site.point_of(PointKind.SUPPLY_VOLTAGE)
    if point is None:
        return
    at_ms = begun_ms - 23 * DAY_MS
    reading = HandReading(
        0, plan.site_id, point.tag, at_ms, 13.58, 13.6, at_ms - 20_000, 0.0, 0.0, None, ACTOR
    )
    hand_readings.add(connection, reading)
