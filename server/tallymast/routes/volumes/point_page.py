"""One counting point: the days of a month, what was changed by hand, how the month was closed."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from tallymast.domain.record.days import date_of
from tallymast.domain.totals.adjustments import Adjustment, standing
from tallymast.domain.totals.factors import BEGINNING_MS, Factor
from tallymast.domain.totals.hand_index import OPERATIONAL
from tallymast.domain.totals.meters import doubts
from tallymast.domain.totals.month_figures import Figures, corrections
from tallymast.domain.totals.written import as_typed
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.volumes.bars import LARGE, Bars, draw
from tallymast.routes.volumes.beside import kept_of
from tallymast.routes.volumes.event_lines import EventLine, event_lines
from tallymast.routes.volumes.periods import Period, day_words, spans_of, the_period
from tallymast.routes.volumes.points import Stood, the_counted
from tallymast.routes.volumes.present import read_until
from tallymast.routes.volumes.words import (
    Figure,
    amount,
    count_of,
    decimals,
    ends,
    factor_words,
    figure,
)
from tallymast.storage import adjustments, k_factors, month_closes, volume_days, volume_hours
from tallymast.storage.month_closes import MonthClose
from tallymast.storage.volume_days import Told
from tallymast.storage.volumes import figures

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class DayRow:
    """A contract day; None of it is known where it lies before the record."""

    day: date
    words: str
    open: str
    close: str
    figure: Figure
    events: tuple[EventLine, ...]
    told: Told


@dataclass(frozen=True, slots=True)
class ClosedAs:
    """One version of a closed month, in words."""

    version: int
    at_ms: int
    actor: str
    total: str
    known: str
    note: str


@dataclass(frozen=True)
class PointMonth:
    """A point's month.

    Attributes:
        stood: which point.
        whole: all of it.
        open: what the register showed at its beginning, in words.
        close: what it showed at its end, or at the last reading.
        days: those that have begun, ascending.
        bars: the same as a drawing.
        top: what the drawing's upper end stands for.
        versions: how it was closed, the oldest first.
        moved: what changed since it was closed last, in sentences.
        factors: in words, each with the instant from which it holds; None: from the beginning.
        adjusted: adjustments that touch it.
        undone: which of these were taken back, by number.
        doubts: what somebody should say of the point, in sentences.
        until_ms: when the newest reading was that is told of.

    """

    stood: Stood
    whole: Figure
    told: Told
    open: str
    close: str
    days: tuple[DayRow, ...]
    bars: Bars
    top: str
    versions: tuple[ClosedAs, ...]
    moved: tuple[str, ...]
    factors: tuple[tuple[int | None, str], ...]
    adjusted: tuple[Adjustment, ...]
    undone: frozenset[int]
    doubts: tuple[str, ...]
    until_ms: int


@router.get("/volumes/{key}/{tag}")
def point_page(
    request: Request,
    key: str,
    tag: str,
    given: Given,
    show: Show,
    month: Annotated[str, Query(max_length=7)] = "",
) -> HTMLResponse:
    """Show a counting point's month."""
    network = given.network()
    contract = contract_of(network)
    period = the_period(month, 0, contract, given.now_ms())
    with given.database.reading() as conn:
        stood = the_counted(conn, network, key, tag)
        found = read_month(conn, given, stood, period)
    context = {
        "found": found,
        "period": period,
        "kept": kept_of(key, tag),
        "amount": amount,
        "exact": as_typed,
        "site": key,
        "tag": tag,
        "area": "",
        "last": 0,
        "contract": f"{network.contract_hour:02d}:00 {network.contract_zone or network.time_zone}",
        "operational": OPERATIONAL,
    }
    return show.page(request, "volume_point.html", context)


def read_month(conn: Connection, given: Services, stood: Stood, period: Period) -> PointMonth:
    """Return a point's month, up to its last reading where it goes on."""
    network, now_ms = given.network(), given.now_ms()
    contract, one, both = contract_of(network), stood.counted, stood.both_ways
    spans = spans_of(period.days, contract, period.end_ms)
    told = volume_days.of_point(conn, one, spans, contract, now_ms)
    events = volume_hours.events(conn, one.point_id, period.begin_ms, period.end_ms)
    lines = event_lines(events, network, contract, both_ways=both)
    factors = k_factors.factors(conn, one.point_id, one.point)
    changes = adjustments.of_point(conn, one.point_id, period.begin_ms, period.end_ms)
    pieces = [piece for day in told for piece in day.pieces]
    end_ms = told[-1].span[1] if told else period.begin_ms
    whole = volume_days.of(pieces, (period.begin_ms, end_ms), factors, changes)
    closes = month_closes.versions(conn, one.point_id, period.month)
    opened, closed = ends(pieces, whole.span)
    bars = draw(told, len(period.days), size=LARGE, both_ways=both)
    kept = {change.id for change in standing(changes)}
    return PointMonth(
        stood,
        figure(whole, both_ways=both),
        whole,
        count_of(opened),
        count_of(closed),
        tuple(_day(day, date_of(day.span[0], contract), lines, both_ways=both) for day in told),
        bars,
        amount(Fraction(bars.top), whole.booked.unit, decimals(whole.booked)),
        tuple(_closed(close) for close in closes),
        corrections(closes[-1].figures, figures(whole.booked)) if closes else (),
        tuple(_factor(factor) for factor in factors),
        tuple(change for change in changes if change.reverses_id is None),
        frozenset(change.id for change in changes if change.id not in kept),
        doubts(one.point),
        read_until(given, [stood], end_ms),
    )


def _day(told: Told, day: date, lines: Sequence[EventLine], *, both_ways: bool) -> DayRow:
    opened, closed = ends(told.pieces, told.span)
    return DayRow(
        day,
        day_words(day),
        count_of(opened),
        count_of(closed),
        figure(told, both_ways=both_ways),
        tuple(
            line for line in lines if line.span[1] > told.span[0] and line.span[0] < told.span[1]
        ),
        told,
    )


def _closed(one: MonthClose) -> ClosedAs:
    said, kept = one.figures, one.figures.known_ms >= one.figures.span_ms
    known = "all of it known" if kept else f"{100 * said.known_share:.2f}\u00a0% known"
    return ClosedAs(one.version, one.at_ms, one.actor, closed_words(said), known, one.note)


def closed_words(one: Figures) -> str:
    """Return a closed month's volume, as it was closed."""
    return amount(one.total, one.unit, one.decimals)


def _factor(one: Factor) -> tuple[int | None, str]:
    return (None if one.from_ms == BEGINNING_MS else one.from_ms), factor_words(one)
