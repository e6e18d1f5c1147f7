"""Counted spans one by one, as files and the API list them: nulls for what is not known."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

from sqlalchemy import Connection

from tallymast.domain.record.days import Contract, date_of, days_between
from tallymast.domain.record.months import end_of, month_of
from tallymast.domain.totals.model import CountStep
from tallymast.routes.volumes.periods import HOUR_MS
from tallymast.routes.volumes.points import Stood
from tallymast.routes.volumes.words import ends, parts
from tallymast.storage import volume_days, volume_hours
from tallymast.storage.volume_days import Told
from tallymast.storage.volumes import Span

Resolution = Literal["hour", "day", "month"]
RESOLUTIONS: Final[tuple[Resolution, ...]] = ("hour", "day", "month")


@dataclass(frozen=True, slots=True)
class Listed:
    """What a point counted in one span.

    Attributes:
        stood: which point.
        told: the span with all that is known of it.
        volume: what is known to have passed, with adjustments; None: nothing is known.
        unknown: the most that passed besides; None: no bound is known.
        unproven: likewise, if the station had no power where nothing proves that it had.
        estimated: how much of the volume may belong to the span before or after.
        open: what the register showed at its beginning; None: not known.
        close: what it showed at its end.
        events: where it did not simply climb.

    """

    stood: Stood
    told: Told
    volume: Fraction | None
    unknown: Fraction | None
    unproven: Fraction | None
    estimated: Fraction
    open: float | None
    close: float | None
    events: tuple[CountStep, ...]

    @property
    def unit(self) -> str:
        """Of the volumes; pulses where no factor is known."""
        return self.told.booked.unit

    @property
    def pulses(self) -> float | None:
        """What was counted; None: nothing is known."""
        return None if self.volume is None else self.told.counted.pulses

    @property
    def known_share(self) -> float:
        """For which share of the time it is known what passed, 0..1."""
        return self.told.counted.known_share


def spans_in(resolution: Resolution, span: Span, contract: Contract) -> list[Span]:
    """Return the hours, contract days or months that begin in a span, ascending."""
    begin, end = span
    if resolution == "hour":
        first = -(-begin // HOUR_MS) * HOUR_MS
        return [(at_ms, at_ms + HOUR_MS) for at_ms in range(first, end, HOUR_MS)]
    days = days_between(begin, end, contract)
    if resolution == "day":
        return [(day.start_ms, day.end_ms) for day in days]
    found = []
    for day in days:
        first_day = date_of(day.start_ms, contract)
        if first_day.day == 1:
            found.append((day.start_ms, end_of(month_of(first_day), contract)))
    return found


def listed(
    conn: Connection, one: Stood, spans: Sequence[Span], contract: Contract, now_ms: int
) -> list[Listed]:
    """Return what a point counted in each of some spans that have begun."""
    told = volume_days.of_point(conn, one.counted, spans, contract, now_ms)
    if not told:
        return []
    ends_ms = told[0].span[0], told[-1].span[1]
    events = volume_hours.events(conn, one.counted.point_id, *ends_ms)
    return [_listed(one, part, events) for part in told]


def _listed(one: Stood, told: Told, events: Sequence[CountStep]) -> Listed:
    begin, end = told.span
    unknown, unproven, estimated = parts(told.booked)
    is_known = told.counted.known_ms > 0 or bool(told.booked.adjusted)
    loose = told.loose_ms > 0
    return Listed(
        one,
        told,
        told.booked.total if is_known else None,
        None if loose else unknown,
        None if loose else unproven,
        estimated,
        *ends(told.pieces, told.span),
        tuple(step for step in events if step.to_ms > begin and step.from_ms < end),
    )
