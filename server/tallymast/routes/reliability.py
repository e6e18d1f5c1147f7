"""Works out how reliable sites were in a period, and in the one before it.

Reads once, then only works out: words are found in ``reliability_rows``, drawings in
``reliability_grid``. A site is charged with nothing while its gateway was lost, while somebody
worked there, while it was not polled, and while nobody recorded.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from sqlalchemy import Connection

from tallymast.domain.health.comms.common import Placed, common_causes, explained
from tallymast.domain.health.comms.intervals import difference, share_of
from tallymast.domain.health.comms.model import Cause, CommonCause, Outage, Share, SitePeriod
from tallymast.domain.health.comms.outages import Span, length_ms, merged, silent_spans, without
from tallymast.domain.health.comms.periods import site_period
from tallymast.domain.health.comms.supply_caused import supply_caused
from tallymast.domain.model import GatewayPlan, HourCounts, Site, SitePlan
from tallymast.domain.positions import distance_bearing
from tallymast.domain.record.days import Contract, days_between
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.runs import NO_RUNS, Runs, joined
from tallymast.routes.reliability_grid import added_up
from tallymast.routes.reliability_periods import Period
from tallymast.routes.reliability_report import Change, Ints, Loss, Report, SiteReport
from tallymast.routes.services import NetworkView, Services
from tallymast.storage import episodes
from tallymast.storage.episodes import Episode
from tallymast.storage.outages import miss_runs, outages_in
from tallymast.storage.reliability import NightLow, SiteHours, night_lows, site_hours

_NO_HOURS: Final = SiteHours(np.zeros(0, np.int64), np.zeros((0, 3), np.int64), HourCounts(), {})
_APART: Final = ("gateway", "maintenance", "not-polled")
_TOLD: Final = (*_APART, "storage")
_DAY_MS: Final = 24 * HOUR_MS
_NEAR_MS: Final = HOUR_MS // 2  # ours: so close before an outage a night's low tells of it
_NIGHT_MS: Final = 8 * HOUR_MS  # ours: the same where the site was dark before sunrise


def contract_of(network: NetworkView) -> Contract:
    """Return when the network's contract days begin."""
    return Contract(network.contract_zone or network.time_zone, network.contract_hour)


def read_report(given: Services, period: Period, own: Sequence[SitePlan]) -> Report:
    """Return how reliable some sites were in a period.

    Args:
        given: the services.
        period: which.
        own: the sites to tell of; common causes are looked for among all.

    """
    network = given.network()
    with given.database.reading() as connection:
        read = _read(connection, given, period)
    every = {one.site_id: _own(read, network, one, period) for one in network.sites}
    apart = {site_id: one.apart for site_id, one in every.items()}
    limits = {one.site_id: one.site.miss_limit for one in network.sites}
    found = {
        site_id: _charged(some, apart.get(site_id, ()), period)
        for site_id, some in outages_in(read.whole, limits).items()
    }
    by_supply, others, earlier = _by_cause(network, found, read, period)
    causes = common_causes(
        others, _placed(network), not_polled=apart, newest_answer_ms=_newest(read, period)
    )
    told = _together(earlier, by_supply, explained(others, causes))
    sites = tuple(_site(every[one.site_id], read, told.get(one.site_id, ()), period) for one in own)
    return _report(network, period, sites, causes, read)


# --- reading ----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Read:
    """What was read of the period, the one before, and the day after one that is over."""

    days: Ints  # when each contract day of the period begins
    days_before: Ints  # and of the one before
    hours: Mapping[int, SiteHours]
    hours_before: Mapping[int, SiteHours]
    runs: Mapping[int, Runs]
    runs_before: Mapping[int, Runs]
    whole: Mapping[int, Runs]  # both periods' runs and what follows, so that none is cut in two
    episodes: Sequence[Episode]
    lows: Mapping[int, Sequence[NightLow]]
    judged: Mapping[tuple[int, int], Cause]  # what outages of late were put down to


def _read(connection: Connection, given: Services, period: Period) -> _Read:
    contract = contract_of(given.network())
    before, now, end = period.before_ms, period.from_ms, period.to_ms
    limits = [one.site.miss_limit for one in given.network().sites]
    runs, runs_before, whole = _runs(connection, period, min(limits, default=1))
    failing = [site_id for site_id, one in runs.items() if one.long]
    return _Read(
        _begins(now, end, contract),
        _begins(before, now, contract),
        site_hours(connection, now, end, contract),
        site_hours(connection, before, now, contract),
        runs,
        runs_before,
        whole,
        [one for one in episodes.between(connection, before, end) if one.kind in _TOLD],
        night_lows(connection, failing, now - _DAY_MS, end),
        _judged(given),
    )


def _begins(from_ms: int, to_ms: int, contract: Contract) -> Ints:
    return np.array([day.start_ms for day in days_between(from_ms, to_ms, contract)], np.int64)


_SiteRuns = Mapping[int, Runs]


def _runs(
    connection: Connection, period: Period, least: int
) -> tuple[_SiteRuns, _SiteRuns, _SiteRuns]:
    """Return the runs of misses of the period, of the one before, and of all there is.

    They are kept by contract day: of a span that cuts days they cannot be counted.
    """
    after_ms = period.to_ms if period.goes_on else period.to_ms + _DAY_MS
    if not period.is_whole:
        whole = miss_runs(connection, period.before_ms, after_ms, least=least)
        return whole, whole, whole
    parts = [
        miss_runs(connection, begin_ms, end_ms, least=least) if begin_ms < end_ms else {}
        for begin_ms, end_ms in (
            (period.before_ms, period.from_ms),
            (period.from_ms, period.to_ms),
            (period.to_ms, after_ms),
        )
    ]
    sites = {site_id for part in parts for site_id in part}
    whole = {one: joined(part.get(one, NO_RUNS) for part in parts) for one in sites}
    return parts[1], parts[0], whole


def _judged(given: Services) -> dict[tuple[int, int], Cause]:
    return {
        (site_id, one.from_ms): one.cause
        for site_id, health in given.health().items()
        if health.comm
        for one in health.comm.outages
    }


# --- outages ----------------------------------------------------------------------------


def _charged(outages: Iterable[Outage], apart: Sequence[Span], period: Period) -> list[Outage]:
    """Return the outages of both periods that are not all hidden by what is held apart."""
    span = (period.before_ms, period.to_ms)
    return [
        one
        for one in outages
        if one.from_ms < span[1]
        and (one.to_ms is None or one.to_ms > span[0])
        and without(silent_spans([one], max(span[1], one.from_ms + 1)), apart)
    ]


_Outages = Mapping[int, Sequence[Outage]]


def _by_cause(
    network: NetworkView, outages: _Outages, read: _Read, period: Period
) -> tuple[_Outages, _Outages, _Outages]:
    """Return the outages that the supply caused, the others, and those of the period before.

    Nobody asks for the causes of the period before.
    """
    sites = {one.site_id: one.site for one in network.sites}
    parts: tuple[dict[int, list[Outage]], ...] = ({}, {}, {})
    for site_id, some in outages.items():
        for one in some:
            if one.to_ms is not None and one.to_ms <= period.from_ms:
                parts[2].setdefault(site_id, []).append(one)
            elif site_id in sites and _by_supply(one, sites[site_id], read):
                parts[0].setdefault(site_id, []).append(replace(one, cause=Cause.SUPPLY))
            else:
                parts[1].setdefault(site_id, []).append(one)
    return parts[0], parts[1], parts[2]


def _together(*parts: _Outages) -> dict[int, list[Outage]]:
    found: dict[int, list[Outage]] = {}
    for part in parts:
        for site_id, some in part.items():
            found.setdefault(site_id, []).extend(some)
    return {site_id: sorted(some, key=lambda one: one.from_ms) for site_id, some in found.items()}


def _by_supply(outage: Outage, site: Site, read: _Read) -> bool:
    """Whether an outage is put down to the supply: as judged of late, else by the night's low."""
    judged = read.judged.get((outage.site_id, outage.from_ms))
    supply = site.supply
    if judged is not None or supply is None or supply.disconnect_v is None:
        return judged is Cause.SUPPLY
    return any(
        supply_caused(
            outage,
            low.volts,
            None,
            supply.disconnect_v,
            nominal_v=supply.nominal_v,
            back_after_sunrise_min=None,
        )
        for low in read.lows.get(outage.site_id, ())
        if _tells_of(low, outage)
    )


def _tells_of(low: NightLow, outage: Outage) -> bool:
    """Whether a night's lowest voltage says with what an outage began."""
    before_ms = outage.from_ms - low.at_ms
    return 0 <= before_ms <= (_NIGHT_MS if low.dark else _NEAR_MS)


def _placed(network: NetworkView) -> list[Placed]:
    return [
        Placed(
            one.site_id,
            gateway.gateway.key,
            one.via_site_id,
            _bearing(gateway, one.site),
            round(1000 * one.site.poll_every_s),
            round(1000 * max((each.site.poll_every_s for each in gateway.sites), default=0)),
        )
        for gateway in network.gateways
        for one in gateway.sites
    ]


def _bearing(gateway: GatewayPlan, site: Site) -> float | None:
    mast = gateway.gateway
    if mast.latitude is None or mast.longitude is None:
        return None
    if site.latitude is None or site.longitude is None:
        return None
    leg = distance_bearing(mast.latitude, mast.longitude, site.latitude, site.longitude)
    return leg.bearing_deg


def _newest(read: _Read, period: Period) -> dict[int, int]:
    """Return when each site answered last, to the hour."""
    found = {}
    for site_id, hours in read.hours.items():
        answered = hours.at_ms[hours.cells[:, 0] > hours.cells[:, 2]]
        if len(answered):
            found[site_id] = min(int(answered[-1]) + HOUR_MS, period.to_ms)
    return found


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


def _own(read: _Read, network: NetworkView, plan: SitePlan, period: Period) -> _Own:
    gateway_id = network.gateway_of(plan.site_id).gateway_id
    spans: dict[str, list[tuple[int, int | None]]] = {kind: [] for kind in _APART}
    for one in read.episodes:
        is_own = one.site_id == plan.site_id
        if one.kind in _APART and (
            one.gateway_id == gateway_id if one.kind == "gateway" else is_own
        ):
            spans[one.kind].append((one.from_ms, one.to_ms))
    whole = (period.before_ms, period.to_ms)
    return _Own(plan, *(_cut(spans[kind], whole) for kind in _APART))


def _cut(spans: Iterable[tuple[int, int | None]], whole: Span) -> list[Span]:
    """Return spans cut to one; what has no end goes on to its end."""
    return merged(
        (max(begin, whole[0]), whole[1] if end is None else min(end, whole[1]))
        for begin, end in spans
    )


def _site(own: _Own, read: _Read, outages: Sequence[Outage], period: Period) -> SiteReport:
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
    read: _Read,
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


def _losses(network: NetworkView, own: set[int], period: Period, read: _Read) -> tuple[Loss, ...]:
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
