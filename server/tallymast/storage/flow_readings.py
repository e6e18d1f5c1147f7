"""Reads flows: a night's least, an analog flow added up, and a count's rate beside the site's own.

Three readings of one kind: what is added up from polls is told apart from what a station counted,
and a gap adds nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from typing import Final

import numpy as np
from sqlalchemy import Connection

from tallymast.domain.model import Point, PointKind, SitePlan
from tallymast.domain.record.days import Contract
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.totals.balance import NIGHT_H, Integrated, integrated, night_flow
from tallymast.domain.totals.factors import in_force
from tallymast.domain.totals.flow_units import flow_unit
from tallymast.domain.totals.line import count_line
from tallymast.domain.totals.rates import LONGEST_MS, PulseRate, agree, rate_at
from tallymast.domain.totals.units import converted, exact
from tallymast.storage import count_events, k_factors
from tallymast.storage.count_readings import count_readings
from tallymast.storage.readings import Goodness, raw_series
from tallymast.storage.volume_hours import Counted
from tallymast.storage.volumes import Span, booked

_GAP_POLLS: Final = 3  # common practice, no published source: stale at max(3 periods, 60 s)
_ANALOG: Final = (PointKind.ANALOG_INPUT, PointKind.RATE)


@dataclass(frozen=True, slots=True)
class Night:
    """A night's least mean flow.

    Attributes:
        day: the date whose small hours it is of.
        per_hour: the least hour's [unit/h]; None: none of its hours is wholly known.

    """

    day: date
    per_hour: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class OwnRate:
    """A rate out of pulses beside what the site's own rate point says.

    Attributes:
        pulses: the rate out of pulses [counts/s].
        per_hour, least, most: the same as volume [unit/h], and the bounds it lies within.
        detectable: the slowest steady flow that shows a pulse in a span so long [unit/h].
        told: what the site's point says [unit/h].
        told_ms: when it was read.
        agrees: whether both may be the same flow.

    """

    tag: str
    unit: str
    pulses: PulseRate
    per_hour: float
    least: float
    most: float
    detectable: float
    told: float
    told_ms: int
    agrees: bool


def night_flows(
    conn: Connection, one: Counted, days: Sequence[date], zone: tzinfo, contract: Contract
) -> list[Night]:
    """Return the minimum night flow of some dates, ascending (common practice).

    Args:
        conn: in one read transaction.
        one: a counting point.
        days: ascending dates.
        zone: the clock by which people there sleep.
        contract: when days begin.

    """
    spans = [hour for day in days for hour in _night_hours(day, zone)]
    found = dict(zip(spans, booked(conn, one, spans, contract), strict=True))
    told = []
    for day in days:
        hours = [(span[0], found[span]) for span in _night_hours(day, zone)]
        unit = hours[0][1].unit if hours else ""
        known = [
            (at, float(hour.total - hour.adjusted), hour.counted.known_share) for at, hour in hours
        ]
        told.append(Night(day, night_flow(known), unit))
    return told


def flow_points(plan: SitePlan) -> list[Point]:
    """Return the points of a site that show a flow in a unit that can be added up."""
    return [
        one for one in plan.site.points if one.kind in _ANALOG and flow_unit(one.unit) is not None
    ]


def integrated_flow(
    conn: Connection, plan: SitePlan, point: Point, span: Span
) -> tuple[Integrated, str] | None:
    """Return an analog flow added up over a span from polled values, and its unit of volume.

    Only good readings count; where polls were missed nothing is added. None: no unit of flow.
    """
    unit = flow_unit(point.unit)
    if unit is None:
        return None
    longest_ms = max(60_000, round(_GAP_POLLS * 1000 * plan.site.poll_every_s))
    begin, end = span[0] - longest_ms, span[1] + longest_ms
    series = raw_series(conn, plan.site_id, point.tag, begin, end)
    good = (series.quality == Goodness.GOOD) & np.isfinite(series.value)
    values = series.value[good] * float(unit.per_hour)
    return integrated(series.at_ms[good], values, span, longest_ms), unit.volume


def own_rate(conn: Connection, one: Counted, rate_point: Point, now_ms: int) -> OwnRate | None:
    """Return a point's rate out of its newest pulses beside the site's own rate; None: not known.

    Args:
        conn: in one read transaction.
        one: the counting point.
        rate_point: the site's own rate of the same meter.
        now_ms: now.

    """
    unit = flow_unit(rate_point.unit)
    factors = k_factors.factors(conn, one.point_id, one.point)
    factor = in_force(factors, now_ms)
    if unit is None or factor is None:
        return None
    each = converted(factor.per_pulse, factor.unit, unit.volume)
    begin = now_ms - LONGEST_MS - HOUR_MS
    readings = count_readings(conn, one.plan, (one.point,), begin, now_ms + 1)[one.point.tag]
    series = raw_series(conn, one.plan.site_id, rate_point.tag, begin, now_ms + 1)
    good = (series.quality == Goodness.GOOD) & np.isfinite(series.value)
    if not each or len(readings) < 2 or not good.any():
        return None
    exchanged = count_events.exchanges(conn, one.point_id, begin, now_ms + 1)
    told_ms = int(series.at_ms[good][-1])
    rate = rate_at(count_line(one.meter, readings, exchanged), told_ms)
    if rate is None:
        return None
    told = float(exact(float(series.value[good][-1])) * unit.per_hour)
    hour = 3600 * float(each)
    mean, least, most = rate.per_s * hour, rate.least * hour, rate.most * hour
    slowest = rate.detectable * hour
    same = agree(rate, told / hour)
    figures = (mean, least, most, slowest, told)
    return OwnRate(rate_point.tag, unit.volume, rate, *figures, told_ms, same)


def rate_point_of(plan: SitePlan, total: Point) -> Point | None:
    """Return the site's own rate of a total: of the same last figures, or the only one of both.

    Ours: nothing in a network says which rate belongs to which total; TOT2 goes with RATE2.
    """
    rates = [one for one in plan.site.points if one.kind is PointKind.RATE]
    totals = [one for one in plan.site.points if one.kind is PointKind.TOTALIZER]
    same = [one for one in rates if _figures(one.tag) == _figures(total.tag) != ""]
    if len(same) == 1:
        return same[0]
    return rates[0] if len(rates) == len(totals) == 1 else None


def _figures(tag: str) -> str:
    return tag[len(tag.rstrip("0123456789")) :]


def _night_hours(day: date, zone: tzinfo) -> list[Span]:
    """Return the full hours of a night by the local clock; at a change of clocks one more or less.

    The night's beginning and end are taken from the clock, the hours between are of 60 minutes.
    """
    midnight = datetime(day.year, day.month, day.day, tzinfo=zone)
    ends = [
        round((midnight + timedelta(hours=hour)).timestamp() * 1000) for hour in NIGHT_H
    ]  # wall-clock arithmetic: the zone's offset is looked up at each end
    return [(at, at + HOUR_MS) for at in range(ends[0], ends[1] - HOUR_MS + 1, HOUR_MS)]
