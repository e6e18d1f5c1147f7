"""Works out how reliable sites were in a period, and in the one before it.

Reads once, then only works out: words are found in ``reliability_rows``, drawings in
``reliability_grid``. A site is charged with nothing while its gateway was lost, while somebody
worked there, while it was not polled, and while nobody recorded.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tallymast.domain.health.comms.intervals import difference, share_of
from tallymast.domain.health.comms.model import CommonCause, Outage, Share, SitePeriod
from tallymast.domain.health.comms.outages import Span, length_ms, merged
from tallymast.domain.health.comms.periods import site_period
from tallymast.domain.model import HourCounts, SitePlan
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.runs import NO_RUNS, Runs
from tallymast.routes import reliability_reading
from tallymast.routes.reliability_causes import told_outages
from tallymast.routes.reliability_grid import added_up
from tallymast.routes.reliability_periods import Period
from tallymast.routes.reliability_reading import APART, Read
from tallymast.routes.reliability_report import Change, Ints, Loss, Report, SiteReport
from tallymast.routes.services import NetworkView, Services
from tallymast.storage.episodes import Episode
from tallymast.storage.reliability import SiteHours

_NO_HOURS: Final = SiteHours(np.zeros(0, np.int64), np.zeros((0, 3), np.int64), HourCounts(), {})


def read_report(given: Services, period: Period, own: Sequence[SitePlan]) -> Report:
    """Return how reliable some sites were in a period.

    Args:
        given: the services.
        period: which.
        own: the sites to tell of; common causes are looked for among all.

    """
    network = given.network()
    with given.database.reading() as connection:
        read = reliability_reading.read(connection, given, period)
    every = {one.site_id: _own(read, network, one, period) for one in network.sites}
    apart = {site_id: one.apart for site_id, one in every.items()}
    told, causes = told_outages(network, read, period, apart)
    sites = tuple(_site(every[one.site_id], read, told.get(one.site_id, ()), period) for one in own)
    return _report(network, period, sites, causes, read)


# --- sites ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Own:
    """A site and the spans of both periods that are held apart from it, by kind."""

    plan: SitePlan
    gateway: Sequence[Span]
    maintenance: Sequence[Span]
    not_polled: Sequence[Span]

    @property
    def apart(self) -> list[Span]:
        """All of them."""
        return merged([*self.gateway, *self.maintenance, *self.not_polled])


def _own(read: Read, network: NetworkView, plan: SitePlan, period: Period) -> _Own:
    gateway_id = network.gateway_of(plan.site_id).gateway_id
    spans: dict[str, list[tuple[int, int | None]]] = {kind: [] for kind in APART}
    for one in read.episodes:
        is_own = one.site_id == plan.site_id
        if one.kind in APART and (
            one.gateway_id == gateway_id if one.kind == "gateway" else is_own
        ):
            spans[one.kind].append((one.from_ms, one.to_ms))
    whole = (period.before_ms, period.to_ms)
    return _Own(plan, *(_cut(spans[kind], whole) for kind in APART))


def _cut(spans: Iterable[tuple[int, int | None]], whole: Span) -> list[Span]:
    """Return spans cut to one; what has no end goes on to its end."""
    return merged(
        (max(begin, whole[0]), whole[1] if end is None else min(end, whole[1]))
        for begin, end in spans
    )


def _site(own: _Own, read: Read, outages: Sequence[Outage], period: Period) -> SiteReport:
    site_id = own.plan.site_id
    hours = read.hours.get(site_id, _NO_HOURS)
    runs, runs_before = (some.get(site_id, NO_RUNS) for some in (read.runs, read.runs_before))
    now = _period(own, hours, runs, outages, (period.from_ms, period.to_ms), period.is_whole)
    hours_before = read.hours_before.get(site_id, _NO_HOURS)
    span_before = (period.before_ms, period.from_ms)
    before = _period(own, hours_before, runs_before, outages, span_before, period.is_whole)
    return SiteReport(
        own.plan,
        now,
        before,
        change_of(now.success, before.success),
        change_of(now.first_try, before.first_try),
        hours,
        _days_with(hours.at_ms, read.days),
        length_ms(_cut(own.not_polled, (period.from_ms, period.to_ms))),
    )


def _period(
    own: _Own,
    hours: SiteHours,
    runs: Runs,
    outages: Sequence[Outage],
    span: Span,
    is_whole: bool,
) -> SitePeriod:
    known = _reach_back(runs, hours)
    return site_period(
        own.plan.site_id,
        hours.counts,
        hours.cells,
        span=span,
        now_ms=span[1],
        runs=runs.n if known and is_whole else None,
        outages=outages if known else None,
        answers=hours.answers,
        holes=[*own.apart, *_unrecorded(hours.at_ms, span)],
        maintenance_ms=length_ms(_cut(own.maintenance, span)),
        gateway_ms=length_ms(_cut(own.gateway, span)),
    )


def _reach_back(runs: Runs, hours: SiteHours) -> bool:
    """Whether runs of misses were kept from a site's first hour of a period on."""
    if not len(hours.at_ms) or runs.first_ms is None:
        return False
    return runs.first_ms < int(hours.at_ms[0]) + HOUR_MS


def _unrecorded(at_ms: Ints, span: Span) -> list[Span]:
    """Return when nobody asked: what of a span lies in no hour with a poll."""
    begins = np.concatenate((at_ms, [span[1]]))
    ends = np.concatenate(([span[0]], at_ms + HOUR_MS))
    gaps = begins > ends
    return list(zip(ends[gaps].tolist(), begins[gaps].tolist(), strict=True))


def _days_with(at_ms: Ints, begins: Ints) -> int:
    """Return on how many contract days of a period there is an hour with a poll."""
    return len(np.unique(np.searchsorted(begins, at_ms, side="right")))


def change_of(now: Share, before: Share) -> Change | None:
    """Return how a share moved, None where either is not known."""
    ends = difference(now, before)
    if ends is None or now.share is None or before.share is None:
        return None
    return Change(now.share - before.share, *ends)


# --- the whole --------------------------------------------------------------------------


def _report(
    network: NetworkView,
    period: Period,
    sites: tuple[SiteReport, ...],
    causes: Sequence[CommonCause],
    read: Read,
) -> Report:
    own = {one.plan.site_id for one in sites}
    at_ms, cells = added_up([(one.hours.at_ms, one.hours.cells) for one in sites])
    before_ms, before = added_up(
        [(some.at_ms, some.cells) for one, some in read.hours_before.items() if one in own]
    )
    now_share, before_share = _answered(cells), _answered(before)
    return Report(
        period,
        sites,
        now_share,
        before_share,
        change_of(now_share, before_share),
        tuple(one for one in causes if _is_of(one, own, period)),
        _losses(network, own, period, read),
        period.days - _days_with(at_ms, read.days),
        (len(read.days_before), _days_with(before_ms, read.days_before)),
        tuple(one.reason for one in read.episodes if _is_lost(one, period)),
        at_ms,
        cells,
        {one.site_id: (one.site.key, one.site.name) for one in network.sites},
        {one.gateway.key: one.gateway.name for one in network.gateways},
    )


def _answered(cells: Ints) -> Share:
    return share_of(cells[:, 0] - cells[:, 2], cells[:, 0])


def _is_of(cause: CommonCause, own: set[int], period: Period) -> bool:
    """Whether a cause has a site of these in it, and lies in the period."""
    return not own.isdisjoint(cause.site_ids) and (
        cause.to_ms is None or cause.to_ms > period.from_ms
    )


def _is_lost(one: Episode, period: Period) -> bool:
    """Whether polls of the period were lost in storing."""
    touches = one.to_ms is None or one.to_ms > period.from_ms
    return one.kind == "storage" and touches


def _losses(network: NetworkView, own: set[int], period: Period, read: Read) -> tuple[Loss, ...]:
    behind = {
        one.gateway_id: one
        for one in network.gateways
        if own & {site.site_id for site in one.sites}
    }
    return tuple(
        Loss(
            behind[one.gateway_id].gateway.key,
            behind[one.gateway_id].gateway.name,
            max(one.from_ms, period.from_ms),
            period.to_ms if one.to_ms is None else min(one.to_ms, period.to_ms),
            one.to_ms is None and period.goes_on,
            sum(site.is_polled for site in behind[one.gateway_id].sites),
        )
        for one in read.episodes
        if one.kind == "gateway"
        and one.gateway_id in behind
        and (one.to_ms is None or one.to_ms > period.from_ms)
    )
