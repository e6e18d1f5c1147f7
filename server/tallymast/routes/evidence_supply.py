"""The picture of a supply: its voltage by hour, its nights, and what they are held against."""

import numpy as np
from sqlalchemy import Connection

from tallymast.domain.health.nights import Night, day_number, day_of, sunrise_ms
from tallymast.domain.health.supply.limits import limits_of
from tallymast.domain.local_times import local_time
from tallymast.domain.model import Point, PointKind, Site, SitePlan, Supply
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.spans import SpanSeries
from tallymast.routes.evidence_picture import (
    Drawn,
    Line,
    Pane,
    Picture,
    Told,
    Wanted,
    hour_line,
    no_point,
    over_time,
)
from tallymast.routes.evidence_told import lowest_words, night_words, parted
from tallymast.storage.nights import load_nights
from tallymast.storage.span_readings import hour_series


def volts_picture(conn: Connection, what: Wanted) -> Picture:
    """Return the supply by hour, its nights before dawn, and what its voltages are held against."""
    panes, told, missing = [], [], []
    nights = load_nights(conn, *_days(what))
    for plan in what.sites:
        point = plan.site.point_of(PointKind.SUPPLY_VOLTAGE)
        if point is None:
            missing.append(no_point(plan, "supply voltage"))
            continue
        spans = hour_series(conn, plan.site_id, point.tag, *what.span)
        lines = (
            hour_line("hourly mean", spans, spans.mean),
            hour_line("lowest of the hour", spans, spans.least, place=1),
            _dawns(what, plan, nights.get(plan.site_id, [])),
        )
        title = plan.site.name if what.are_several else "Supply voltage"
        levels = (*supply_levels(plan.site.supply), *what.chart.levels)
        panes.append(Pane(title, point.unit, lines, levels))
        told += _volts_told(what, title, point, spans, lines[2])
    caption = "Supply voltage by hour, and before each dawn"
    return over_time(caption, what, panes, told, missing)


def supply_levels(supply: Supply | None) -> tuple[tuple[float, str], ...]:
    """Return the voltages a supply is held against; usual ones of its chemistry are called so."""
    if supply is None:
        return ()
    usual = limits_of(supply)
    found = [
        (supply.disconnect_v, "load disconnect"),
        (supply.reconnect_v, "load back"),
        (usual.absorption_v[0] if usual else None, "usual absorption"),
    ]
    return tuple((volts, words) for volts, words in found if volts is not None)


def _volts_told(
    what: Wanted, title: str, point: Point, spans: SpanSeries, dawns: Line
) -> list[Told]:
    by_hour = parted(
        title, spans.at_ms, what.since_ms, lambda part: lowest_words(point, spans, part)
    )
    at_ms = np.asarray(dawns.at, np.int64)
    before_dawn = f"{title}, before dawn" if what.are_several else "Before dawn"
    by_night = parted(
        before_dawn, at_ms, what.since_ms, lambda part: night_words(point, dawns.values[part])
    )
    return [by_hour, by_night]


def _days(what: Wanted) -> tuple[int, int]:
    first, last = (day_number(local_time(ms, what.zone).date()) for ms in what.span)
    return first, last


def _dawns(what: Wanted, plan: SitePlan, nights: list[Night]) -> Line:
    """Return the volts before dawn, each an hour before the sun rose."""
    known = [(_dawn_ms(what, plan.site, night), night.predawn_v) for night in nights]
    inside = [
        (ms, volts)
        for ms, volts in known
        if volts is not None and what.span[0] <= ms < what.span[1]
    ]
    return Line(
        "before dawn",
        np.array([ms for ms, _ in inside], np.int64),
        np.array([volts for _, volts in inside], np.float64),
        Drawn.DOTS,
        2,
    )


def _dawn_ms(what: Wanted, site: Site, night: Night) -> int:
    if site.latitude is None or site.longitude is None:
        return night.day * 24 * HOUR_MS + 5 * HOUR_MS - _offset_ms(what, night)
    return sunrise_ms(day_of(night.day), site.latitude, site.longitude, what.zone) - HOUR_MS


def _offset_ms(what: Wanted, night: Night) -> int:
    offset = local_time(night.day * 24 * HOUR_MS, what.zone).utcoffset()
    return round(offset.total_seconds() * 1000) if offset else 0
