"""Volumes as scripts see them: what points counted by hour, contract day or month."""

from itertools import groupby
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field

from tallymast.domain.totals.model import CountStep
from tallymast.domain.totals.wording import event_words
from tallymast.routes.api.finding import any_site, the_point
from tallymast.routes.api.spans import TheSpan
from tallymast.routes.formats import iso
from tallymast.routes.problems import Problem
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.services import Given, NetworkView
from tallymast.routes.volumes.event_lines import clock_of
from tallymast.routes.volumes.listing import Listed, listed, spans_in
from tallymast.routes.volumes.points import Stood, all_points, chosen

router = APIRouter(prefix="/api/v1", tags=["volumes"])

MOST = 5000
MOST_PAIRS = 2_000_000  # ours: spans of points a request may name, though it pages through them

Item = dict[str, Any]


class EventItem(BaseModel):
    """Where a counter did not simply climb."""

    kind: str = Field(description="reset, either, turns, unproven, jump, bad, rollover, …")
    begins: str = Field(description="the last reading before it")
    ends: str = Field(description="the first one after it")
    before: float
    after: float
    pulses: float = Field(description="known to have passed")
    unknown_pulses: float | None = Field(description="the most besides; null: no bound is known")
    words: str


class VolumeItem(BaseModel):
    """What a point counted in an hour, a contract day or a month; what is not known is null."""

    site: str
    tag: str
    at: str
    ends: str = Field(description="of a span that goes on, up to where it is told")
    volume: float | None = Field(description="known to have passed, with adjustments")
    unit: str = Field(description="pulses where no factor is known")
    pulses: float | None
    known_share: float = Field(description="of the span's time, 0 to 1")
    unknown: float | None = Field(
        description="the most that passed besides [unit]; null: no bound is known"
    )
    unproven: float | None = Field(
        description="likewise, if the station had no power where nothing proves that it had"
    )
    estimated: float = Field(description="of the volume, may belong to the span before or after")
    adjusted: float = Field(description="of the volume, added or taken away by people")
    open: float | None
    close: float | None
    events: list[EventItem]


class VolumeList(BaseModel):
    """Spans by point, oldest first; pass ``next`` as ``after`` to go on, null at the end."""

    items: list[VolumeItem]
    next: str | None


@router.get("/volumes", response_model=VolumeList)
def list_volumes(
    given: Given,
    span: TheSpan,
    resolution: Annotated[Literal["hour", "day", "month"], Query()] = "day",
    site: Annotated[str, Query(max_length=200)] = "",
    tag: Annotated[str, Query(max_length=200, description="needs `site`")] = "",
    limit: Annotated[int, Query(ge=1, le=MOST)] = 1000,
    after: Annotated[int, Query(ge=0, description="`next` of the page before")] = 0,
) -> JSONResponse:
    """List the hours, contract days or months that begin in a span, of points that count.

    Operational figures, not custody transfer: gas is uncorrected volume.
    """
    network, now_ms = given.network(), given.now_ms()
    contract = contract_of(network)
    spans = [one for one in spans_in(resolution, (span.from_ms, span.to_ms), contract)]
    spans = [one for one in spans if one[0] < now_ms]
    items: list[Item] = []
    with given.database.reading() as conn:
        points = _points(network, all_points(conn, network), site, tag)
        total = len(points) * len(spans)
        if total > MOST_PAIRS:
            raise Problem(422, "That is too much at once; ask for a shorter span or one site.")
        wanted = [divmod(n, len(spans)) for n in range(after, min(after + limit, total))]
        for number, some in groupby(wanted, lambda pair: pair[0]):
            own = [spans[place] for _, place in some]
            found = listed(conn, points[number], own, contract, now_ms)
            items += [_item(one, network) for one in found]
    rest = str(after + limit) if after + limit < total else None
    return JSONResponse({"items": items, "next": rest})


def _points(network: NetworkView, known: list[Stood], site: str, tag: str) -> list[Stood]:
    if tag and not site:
        raise Problem(422, "`tag` needs `site`: the same tag stands at many sites.")
    if site:
        plan = any_site(network, site)
        if tag:
            the_point(plan, tag)
    found = chosen(known, site=site, tag=tag)
    if tag and not found:
        raise Problem(404, f"{site}/{tag} counts no volume.")
    return found


def _item(one: Listed, network: NetworkView) -> Item:
    begin, end = one.told.span
    return {
        "site": one.stood.plan.site.key,
        "tag": one.stood.counted.point.tag,
        "at": iso(begin),
        "ends": iso(end),
        "volume": _number(one.volume),
        "unit": one.unit,
        "pulses": one.pulses,
        "known_share": round(one.known_share, 6),
        "unknown": _number(one.unknown),
        "unproven": _number(one.unproven),
        "estimated": float(one.estimated),
        "adjusted": float(one.told.booked.adjusted),
        "open": one.open,
        "close": one.close,
        "events": [_event(step, one.stood, network) for step in one.events],
    }


def _event(one: CountStep, stood: Stood, network: NetworkView) -> Item:
    return {
        "kind": one.step.kind.value,
        "begins": iso(one.from_ms),
        "ends": iso(one.to_ms),
        "before": one.before,
        "after": one.after,
        "pulses": one.step.pulses,
        "unknown_pulses": one.step.unknown,
        "words": event_words(one, clock_of(network), both_ways=stood.both_ways),
    }


def _number(value: Any) -> float | None:
    return None if value is None else float(value)
