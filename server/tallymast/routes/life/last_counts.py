"""What totalizers of a site read last before an instant, and first after it, in counts."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection

from tallymast.domain.model import Point, PointKind, Reading, SitePlan
from tallymast.routes.services import Services
from tallymast.routes.standings import site_readings
from tallymast.storage.readings import raw_series

LOOK_BACK_MS: Final = 7 * 86_400_000  # ours: an older reading is typed by hand
LOOK_AHEAD_MS: Final = 86_400_000


@dataclass(frozen=True, slots=True)
class Count:
    """A register's reading and when it was read."""

    count: float
    at_ms: int


def totalizers(plan: SitePlan) -> list[Point]:
    """Return the points of a site that only climb."""
    return [one for one in plan.site.points if one.kind is PointKind.TOTALIZER]


def last_before(connection: Connection, plan: SitePlan, point: Point, at_ms: int) -> Count | None:
    """Return the last reading on record before an instant, None where there is none lately."""
    return _edge(connection, plan, point, at_ms - LOOK_BACK_MS, at_ms, -1)


def first_after(
    connection: Connection, given: Services, plan: SitePlan, point: Point, at_ms: int
) -> Count | None:
    """Return the first reading from an instant on: of the record, else the newest poll's."""
    found = _edge(connection, plan, point, at_ms, at_ms + LOOK_AHEAD_MS, 0)
    if found is not None:
        return found
    reading = live_readings(given, plan).get(point.tag)
    if reading is None or reading.at_ms is None or reading.at_ms < at_ms:
        return None
    raw = reading.raw
    if not isinstance(raw, int | float) or not math.isfinite(raw):
        return None
    return Count(float(raw), reading.at_ms)


def live_readings(given: Services, plan: SitePlan) -> Mapping[str, Reading]:
    """Return what a site read at its newest poll, by tag."""
    gateway, state = given.network().gateway_of(plan.site_id), given.live.sites().get(plan.site_id)
    return {one.tag: one for one in site_readings(gateway, plan, state, given.now_ms())}


def _edge(
    connection: Connection, plan: SitePlan, point: Point, from_ms: int, to_ms: int, place: int
) -> Count | None:
    series = raw_series(connection, plan.site_id, point.tag, from_ms, to_ms)
    good = series.quality > 0
    if not good.any():
        return None
    return Count(float(series.raw[good][place]), int(series.at_ms[good][place]))
