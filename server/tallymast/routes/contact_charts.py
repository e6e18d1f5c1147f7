"""Figures of a site's contact over time, beside those of its points and with the same span.

The share answered at the first try and at all, and the answer time within which 95 of 100
answers came. A span nobody asked in is a gap, not 0 and not 100.
"""

from collections.abc import Sequence
from datetime import tzinfo
from typing import Annotated, Any, Final, Literal

import numpy as np
from fastapi import APIRouter, Query, Response
from numpy.typing import NDArray

from tallymast.domain.zones import find_zone
from tallymast.routes.api.finding import any_site
from tallymast.routes.charts import DAY_MS, HOUR_MS, SPANS, Span, local_times
from tallymast.routes.services import Given
from tallymast.storage.contact_series import ContactSeries, day_contact, hour_contact

What = Literal["shares", "answers"]
Floats = NDArray[np.float64]
_GAP: Final = 1.5  # spans further apart than so many steps have a gap between them

router = APIRouter(include_in_schema=False)


@router.get("/sites/{key}/contact-chart.json")
def contact_chart(
    key: str,
    given: Given,
    span: Annotated[Span, Query()] = "24 h",
    what: Annotated[What, Query()] = "shares",
) -> Response:
    """Return the figure of a site's contact: by hour, over a year by day."""
    plan = any_site(given.network(), key)
    zone = find_zone(given.network().time_zone)
    now_ms = given.now_ms()
    begin_ms = now_ms - SPANS[span]
    by_day = span == "1 y"
    read = day_contact if by_day else hour_contact
    with given.database.reading() as connection:
        series = read(connection, plan.site_id, begin_ms, now_ms + 1)
    step_ms = DAY_MS if by_day else HOUR_MS
    traces = (shares if what == "shares" else answers)(series, step_ms, zone)
    body = figure(traces, what, (begin_ms, now_ms), zone)
    return Response(body, media_type="application/json")


def shares(series: ContactSeries, step_ms: int, zone: tzinfo) -> list[dict[str, Any]]:
    """Return two lines in per cent of the polls asked: at the first try, and at all."""
    first = 100 * series.first_try / np.maximum(series.asked, 1)
    answered = 100 * series.answered / np.maximum(series.asked, 1)
    return [
        _line("answered at all", series, answered, step_ms, zone, "second"),
        _line("at the first try", series, first, step_ms, zone, "main"),
    ]


def answers(series: ContactSeries, step_ms: int, zone: tzinfo) -> list[dict[str, Any]]:
    """Return the line of answer times [ms]."""
    return [_line("95 of 100 answers within", series, series.p95_ms, step_ms, zone, "main")]


def _line(
    name: str, series: ContactSeries, values: Floats, step_ms: int, zone: tzinfo, role: str
) -> dict[str, Any]:
    at_ms, shown, asked = _with_gaps(series.at_ms + step_ms // 2, values, series.asked, step_ms)
    return {
        "type": "scatter",
        "mode": "lines+markers",
        "name": name,
        "x": local_times(at_ms, zone),
        "y": [None if np.isnan(one) else round(float(one), 2) for one in shown],
        "text": [f"of {n} polls" for n in asked],
        "connectgaps": False,
        "meta": role,
    }


def _with_gaps(
    at_ms: NDArray[np.int64], values: Floats, asked: NDArray[np.int64], step_ms: int
) -> tuple[NDArray[np.int64], Floats, Sequence[int]]:
    """Return the same with an empty place wherever a span is missing between two."""
    breaks = np.flatnonzero(np.diff(at_ms) > _GAP * step_ms) + 1
    times = np.insert(at_ms, breaks, at_ms[breaks - 1] + step_ms)
    counts = np.insert(asked, breaks, 0)
    return times, np.insert(values.astype(np.float64), breaks, np.nan), counts.tolist()


def figure(traces: list[dict[str, Any]], what: What, span: tuple[int, int], zone: tzinfo) -> str:
    """Return a whole figure as JSON; colours are the page's own, set where it is drawn."""
    from plotly.io.json import to_json_plotly  # late: the first chart pays for it, not the start

    yaxis: dict[str, Any] = {"title": {"text": "ms"}, "rangemode": "tozero"}
    if what == "shares":
        yaxis = {"title": {"text": "%"}, "autorangeoptions": {"maxallowed": 100.5}}
    layout = {
        "height": 230,
        "margin": {"l": 56, "r": 12, "t": 8, "b": 32},
        "showlegend": False,
        "hovermode": "x unified",
        "xaxis": {"type": "date", "range": local_times(span, zone), "fixedrange": False},
        "yaxis": {**yaxis, "fixedrange": True},
    }
    return str(to_json_plotly({"data": traces, "layout": layout}))
