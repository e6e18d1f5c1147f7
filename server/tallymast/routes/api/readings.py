"""A point's readings over time, by poll, hour or contract day; a gap is an item with null."""

import math
from typing import Annotated, Any, Literal

import numpy as np
from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field

from tallymast.domain.model import SitePlan
from tallymast.domain.record.spans import SpanSeries
from tallymast.routes.api.finding import any_site, the_point
from tallymast.routes.api.sites import Value, finite
from tallymast.routes.api.spans import Span, TheSpan
from tallymast.routes.formats import iso
from tallymast.routes.services import Given, Services
from tallymast.storage.readings import (
    PIXELS,
    Goodness,
    Resolution,
    Series,
    auto_resolution,
    raw_series,
    thinned,
)
from tallymast.storage.span_readings import day_series, hour_series

router = APIRouter(prefix="/api/v1", tags=["readings"])

MOST = 20_000
_QUALITY = [one.name.lower() for one in Goodness]

Item = dict[str, Any]


class RawItem(BaseModel):
    """A point at one poll; value and raw null in a gap, value alone where raw is no value."""

    at: str
    value: Value
    raw: Value
    quality: str


class SpanItem(BaseModel):
    """A point over an hour or a contract day; n 0 and nulls where nothing was read."""

    at: str
    n: int
    min: float | None
    mean: float | None
    max: float | None


class ReadingList(BaseModel):
    """Readings of a point, oldest first; pass ``next`` as ``from`` to go on, null at the end."""

    unit: str
    resolution: str
    items: list[RawItem] | list[SpanItem]
    next: str | None = Field(description="where the next page begins")


@router.get("/sites/{key}/points/{tag}/readings", response_model=ReadingList)
def list_readings(
    key: str,
    tag: str,
    given: Given,
    span: TheSpan,
    resolution: Annotated[Literal["raw", "hour", "day", "auto"], Query()] = "auto",
    pixels: Annotated[
        int | None,
        Query(
            ge=30,
            le=10_000,
            description="with `auto`: columns to draw in; every reading that is not needed to "
            "show each dip, peak and gap in so many is left out",
        ),
    ] = None,
    limit: Annotated[int, Query(ge=1, le=MOST)] = MOST,
) -> JSONResponse:
    """List what a point read in a span."""
    plan = any_site(given.network(), key)
    unit = the_point(plan, tag).unit
    chosen: Resolution
    if resolution == "auto":
        chosen = auto_resolution(span.from_ms, span.to_ms, pixels or PIXELS)
    else:
        chosen, pixels = resolution, None
    items = _items(given, plan, tag, span, chosen, pixels)
    rest = items[limit]["at"] if len(items) > limit else None
    shown = {"unit": unit, "resolution": chosen, "items": items[:limit], "next": rest}
    return JSONResponse(shown)


def _items(
    given: Services,
    plan: SitePlan,
    tag: str,
    span: Span,
    resolution: Resolution,
    pixels: int | None,
) -> list[Item]:
    where = (plan.site_id, tag, span.from_ms, span.to_ms)
    network = given.network()
    with given.database.reading() as connection:
        if resolution == "raw":
            series = raw_series(connection, *where)
            return _raw_items(thinned(series, pixels) if pixels else series)
        if resolution == "hour":
            return _span_items(hour_series(connection, *where))
        days = day_series(
            connection,
            *where,
            zone=network.contract_zone,
            contract_hour=network.contract_hour,
        )
        return _span_items(days)


def _raw_items(series: Series) -> list[Item]:
    """Return readings as JSON objects: plain ones, a page of models takes three times as long."""
    rows = zip(
        np.datetime_as_string(series.at_ms.astype("datetime64[ms]"), "ms", "UTC").tolist(),
        series.value.tolist(),
        series.raw.tolist(),
        series.quality.tolist(),
        series.read.tolist(),
        strict=True,
    )
    return [_raw_item(at, value, raw, quality, read) for at, value, raw, quality, read in rows]


def _raw_item(at: str, value: float, raw: Any, quality: int, read: bool) -> Item:
    if quality == Goodness.NONE:
        kept = finite(raw) if read else None  # a failed loop: no value, but it was read
        return {"at": at, "value": None, "raw": kept, "quality": "none"}
    shown = raw if isinstance(raw, bool | str) else finite(value)
    return {"at": at, "value": shown, "raw": finite(raw), "quality": _QUALITY[quality]}


def _span_items(series: SpanSeries) -> list[Item]:
    rows = zip(
        series.at_ms.tolist(),
        series.n.tolist(),
        series.least.tolist(),
        series.mean.tolist(),
        series.most.tolist(),
        strict=True,
    )
    return [
        {
            "at": iso(at_ms),
            "n": n,
            "min": _number(least),
            "mean": _number(mean),
            "max": _number(most),
        }
        for at_ms, n, least, mean, most in rows
    ]


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
