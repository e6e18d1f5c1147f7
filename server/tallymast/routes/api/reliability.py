"""Reliability as scripts see it: every site's contact in a span, and in the one before it."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from tallymast.domain.health.comms.model import Outage, Share, SitePeriod
from tallymast.routes.api.spans import TheSpan
from tallymast.routes.formats import iso
from tallymast.routes.problems import Problem
from tallymast.routes.reliability import read_report
from tallymast.routes.reliability_periods import LONGEST_DAYS, span_period
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.reliability_report import Change, SiteReport
from tallymast.routes.services import Given

router = APIRouter(prefix="/api/v1", tags=["reliability"])

DAY_MS = 86_400_000
MOST = 500


class ShareItem(BaseModel):
    """A share of the polls asked, 0 to 1, and its 95 % interval; null where too few were asked."""

    share: float | None = Field(description="null under 100 polls or 24 hours with polls")
    low: float | None
    high: float | None
    effective_n: float | None = Field(description="independent polls these are worth")


class OutageItem(BaseModel):
    """An outage, cut to the span."""

    begins: str
    ends: str | None = Field(description="null: it goes on past the span")
    missed: int = Field(description="polls missed in the whole outage")
    last_answer_at: str | None
    cause: str = Field(description="alone, supply or common")


class AnswerItem(BaseModel):
    """How long answers took, to the width of a bucket, 19 %."""

    median_ms: float
    p95_ms: float
    n: int


class Figures(BaseModel):
    """A site's contact in a span; what is not known is null."""

    asked: int = Field(
        description="answered + missed; none while the gateway was lost or in maintenance"
    )
    answered: int
    answered_first_try: int
    missed: int
    no_answer: int
    garbled: int
    success: ShareItem
    first_try: ShareItem
    mean_burst: float | None = Field(
        description="misses in a row; null where the span cuts a contract day"
    )
    outages: list[OutageItem] | None
    longest_outage_s: float | None
    down_s: float | None
    in_service_s: float = Field(description="without gateway losses, maintenance, times not polled")
    availability: float | None
    mtbf_s: float | None
    mttr_s: float | None
    answer_times: AnswerItem | None
    maintenance_s: float
    gateway_lost_s: float


class ChangeItem(BaseModel):
    """How much a share moved against the span before, in parts of 1, with its 95 % interval."""

    middle: float
    low: float
    high: float


class SiteItem(Figures):
    """A site's contact in the span, and in the span of equal length before it."""

    key: str
    name: str
    gateway: str
    area: str
    before: Figures
    change: ChangeItem | None = Field(description="of the share answered")
    first_try_change: ChangeItem | None


class ReliabilityList(BaseModel):
    """Sites; pass ``next`` as ``after`` to go on, null at the end."""

    items: list[SiteItem]
    next: str | None


@router.get("/reliability")
def list_reliability(
    given: Given,
    span: TheSpan,
    limit: Annotated[int, Query(ge=1, le=MOST)] = MOST,
    after: Annotated[str, Query(max_length=200, description="`next` of the page before")] = "",
) -> ReliabilityList:
    """List every site's contact in a span; it counts whole quarter hours where hours are closed."""
    if span.to_ms - span.from_ms > LONGEST_DAYS * DAY_MS:
        raise Problem(422, f"A span may be {LONGEST_DAYS} days long at most.")
    network = given.network()
    keys = [one.site.key for one in network.sites]
    if after and after not in keys:
        raise Problem(422, f"`after` names no site: {after!r}.")
    first = keys.index(after) + 1 if after else 0
    own = network.sites[first : first + limit]
    period = span_period(span.from_ms, span.to_ms, contract_of(network), given.now_ms() + 1)
    report = read_report(given, period, own)
    rest = own[-1].site.key if own and first + limit < len(keys) else None
    return ReliabilityList(items=[_item(one) for one in report.sites], next=rest)


def _item(one: SiteReport) -> SiteItem:
    return SiteItem(
        key=one.site.key,
        name=one.site.name,
        gateway=one.site.gateway,
        area=one.site.area,
        before=_figures(one.before),
        change=_change(one.change),
        first_try_change=_change(one.first_change),
        **_figures(one.now).model_dump(),
    )


def _figures(period: SitePeriod) -> Figures:
    counts, known = period.counts, period.longest_gap_ms is not None
    return Figures(
        asked=counts.asked,
        answered=counts.answered,
        answered_first_try=counts.first_try,
        missed=counts.missed,
        no_answer=counts.no_answer,
        garbled=counts.garbled,
        success=_share(period.success),
        first_try=_share(period.first_try),
        mean_burst=period.mean_burst,
        outages=[_outage(one) for one in period.outages] if known else None,
        longest_outage_s=_seconds(period.longest_gap_ms),
        down_s=_seconds(period.down_ms) if known else None,
        in_service_s=period.in_service_ms / 1000,
        availability=period.availability,
        mtbf_s=_seconds(period.mtbf_ms),
        mttr_s=_seconds(period.mttr_ms),
        answer_times=_answers(period),
        maintenance_s=period.maintenance_ms / 1000,
        gateway_lost_s=period.gateway_ms / 1000,
    )


def _share(share: Share) -> ShareItem:
    known = share.share if share.is_known else None
    return ShareItem(share=known, low=share.low, high=share.high, effective_n=share.effective_n)


def _outage(one: Outage) -> OutageItem:
    return OutageItem(
        begins=iso(one.from_ms) or "",
        ends=iso(one.to_ms),
        missed=one.missed,
        last_answer_at=iso(one.last_answer_ms),
        cause=one.cause.value,
    )


def _answers(period: SitePeriod) -> AnswerItem | None:
    if period.answers is None:
        return None
    times = period.answers
    return AnswerItem(median_ms=times.median_ms, p95_ms=times.p95_ms, n=times.n)


def _change(change: Change | None) -> ChangeItem | None:
    if change is None:
        return None
    return ChangeItem(middle=change.middle, low=change.low, high=change.high)


def _seconds(ms: float | None) -> float | None:
    return None if ms is None else ms / 1000
