"""What points counted, as people ask for it: volumes of days and months with all that is unsure.

The one place where segments, factors and adjustments meet.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from sqlalchemy import Connection

from tallymast.domain.record.days import Contract, begin_of
from tallymast.domain.record.months import end_of, month_of
from tallymast.domain.totals.adjustments import PULSES, Adjustment, adjusted
from tallymast.domain.totals.factors import Factor, Volume, in_force, volume
from tallymast.domain.totals.month_figures import NO_UNIT, Figures
from tallymast.domain.totals.segments import Segment, join
from tallymast.storage import adjustments, k_factors
from tallymast.storage.volume_hours import Counted, segments, with_open

Span = tuple[int, int]  # from_ms <= t < to_ms, UTC milliseconds


@dataclass(frozen=True, slots=True)
class Booked:
    """What a point counted in a span.

    Attributes:
        counted: in counts of its register.
        volume: the same as volume; None where no factor is known, or not one unit holds.
        adjusted: what people added or took away [unit of the volume; else pulses].
        factors: volume of a pulse, of every factor that held, in the order of time.

    """

    counted: Segment
    volume: Volume | None
    adjusted: Fraction = Fraction(0)
    factors: tuple[Fraction, ...] = ()

    @property
    def unit(self) -> str:
        """Of the volume; pulses where there is none."""
        return NO_UNIT if self.volume is None else self.volume.unit

    @property
    def total(self) -> Fraction:
        """What passed for sure, with adjustments [unit]."""
        counted = Fraction(self.counted.pulses) if self.volume is None else self.volume.amount
        return counted + self.adjusted


def booked(
    conn: Connection,
    one: Counted,
    spans: Sequence[Span],
    contract: Contract,
    now_ms: int | None = None,
) -> list[Booked]:
    """Return what a point counted in each of some spans.

    Args:
        conn: in one read transaction.
        one: the point, from ``volume_keeping.counted_points``.
        spans: ascending; hours, contract days or months.
        contract: when days begin.
        now_ms: the hours that are not closed yet are worked out up to here; None: kept ones only.

    """
    if not spans:
        return []
    first, last = spans[0][0], spans[-1][1]
    if now_ms is not None and last > now_ms - now_ms % 3_600_000 - 2 * 3_600_000:
        some = with_open(conn, one, contract, first, now_ms)
    else:
        some = segments(conn, one.point_id, first, last)
    factors = k_factors.factors(conn, one.point_id, one.point)
    changes = adjustments.of_point(conn, one.point_id, first, last)
    found = []
    for begin, end in spans:
        inside = [part for part in some if begin <= part.from_ms and part.to_ms <= end]
        found.append(told(inside, (begin, end), factors, changes))
    return found


def told(
    inside: Sequence[Segment],
    span: Span,
    factors: Sequence[Factor],
    changes: Sequence[Adjustment],
) -> Booked:
    """Return what a span's segments stand for.

    Args:
        inside: the segments that lie in the span, ascending; none with a change of factor inside.
        span: which.
        factors: of the point, ascending in time.
        changes: adjustments that touch the span.

    """
    begin, end = span
    amount = volume(inside, factors) if factors else None
    held = in_force(factors, begin)
    unit = PULSES if amount is None else amount.unit
    added = adjusted(changes, span, unit, held.per_pulse if held else None)
    used = [held, *(factor for factor in factors if begin < factor.from_ms < end)]
    each = tuple(factor.per_pulse for factor in used if factor is not None)
    return Booked(join(inside, begin, end), amount, added, each)


def month_span(month: date, contract: Contract) -> Span:
    """Return begin and end of the contract month of a date."""
    first = month_of(month)
    return begin_of(first, contract), end_of(first, contract)


def figures(one: Booked) -> Figures:
    """Return a booked month as the figures that are closed."""
    counted, amount = one.counted, one.volume
    if amount is None:
        amount = Volume(
            NO_UNIT,
            Fraction(counted.pulses),
            Fraction(counted.estimated),
            None if counted.unknown is None else Fraction(counted.unknown),
            None if counted.unproven is None else Fraction(counted.unproven),
        )
    return Figures(
        amount.unit,
        amount.amount,
        one.adjusted,
        amount.estimated,
        amount.unknown,
        amount.unproven,
        counted.pulses,
        counted.known_ms,
        counted.span_ms,
        counted.open,
        counted.close,
        one.factors,
    )
