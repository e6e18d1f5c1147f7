"""Sites' last weeks out of the simulator's past, as the record would tell them at an instant.

What the judge reads from a database is made here from arrays of polls, for many instants of
one past; the tests hold the two together.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.bearings import place_of
from tallymast.domain.health.comms.common import common_causes, explained
from tallymast.domain.health.comms.model import Outage
from tallymast.domain.health.held_record import HeldRecord
from tallymast.domain.health.nights import DAY_MS, Night, day_number, night_of, sunrise_ms
from tallymast.domain.health.record import ContactHours
from tallymast.domain.health.together import placed
from tallymast.domain.health.weighing import BASELINE_MS, NIGHTS, OUTAGES_MS
from tallymast.domain.local_times import local_time
from tallymast.domain.model import (
    Gateway,
    GatewayPlan,
    Outcome,
    PointKind,
    PollFlag,
    SitePlan,
    WordLayout,
)
from tallymast.domain.record.chunks import PollColumns
from tallymast.domain.record.columns import decode_column, scale_column
from tallymast.domain.record.days import Contract, day_of, days_between
from tallymast.domain.record.rollups import HOUR_MS, QUARTER_MS, comm_hour
from tallymast.domain.record.runs import runs_in
from tallymast.storage.outages import outages_in

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
_LAST = int(Outcome.RETRIED)


@dataclass(frozen=True)
class PastSite:
    """One site's whole past.

    Attributes:
        plan: whose.
        columns: all its polls, ascending.
        series: of each point its readings, NaN where there was no valid value.
        units: of points.
        nights: all its nights, ascending, and when the sun rose after each [ms].
        rises_ms: likewise.
        answers: begin and end of each contract day, and its answer times.
        counted: which polls count for the site: not in maintenance.

    """

    plan: SitePlan
    columns: PollColumns
    series: Mapping[str, tuple[Ints, Floats]]
    units: Mapping[str, str]
    nights: Sequence[Night]
    rises_ms: Sequence[int]
    answers: Sequence[tuple[int, int, Mapping[int, int]]]
    counted: NDArray[np.bool_]

    def until(self, now_ms: int, outages: Sequence[Outage], zone: tzinfo) -> HeldRecord:
        """Return its record as it was at an instant, with its outages as they are explained."""
        return HeldRecord(
            self.contact(now_ms),
            self.nights_at(now_ms, zone),
            self.answers_at(now_ms),
            outages,
            {tag: _until(series, now_ms) for tag, series in self.series.items()},
            self.units,
        )

    def contact(self, now_ms: int) -> ContactHours | None:
        """Return contact of the last weeks, spoiled hours of the same."""
        begin_ms = (now_ms - BASELINE_MS) // QUARTER_MS * QUARTER_MS
        at_ms, outcome, _ = self._of(begin_ms, now_ms)
        asked = outcome != Outcome.GATEWAY_LOST
        if not asked.any():
            return None
        hour = at_ms[asked] // HOUR_MS
        first = int(hour[0])
        n = int(hour[-1]) - first + 1
        kept = outcome[asked]
        cells = np.stack(
            [
                np.bincount(hour[rows] - first, minlength=n)
                for rows in (slice(None), kept == Outcome.FIRST_TRY, kept > _LAST)
            ],
            axis=1,
        )
        known = cells[:, 0] > 0
        starts = HOUR_MS * (first + np.arange(n, dtype=np.int64))
        garbled, refused = self._spoiled(now_ms)
        return ContactHours(starts[known], cells[known], garbled, refused)

    def nights_at(self, now_ms: int, zone: tzinfo) -> list[Night]:
        """Return the nights of the last weeks whose sun had risen."""
        today = day_number(local_time(now_ms, zone).date())
        known = int(np.searchsorted(self.rises_ms, now_ms, side="right"))
        return [one for one in self.nights[:known] if today - NIGHTS < one.day <= today]

    def answers_at(self, now_ms: int) -> list[tuple[int, Mapping[int, int]]]:
        """Return answer times of the contract days that were over, of thirty days."""
        return [
            (begin_ms, buckets)
            for begin_ms, end_ms, buckets in self.answers
            if begin_ms >= now_ms - BASELINE_MS and end_ms <= now_ms
        ]

    def outages(self, now_ms: int, contract: Contract) -> list[Outage]:
        """Return the outages of the last fortnight, not explained yet."""
        from_ms = now_ms - OUTAGES_MS
        at_ms, outcome, _ = self._of(day_of(from_ms, contract).start_ms, now_ms)
        asked = outcome != Outcome.GATEWAY_LOST
        runs = runs_in(at_ms[asked], outcome[asked] > _LAST)
        own = self.plan.site_id
        found = outages_in({own: runs}, {own: self.plan.site.miss_limit})[own]
        return [one for one in found if one.to_ms is None or one.to_ms > from_ms]

    def _of(self, from_ms: int, to_ms: int) -> tuple[Ints, Ints, Ints]:
        inside = slice(*np.searchsorted(self.columns.at_ms, (from_ms, to_ms)).tolist())
        counted = self.counted[inside]
        some = (self.columns.at_ms, self.columns.outcome, self.columns.flags)
        at_ms, outcome, flags = (one[inside][counted] for one in some)
        return at_ms, outcome, flags

    def _spoiled(self, now_ms: int) -> tuple[dict[int, int], dict[int, int]]:
        from_ms = now_ms - BASELINE_MS
        at_ms, outcome, flags = self._of(from_ms - from_ms % HOUR_MS, now_ms)
        refused = (flags & PollFlag.REFUSED != 0) & (outcome <= _LAST)
        return _by_hour(at_ms[outcome == Outcome.GARBLED]), _by_hour(at_ms[refused])


def past_site(
    gateway: Gateway, plan: SitePlan, columns: PollColumns, zone: tzinfo, contract: Contract
) -> PastSite:
    """Return a site's past from all its polls."""
    series = {
        point.tag: _readings(columns, plan, n)
        for n, point in enumerate(plan.layout.points)
        if point.layout is not WordLayout.TEXT
    }
    nights, rises_ms = _nights(gateway, plan, series, zone)
    return PastSite(
        plan,
        columns,
        series,
        {point.tag: point.unit for point in plan.layout.points},
        nights,
        rises_ms,
        _answers(columns, contract),
        (columns.flags & PollFlag.MAINTENANCE) == 0,
    )


def explained_outages(
    gateways: Sequence[GatewayPlan],
    pasts: Mapping[int, PastSite],
    now_ms: int,
    contract: Contract,
) -> dict[int, tuple[Outage, ...]]:
    """Return every site's outages of the last fortnight, the common ones named as such."""
    known = {number: past.outages(now_ms, contract) for number, past in pasts.items()}
    return explained(known, common_causes(known, placed(gateways)))


# --- inside -----------------------------------------------------------------------------


def _readings(columns: PollColumns, plan: SitePlan, place: int) -> tuple[Ints, Floats]:
    point = plan.layout.points[place]
    column = decode_column(columns, plan.layout, point)
    return columns.at_ms, np.where(column.good, scale_column(column.raw, point), np.nan)


def _until(series: tuple[Ints, Floats], now_ms: int) -> tuple[Ints, Floats]:
    at_ms, values = series
    end = int(np.searchsorted(at_ms, now_ms))
    return at_ms[:end], values[:end]


def _nights(
    gateway: Gateway, plan: SitePlan, series: Mapping[str, tuple[Ints, Floats]], zone: tzinfo
) -> tuple[list[Night], list[int]]:
    point, place = plan.site.point_of(PointKind.SUPPLY_VOLTAGE), place_of(gateway, plan.site)
    if point is None or place is None or not len(series[point.tag][0]):
        return [], []
    at_ms, volts = series[point.tag]
    nights, rises_ms = [], []
    for day in _days(int(at_ms[0]), int(at_ms[-1]), zone):
        risen_ms = sunrise_ms(day, *place, zone)
        inside = slice(*np.searchsorted(at_ms, (risen_ms - DAY_MS, risen_ms)).tolist())
        if inside.start < inside.stop:
            nights.append(night_of(day, risen_ms, at_ms[inside], volts[inside]))
            rises_ms.append(risen_ms)
    return nights, rises_ms


def _days(from_ms: int, to_ms: int, zone: tzinfo) -> list[date]:
    first, last = (datetime.fromtimestamp(at / 1000, zone).date() for at in (from_ms, to_ms))
    return [first + timedelta(days=n) for n in range((last - first).days + 2)]


def _answers(columns: PollColumns, contract: Contract) -> list[tuple[int, int, Mapping[int, int]]]:
    if not len(columns):
        return []
    begin_ms = day_of(int(columns.at_ms[0]), contract).start_ms
    found = []
    for day in days_between(begin_ms, int(columns.at_ms[-1]) + 1, contract):
        part = columns.between(day.start_ms, day.end_ms)
        if len(part):  # of the whole day its answer times alone are asked
            found.append((day.start_ms, day.end_ms, comm_hour([part], day.start_ms).answers))
    return found


def _by_hour(at_ms: Ints) -> dict[int, int]:
    hours, counts = np.unique(at_ms // HOUR_MS, return_counts=True)
    return {int(hour) * HOUR_MS: int(n) for hour, n in zip(hours, counts, strict=True)}
