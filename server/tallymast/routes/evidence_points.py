"""Pictures of points: the supply, the signal, one point's readings, totals and restarts."""

from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np
from sqlalchemy import Connection

from tallymast.domain.health.nights import Night, day_number, day_of, sunrise_ms
from tallymast.domain.health.supply.limits import limits_of
from tallymast.domain.local_times import local_time
from tallymast.domain.model import Point, PointKind, Site, SitePlan, Supply
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.spans import SpanSeries
from tallymast.domain.thinning import thin
from tallymast.routes.charts import MOST
from tallymast.routes.charts import levels as limits
from tallymast.routes.evidence_contact import contact_told, contacts, first_try_pane
from tallymast.routes.evidence_picture import (
    Drawn,
    Floats,
    Ints,
    Line,
    Pane,
    Picture,
    Told,
    Wanted,
)
from tallymast.routes.evidence_told import (
    lowest_words,
    middle_words,
    moved_words,
    night_words,
    parted,
)
from tallymast.storage.nights import load_nights
from tallymast.storage.readings import raw_series
from tallymast.storage.span_readings import hour_series

RAW_UP_TO_MS: Final = 3 * 24 * HOUR_MS  # ours: every reading of so long a span; else hours
_MOST_PANES: Final = 4
_MOST_RESTARTS: Final = 6  # marks that can be told apart


def volts_picture(conn: Connection, what: Wanted) -> Picture:
    """Return the supply by hour, its nights before dawn, and what its voltages are held against."""
    panes, told, missing = [], [], []
    nights = load_nights(conn, *_days(what))
    for plan in what.sites:
        point = plan.site.point_of(PointKind.SUPPLY_VOLTAGE)
        if point is None:
            missing.append(_no_point(plan, "supply voltage"))
            continue
        spans = hour_series(conn, plan.site_id, point.tag, *what.span)
        lines = (
            _hours("hourly mean", spans, spans.mean),
            _hours("lowest of the hour", spans, spans.least, place=1),
            _dawns(what, plan, nights.get(plan.site_id, [])),
        )
        title = plan.site.name if what.are_several else "Supply voltage"
        levels = (*supply_levels(plan.site.supply), *what.chart.levels)
        panes.append(Pane(title, point.unit, lines, levels))
        told += _volts_told(what, title, point, spans, lines[2])
    caption = "Supply voltage by hour, and before each dawn"
    return _picture(caption, what, panes, told, missing)


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


# --- the signal -----------------------------------------------------------------------------


def signal_picture(conn: Connection, what: Wanted) -> Picture:
    """Return the signal by hour, and beneath it the share answered at the first try."""
    lines, told, missing = [], [], []
    unit = "dBm"
    for place, plan in enumerate(what.sites):
        point = plan.site.point_of(PointKind.SIGNAL)
        if point is None:
            missing.append(_no_point(plan, "signal"))
            continue
        spans = hour_series(conn, plan.site_id, point.tag, *what.span)
        name = plan.site.name if what.are_several else "Signal"
        unit = spans.unit or point.unit or unit
        lines.append(_hours(name, spans, spans.mean, place=place))
        told.append(_middle_told(what, name, point, spans))
    known = contacts(conn, what)
    panes = [Pane("Signal", unit, tuple(lines), what.chart.levels)] if lines else []
    panes.append(first_try_pane(what, known))
    told += contact_told(what, known, at_all=not what.are_several)
    caption = "Signal by hour, and the share answered at the first try"
    return _picture(caption, what, panes, told, missing)


# --- one point, totals ----------------------------------------------------------------------


def point_picture(conn: Connection, what: Wanted) -> Picture:
    """Return the readings of the points a finding is about, with their limits."""
    panes, told, marks = [], [], [*what.chart.marks]
    missing: list[str] = []
    for plan, point in _points(what, missing):
        pane, words, last_ms = _readings(conn, what, plan, point)
        panes.append(pane)
        told.append(words)
        if last_ms is not None and all(abs(last_ms - ms) > HOUR_MS for ms, _ in marks):
            marks.append((last_ms, "last good value"))
    whole = _picture("Readings; gaps are polls without a value", what, panes, told, missing)
    return replace(whole, marks=tuple(marks))


def _points(what: Wanted, missing: list[str]) -> list[tuple[SitePlan, Point]]:
    tags = what.chart.tags or ((what.one.tag,) if what.one.tag else ())
    found = []
    for plan in what.sites:
        for tag in tags:
            point = plan.site.point(tag)
            if point is None:
                missing.append(f"{plan.site.name} has no point {tag}.")
            else:
                found.append((plan, point))
    return found[:_MOST_PANES]


def _readings(
    conn: Connection, what: Wanted, plan: SitePlan, point: Point
) -> tuple[Pane, Told, int | None]:
    """Return a point's pane, its words, and its last good reading where none came since."""
    title = f"{plan.site.name}, {point.name}" if what.are_several else point.name
    levels = (*limits(point, plan.site), *what.chart.levels)
    if what.span[1] - what.span[0] > RAW_UP_TO_MS:
        spans = hour_series(conn, plan.site_id, point.tag, *what.span)
        lines: tuple[Line, ...] = (
            _hours("hourly mean", spans, spans.mean),
            replace(_hours("highest", spans, spans.most), drawn=Drawn.EDGE),
            replace(_hours("lowest", spans, spans.least), drawn=Drawn.EDGE),
        )
        last = _last_good(spans.at_ms + HOUR_MS, spans.mean, what.span[1], 2 * HOUR_MS)
        told = _middle_told(what, title, point, spans)
    else:
        raw = raw_series(conn, plan.site_id, point.tag, *what.span)
        drawn = Drawn.STEPS if point.words else Drawn.LINE
        lines = (Line(point.name, *thin(raw.at_ms, raw.value, MOST), drawn),)
        patience_ms = round(3000 * plan.site.poll_every_s)
        last = _last_good(raw.at_ms, raw.value, what.span[1], patience_ms)
        good = (~np.isnan(raw.value)).astype(np.int64)
        told = parted(
            title,
            raw.at_ms,
            what.since_ms,
            lambda part: middle_words(point, raw.value[part], good[part]),
        )
    return Pane(title, point.unit, lines, levels, words=point.words), told, last


def _last_good(at_ms: Ints, values: Floats, end_ms: int, patience_ms: int) -> int | None:
    known = at_ms[~np.isnan(values)]
    if not len(known) or end_ms - int(known[-1]) <= patience_ms:
        return None
    return int(known[-1])


def counts_picture(conn: Connection, what: Wanted) -> Picture:
    """Return totals and the restart counter, with restarts marked."""
    panes, told, missing, marks = [], [], [], [*what.chart.marks]
    for plan in what.sites:
        points = _counted(what, plan)
        if not points:
            missing.append(_no_point(plan, "total or restart counter"))
        for point in points:
            spans = hour_series(conn, plan.site_id, point.tag, *what.span)
            title = f"{plan.site.name}, {point.name}" if what.are_several else point.name
            line = replace(_hours(title, spans, spans.last), drawn=Drawn.STEPS)
            panes.append(Pane(title, point.unit or "count", (line,)))
            told.append(_moved_told(what, title, point, spans))
            if point.kind is PointKind.COUNTER:
                marks += _restarts(spans, marks)
    whole = _picture("Counts by hour", what, panes[:_MOST_PANES], told, missing)
    return replace(whole, marks=tuple(marks))


def _counted(what: Wanted, plan: SitePlan) -> list[Point]:
    if what.chart.tags:
        return [one for one in map(plan.site.point, what.chart.tags) if one is not None]
    kinds = (PointKind.TOTALIZER, PointKind.COUNTER)
    return [point for kind in kinds for point in plan.site.points if point.kind is kind]


def _restarts(spans: SpanSeries, marks: list[tuple[int, str]]) -> list[tuple[int, str]]:
    """Return the hours in which a restart counter moved, those that are marked already left out."""
    known = np.flatnonzero(~np.isnan(spans.last))
    moved = [
        int(spans.at_ms[here]) + HOUR_MS // 2
        for before, here in pairwise(known.tolist())
        if spans.last[here] != spans.last[before]
    ]
    fresh = [ms for ms in moved if all(abs(ms - one) > HOUR_MS for one, _ in marks)]
    return [(ms, "restart") for ms in fresh[-_MOST_RESTARTS:]]


# --- what several share ---------------------------------------------------------------------


def _hours(name: str, spans: SpanSeries, values: Floats, place: int = 0) -> Line:
    return Line(name, spans.at_ms + HOUR_MS // 2, values, place=place, of=spans.n)


def _middle_told(what: Wanted, name: str, point: Point, spans: SpanSeries) -> Told:
    return parted(
        name,
        spans.at_ms,
        what.since_ms,
        lambda part: middle_words(point, spans.mean[part], spans.n[part], "of hourly means "),
    )


def _moved_told(what: Wanted, name: str, point: Point, spans: SpanSeries) -> Told:
    return parted(
        name,
        spans.at_ms,
        what.since_ms,
        lambda part: moved_words(point, spans.first[part], spans.last[part], spans.n[part]),
    )


def _no_point(plan: SitePlan, what: str) -> str:
    return f"{plan.site.name} has no {what} point."


def _picture(
    caption: str, what: Wanted, panes: list[Pane], told: list[Told], missing: list[str]
) -> Picture:
    return Picture(
        caption,
        tuple(panes),
        what.span,
        tuple(told),
        what.parts,
        what.chart.marks,
        missing=tuple(missing),
    )
