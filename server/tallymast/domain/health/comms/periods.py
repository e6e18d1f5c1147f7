"""A site's contact over a period, and over the hours of its days.

Nothing is said of what was not asked: 0 polls are unknown, neither 0 nor 100 %.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.answers import answer_times
from tallymast.domain.health.comms.bursts import mean_burst
from tallymast.domain.health.comms.intervals import share_of
from tallymast.domain.health.comms.model import Outage, SitePeriod
from tallymast.domain.health.comms.outages import (
    Span,
    availability,
    cut,
    length_ms,
    mtbf_ms,
    mttr_ms,
    silent_spans,
    without,
)
from tallymast.domain.local_times import local_time
from tallymast.domain.model import HourCounts


@dataclass(frozen=True, slots=True)
class HourGrid:
    """Polls by local hour of the day.

    Attributes:
        rows: weekdays 0 (Monday) to 6, or local dates, in order.
        cells: rows x 24 x 3: asked, answered at the first try, missed.

    """

    rows: tuple[int, ...] | tuple[date, ...]
    cells: NDArray[np.int64]


def site_period(
    site_id: int,
    counts: HourCounts,
    hours: NDArray[np.integer[Any]],
    *,
    span: Span,
    now_ms: int,
    runs: int | None,
    outages: Sequence[Outage] | None,
    answers: Mapping[int, int],
    holes: Sequence[Span],
    maintenance_ms: int = 0,
    gateway_ms: int = 0,
) -> SitePeriod:
    """Return a site's contact over a period.

    An outage counts with its part in the period and outside the holes; one that has no such part
    is no failure. Time to restore is that part too, of the outages that ended in the period.

    Args:
        site_id: whose.
        counts: polls of the period by outcome.
        hours: n x 3 asked, answered at the first try, missed, by clock hour, oldest first.
        span: the period [ms]; what of it lies after now is left out.
        now_ms: now [ms].
        runs: runs of missed polls, None where they were not counted.
        outages: the site's, oldest first; None where they are not known.
        answers: how long answers took, by bucket.
        holes: when it was not to be reached or not asked: gateway lost, maintenance, not polled.
        maintenance_ms: how long somebody worked there.
        gateway_ms: how long its gateway was not to be reached.

    """
    asked, first_try, missed = (hours.reshape(-1, 3)[:, column] for column in range(3))
    begin_ms, end_ms = span[0], max(span[0], min(span[1], now_ms))
    in_service_ms = length_ms(without([(begin_ms, end_ms)], holes))
    touching = cut(outages or (), begin_ms, end_ms)
    parts = [(one, length_ms(without(silent_spans([one], end_ms), holes))) for one in touching]
    failures = [(one, lasted) for one, lasted in parts if lasted]
    down_ms = length_ms(without(silent_spans(touching, end_ms), holes))
    known = outages is not None and counts.asked > 0
    return SitePeriod(
        site_id=site_id,
        counts=counts,
        success=share_of(asked - missed, asked),
        first_try=share_of(first_try, asked),
        mean_burst=None if runs is None else mean_burst(counts.missed, runs),
        outages=tuple(touching),
        in_service_ms=in_service_ms,
        down_ms=down_ms,
        availability=availability(in_service_ms, down_ms) if known else None,
        mtbf_ms=mtbf_ms(in_service_ms, down_ms, len(failures)) if known else None,
        mttr_ms=mttr_ms([lasted for one, lasted in failures if _ended(one, outages, end_ms)]),
        longest_gap_ms=max((lasted for _, lasted in failures), default=0) if known else None,
        answers=answer_times(answers),
        maintenance_ms=maintenance_ms,
        gateway_ms=gateway_ms,
    )


def hour_of_day(
    begins_ms: NDArray[np.int64],
    counts: NDArray[np.integer[Any]],
    zone: tzinfo,
    by: Literal["weekday", "date"] = "weekday",
) -> HourGrid:
    """Return polls by the local hour in which each clock hour begins.

    An hour that an autumn repeats adds up; one that a spring leaves out stays unasked.

    Args:
        begins_ms: begins of clock hours [UTC ms].
        counts: n x 3 asked, answered at the first try, missed.
        zone: the time zone of the clock.
        by: one row a weekday, all seven, or one row a date, those with an hour given.

    """
    local = [local_time(at, zone) for at in begins_ms.tolist()]
    rows: tuple[int, ...] | tuple[date, ...]
    if by == "weekday":
        rows = tuple(range(7))
        which = [at.weekday() for at in local]
    else:
        dates = sorted({at.date() for at in local})
        rows = tuple(dates)
        place = {day: number for number, day in enumerate(dates)}
        which = [place[at.date()] for at in local]
    cells = np.zeros((len(rows), 24, 3), np.int64)
    at_hour = np.array([at.hour for at in local], np.intp)
    np.add.at(cells, (np.array(which, np.intp), at_hour), counts.reshape(-1, 3))
    return HourGrid(rows, cells)


def _ended(part: Outage, outages: Sequence[Outage] | None, end_ms: int) -> bool:
    """Return whether the outage of which this is a part had ended by the period's end."""
    if part.to_ms is None or outages is None:
        return False
    return part.to_ms < end_ms or any(one.to_ms == end_ms for one in outages)
