"""Reads what a report is worked out from: hours, runs of misses, episodes, nights; all at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from sqlalchemy import Connection

from tallymast.domain.health.comms.model import Cause
from tallymast.domain.record.days import Contract, days_between
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.runs import NO_RUNS, Runs, joined
from tallymast.routes.reliability_periods import Period
from tallymast.routes.reliability_report import Ints
from tallymast.routes.services import NetworkView, Services
from tallymast.storage import episodes
from tallymast.storage.episodes import Episode
from tallymast.storage.outages import miss_runs
from tallymast.storage.reliability import NightLow, SiteHours, night_lows, site_hours

APART: Final = ("gateway", "maintenance", "not-polled")  # kinds of episodes held apart
_TOLD: Final = (*APART, "storage")
_DAY_MS: Final = 24 * HOUR_MS


def contract_of(network: NetworkView) -> Contract:
    """Return when the network's contract days begin."""
    return Contract(network.contract_zone or network.time_zone, network.contract_hour)


@dataclass(frozen=True)
class Read:
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


def read(connection: Connection, given: Services, period: Period) -> Read:
    """Return all that a report is worked out from."""
    contract = contract_of(given.network())
    before, now, end = period.before_ms, period.from_ms, period.to_ms
    limits = [one.site.miss_limit for one in given.network().sites]
    runs, runs_before, whole = _runs(connection, period, min(limits, default=1))
    failing = [site_id for site_id, one in runs.items() if one.long]
    return Read(
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
