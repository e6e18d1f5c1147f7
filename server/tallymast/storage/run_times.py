"""How long a site's pumps ran and how often they started: by its own counters, else by polls."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from sqlalchemy import Connection

from tallymast.domain.model import Gateway, Point, SitePlan
from tallymast.domain.record.days import Contract
from tallymast.domain.totals.meters import meter_of
from tallymast.domain.totals.pumps import Pump
from tallymast.domain.totals.run_hours import RunTime, hours_each, ran
from tallymast.domain.totals.segments import join
from tallymast.storage.readings import Goodness, raw_series
from tallymast.storage.volume_hours import Counted, with_open
from tallymast.storage.volume_keeping import counted_points

_HOUR_MS: Final = 3_600_000
Span = tuple[int, int]


def run_times(
    conn: Connection,
    gateway: Gateway,
    plan: SitePlan,
    pumps: Sequence[Pump],
    spans: Sequence[Span],
    contract: Contract,
    now_ms: int,
) -> list[list[RunTime]]:
    """Return how each of a site's pumps ran in each of some spans, at most up to now.

    Args:
        conn: in one read transaction.
        gateway: the site's.
        plan: the site.
        pumps: those asked for, from ``pumps.pumps_of``.
        spans: ascending, at least one; today, yesterday, seven days.
        contract: when days begin.
        now_ms: now.

    Returns:
        One list a pump, with one time a span.

    """
    spans = [(begin, min(end, now_ms)) for begin, end in spans]
    counted = {one.point.tag: one for one in counted_points(conn, gateway, plan)}
    found = []
    for pump in pumps:
        polled = _polled(conn, gateway, plan, pump.state, spans)
        found.append(
            [
                _by_counters(conn, pump, counted, seen, span, contract, now_ms)
                for span, seen in zip(spans, polled, strict=True)
            ]
        )
    return found


def _by_counters(
    conn: Connection,
    pump: Pump,
    counted: Mapping[str, Counted],
    seen: RunTime,
    span: Span,
    contract: Contract,
    now_ms: int,
) -> RunTime:
    """Return how a pump ran in a span: what the station counted, in place of what was seen."""
    hours = counted.get(pump.hours.tag) if pump.hours else None
    starts = counted.get(pump.starts.tag) if pump.starts else None
    each = hours_each(pump.hours) if pump.hours else None
    one = seen
    if hours is not None and each is not None:
        counts, known_ms = _counted(conn, hours, span, contract, now_ms)
        ran_ms = counts * each * _HOUR_MS
        one = RunTime(span[1] - span[0], known_ms, ran_ms, seen.starts, by_station=True)
    if starts is not None:
        counts, known_ms = _counted(conn, starts, span, contract, now_ms)
        one = replace(one, starts=round(counts), starts_known_ms=known_ms)
    return one


def _counted(
    conn: Connection, one: Counted, span: Span, contract: Contract, now_ms: int
) -> tuple[float, int]:
    """Return what a counter of the station counted in a span, and for how long that is known."""
    some = with_open(conn, one, contract, span[0], now_ms)
    inside = [part for part in some if span[0] <= part.from_ms and part.from_ms < span[1]]
    if not inside:
        return 0.0, 0
    whole = join(inside, inside[0].from_ms, inside[-1].to_ms)
    return whole.pulses, min(whole.known_ms, span[1] - span[0])


def _polled(
    conn: Connection, gateway: Gateway, plan: SitePlan, state: Point | None, spans: Sequence[Span]
) -> list[RunTime]:
    if state is None:
        return [RunTime(end - begin, 0, 0.0, 0) for begin, end in spans]
    gap_ms = meter_of(state, plan.site.poll_every_s, gateway.slow_every_s).gap_ms
    first, last = min(begin for begin, _ in spans), max(end for _, end in spans)
    series = raw_series(conn, plan.site_id, state.tag, first - gap_ms, last)
    good = series.quality == Goodness.GOOD
    at_ms, on = series.at_ms[good], series.raw[good].astype(np.bool_)
    return [ran(at_ms, on, span, gap_ms) for span in spans]
