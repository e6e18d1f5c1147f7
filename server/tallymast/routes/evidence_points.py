"""Pictures of points: the signal, one point's readings, totals and restarts."""

from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np
from sqlalchemy import Connection

from tallymast.domain.model import Point, PointKind, SitePlan
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
    hour_line,
    no_point,
    over_time,
)
from tallymast.routes.evidence_told import (
    middle_words,
    moved_words,
    parted,
)
from tallymast.storage.readings import raw_series
from tallymast.storage.span_readings import hour_series

RAW_UP_TO_MS: Final = 3 * 24 * HOUR_MS  # ours: every reading of so long a span; else hours
_MOST_PANES: Final = 4
_MOST_RESTARTS: Final = 6  # marks that can be told apart


def signal_picture(conn: Connection, what: Wanted) -> Picture:
    """Return the signal by hour, and beneath it the share answered at the first try."""
    lines, told, missing = [], [], []
    unit = "dBm"
    for place, plan in enumerate(what.sites):
        point = plan.site.point_of(PointKind.SIGNAL)
        if point is None:
            missing.append(no_point(plan, "signal"))
            continue
        spans = hour_series(conn, plan.site_id, point.tag, *what.span)
        name = plan.site.name if what.are_several else "Signal"
        unit = spans.unit or point.unit or unit
        lines.append(hour_line(name, spans, spans.mean, place=place))
        told.append(_middle_told(what, name, point, spans))
    known = contacts(conn, what)
    panes = [Pane("Signal", unit, tuple(lines), what.chart.levels)] if lines else []
    panes.append(first_try_pane(what, known))
    told += contact_told(what, known, at_all=not what.are_several)
    caption = "Signal by hour, and the share answered at the first try"
    return over_time(caption, what, panes, told, missing)


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
    whole = over_time("Readings; gaps are polls without a value", what, panes, told, missing)
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
            hour_line("hourly mean", spans, spans.mean),
            replace(hour_line("highest", spans, spans.most), drawn=Drawn.EDGE),
            replace(hour_line("lowest", spans, spans.least), drawn=Drawn.EDGE),
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
            missing.append(no_point(plan, "total or restart counter"))
        for point in points:
            spans = hour_series(conn, plan.site_id, point.tag, *what.span)
            title = f"{plan.site.name}, {point.name}" if what.are_several else point.name
            line = replace(hour_line(title, spans, spans.last), drawn=Drawn.STEPS)
            panes.append(Pane(title, point.unit or "count", (line,)))
            told.append(_moved_told(what, title, point, spans))
            if point.kind is PointKind.COUNTER:
                marks += _restarts(spans, marks)
    whole = over_time("Counts by hour", what, panes[:_MOST_PANES], told, missing)
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
