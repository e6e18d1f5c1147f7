"""One contract day of a counting point, hour by hour: counts, volume, events, the factor."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from tallymast.domain.record.days import begin_of
from tallymast.domain.totals.hand_index import OPERATIONAL
from tallymast.domain.totals.wording import Clock, known_words
from tallymast.routes.problems import Problem
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.screens import Show
from tallymast.routes.services import Given
from tallymast.routes.volumes.event_lines import clock_of, event_lines
from tallymast.routes.volumes.periods import HOUR_MS, day_words
from tallymast.routes.volumes.points import the_counted
from tallymast.routes.volumes.present import read_until
from tallymast.routes.volumes.words import Figure, count_of, ends, factors_words, figure
from tallymast.storage import adjustments, k_factors, volume_days, volume_hours
from tallymast.storage.volume_days import Told
from tallymast.storage.volumes import Span

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class HourRow:
    """An hour, or what of one lies in the day."""

    begins: str
    ends: str
    open: str
    close: str
    pulses: str
    figure: Figure


@router.get("/volumes/{key}/{tag}/{day}")
def day_page(
    request: Request, key: str, tag: str, day: str, given: Given, show: Show
) -> HTMLResponse:
    """Show one contract day by hours."""
    network, now_ms = given.network(), given.now_ms()
    contract, first = contract_of(network), _date(day)
    span = begin_of(first, contract), begin_of(first + timedelta(days=1), contract)
    if span[0] > now_ms:
        raise Problem(422, f"The contract day {first} has not begun yet.")
    with given.database.reading() as conn:
        stood = the_counted(conn, network, key, tag)
        one = stood.counted
        told = volume_days.of_point(conn, one, hours_of(span), contract, now_ms)
        events = volume_hours.events(conn, one.point_id, *span)
        factors = k_factors.factors(conn, one.point_id, one.point)
        changes = adjustments.of_point(conn, one.point_id, *span)
    pieces = [piece for hour in told for piece in hour.pieces]
    end_ms = told[-1].span[1] if told else span[0]
    whole = volume_days.of(pieces, (span[0], end_ms), factors, changes)
    opened, closed = ends(pieces, whole.span)
    clock = clock_of(network)
    context = {
        "stood": stood,
        "day": first,
        "day_words": f"{day_words(first)} {first.year}",
        "begin_ms": span[0],
        "end_ms": span[1],
        "until_ms": read_until(given, [stood], end_ms),
        "goes_on": span[1] > now_ms,
        "hours": (span[1] - span[0]) / HOUR_MS,
        "whole": figure(whole, both_ways=stood.both_ways),
        "known": known_words(whole.counted, "day"),
        "factor": factors_words(whole.booked),
        "open": count_of(opened),
        "close": count_of(closed),
        "rows": _rows(told, clock, both_ways=stood.both_ways),
        "events": event_lines(events, network, contract, both_ways=stood.both_ways)[::-1],
        "changes": changes,
        "before": (first - timedelta(days=1)).isoformat(),
        "after": (first + timedelta(days=1)).isoformat() if span[1] <= now_ms else "",
        "operational": OPERATIONAL,
        "zone": network.time_zone,
    }
    return show.page(request, "volume_day.html", context)


def hours_of(span: Span) -> list[Span]:
    """Return the clock hours of a contract day; its first and last may be parts of one."""
    edges = [span[0], *range(span[0] - span[0] % HOUR_MS + HOUR_MS, span[1], HOUR_MS), span[1]]
    return [(begin, end) for begin, end in itertools.pairwise(edges) if begin < end]


def _rows(told: Sequence[Told], clock: Clock, *, both_ways: bool) -> list[HourRow]:
    found = []
    for one in told:
        opened, closed = ends(one.pieces, one.span)
        counted = one.counted
        pulses = count_of(counted.pulses) if counted.known_ms > 0 else count_of(None)
        found.append(
            HourRow(
                clock(one.span[0]),
                clock(one.span[1]),
                count_of(opened),
                count_of(closed),
                pulses,
                figure(one, both_ways=both_ways),
            )
        )
    return found


def _date(day: str) -> date:
    try:
        found = date.fromisoformat(day)
    except ValueError as error:
        raise Problem(404, f"{day!r} is no day; write it like 2026-03-08.") from error
    if not 1970 <= found.year <= 9000:
        raise Problem(404, "Nothing was recorded then.")
    return found
