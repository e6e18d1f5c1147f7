"""Finds a step of a site's signal in its hours, and between which readings it lies."""

from tallymast.domain.health.comms.changes import signal_step, step_between, step_between_hours
from tallymast.domain.health.comms.model import SignalStep
from tallymast.domain.health.record import SiteRecord
from tallymast.domain.model import PointKind, Site
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.spans import SpanSeries


def step_in(site: Site, record: SiteRecord, hours: SpanSeries) -> SignalStep | None:
    """Return the clearest step that still holds, None without one.

    To the two readings between which it lies; where too few are near it, as the hours tell it.

    Args:
        site: whose.
        record: for the readings near it.
        hours: its signal by clock hour.

    """
    point, place = site.point_of(PointKind.SIGNAL), signal_step(hours.at_ms, hours.mean)
    if point is None or place is None:
        return None
    at_ms = int(hours.at_ms[place])
    near = record.readings(point.tag, at_ms - 2 * HOUR_MS, at_ms + 2 * HOUR_MS)
    return step_between(*near) or step_between_hours(hours.at_ms, hours.mean, place)
