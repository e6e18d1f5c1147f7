"""Figures of a point over time, made here and drawn in the browser; gaps stay gaps."""

from collections.abc import Sequence
from datetime import tzinfo
from typing import Annotated, Any, Literal

import numpy as np
from fastapi import APIRouter, Query, Response
from numpy.typing import NDArray
from sqlalchemy import Connection

from tallymast.domain.local_times import offsets_ms
from tallymast.domain.model import Point, PointKind, Site
from tallymast.domain.record.spans import SpanSeries
from tallymast.domain.thinning import thin
from tallymast.domain.zones import find_zone
from tallymast.routes.api.finding import any_site, the_point
from tallymast.routes.services import Given, NetworkView
from tallymast.storage.readings import raw_series
from tallymast.storage.span_readings import day_series, hour_series

MOST = 1500  # a screen has no more columns

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
SPANS = {"24 h": DAY_MS, "7 d": 7 * DAY_MS, "30 d": 30 * DAY_MS, "1 y": 366 * DAY_MS}
Span = Literal["24 h", "7 d", "30 d", "1 y"]

router = APIRouter(include_in_schema=False)


@router.get("/sites/{key}/charts/{tag}.json")
def point_chart(
    key: str, tag: str, given: Given, span: Annotated[Span, Query()] = "24 h"
) -> Response:
    """Return the figure of one point: every poll of a day, else lowest to highest a span."""
    plan = any_site(given.network(), key)
    point = the_point(plan, tag)
    zone = find_zone(given.network().time_zone)
    now_ms = given.now_ms()
    begin_ms = now_ms - SPANS[span]
    where = (plan.site_id, tag, begin_ms, now_ms + 1)
    with given.database.reading() as connection:
        if span == "24 h":
            series = raw_series(connection, *where)
            traces = raw_traces(point, *thin(series.at_ms, series.value, MOST), zone)
        elif span == "1 y":
            days = _days(connection, given.network(), where)
            traces = span_traces(days, zone, "daily mean")
        else:
            traces = span_traces(hour_series(connection, *where), zone, "hourly mean")
    body = figure(point, plan.site, traces, (begin_ms, now_ms), zone)
    return Response(body, media_type="application/json")


def _days(
    connection: Connection, network: NetworkView, where: tuple[int, str, int, int]
) -> SpanSeries:
    return day_series(
        connection, *where, zone=network.contract_zone, contract_hour=network.contract_hour
    )


def raw_traces(
    point: Point, at_ms: NDArray[np.int64], value: NDArray[np.float64], zone: tzinfo
) -> list[dict[str, Any]]:
    """Return the line through every reading."""
    return [_line(point.name, at_ms, value, zone, "main")]


def span_traces(spans: SpanSeries, zone: tzinfo, mean_words: str) -> list[dict[str, Any]]:
    """Return a band from each hour's (or day's) lowest to its highest reading, and the mean."""
    low = thin(spans.at_ms, spans.least, MOST)
    high = thin(spans.at_ms, spans.most, MOST)
    mean = thin(spans.at_ms, spans.mean, MOST)
    return [
        _line("highest", *high, zone, "edge"),
        _line("lowest", *low, zone, "edge"),
        _line(mean_words, *mean, zone, "main"),
    ]


def _line(
    name: str,
    at_ms: NDArray[np.int64],
    value: NDArray[np.float64],
    zone: tzinfo,
    role: str,
) -> dict[str, Any]:
    numbers, gaps = np.round(value, 4).tolist(), np.isnan(value).tolist()
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": local_times(at_ms, zone),
        "y": [None if is_gap else one for one, is_gap in zip(numbers, gaps, strict=True)],
        "connectgaps": False,
        "meta": role,
    }


def local_times(at_ms: Sequence[int] | NDArray[np.int64], zone: tzinfo) -> list[str]:
    """Return instants as the wall clock shows them there, for an axis of the site's own time."""
    instants = np.asarray(at_ms, dtype=np.int64)
    there = instants + offsets_ms(instants, zone)
    words: list[str] = np.datetime_as_string(there.astype("datetime64[ms]"), unit="s").tolist()
    return words


def figure(
    point: Point,
    site: Site,
    traces: list[dict[str, Any]],
    span: tuple[int, int],
    zone: tzinfo,
) -> str:
    """Return a whole figure as JSON; colours are the page's own, set where it is drawn.

    Written as plain dictionaries: building figure objects would take most of a chart's time.
    The tests read each back with Plotly's own checks.
    """
    from plotly.io.json import to_json_plotly  # late: the first chart pays for it, not the start

    shapes, notes = _lines(levels(point, site))
    layout = {
        "height": 230,
        "margin": {"l": 56, "r": 12, "t": 8, "b": 32},
        "showlegend": False,
        "hovermode": "x unified",
        "xaxis": {"type": "date", "range": local_times(span, zone), "fixedrange": False},
        "yaxis": {"title": {"text": point.unit}, "fixedrange": True, "rangemode": _from(point)},
        "shapes": shapes,
        "annotations": notes,
    }
    return str(to_json_plotly({"data": traces, "layout": layout}))


def _lines(named: Sequence[tuple[float, str]]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return a dashed line across the chart for each level, and its words on it."""
    shapes = [
        {
            "type": "line",
            "xref": "paper",
            "x0": 0,
            "x1": 1,
            "y0": level,
            "y1": level,
            "line": {"width": 1, "dash": "dash"},
        }
        for level, _ in named
    ]
    notes = [
        {
            "text": words,
            "xref": "paper",
            "x": 0.005 if n % 2 else 0.25,  # two limits that lie close do not share a place
            "xanchor": "left",
            "y": level,
            "yanchor": "middle",
            "borderpad": 1,
            "showarrow": False,
            "font": {"size": 11},
        }
        for n, (level, words) in enumerate(named)
    ]
    return shapes, notes


def _from(point: Point) -> str:
    return "tozero" if point.kind is PointKind.RATE else "normal"


def levels(point: Point, site: Site) -> list[tuple[float, str]]:
    """Return the lines a point's values are judged against, with their words."""
    if point.kind is PointKind.SUPPLY_VOLTAGE:
        volts = site.supply.disconnect_v if site.supply else None
        return [(volts, "load disconnect")] if volts is not None else []
    limits = point.limits
    named = (
        (limits.low_low, "low-low limit"),
        (limits.low, "low limit"),
        (limits.high, "high limit"),
        (limits.high_high, "high-high limit"),
    )
    return [(level, words) for level, words in named if level is not None]
