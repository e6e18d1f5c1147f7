"""Cuts a line of pulses into hours, and joins hours to days and months, to the pulse.

A cut that lies between two readings parts the pulses between them by time, in whole pulses, so
that any cutting of a span adds up to the same. Where the readings lie close, that moves at
most what one poll counted. Where polls were missed in between, the parts are *estimated*: the
whole is exact, its shares are not. A segment remembers how much of it came in over its
beginning (``lead``) and goes out over its end (``tail``), so that a day knows what of it is
estimated though it was added up from hours: a gap that lies inside the day is none.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import TypeVar

from tallymast.domain.totals.line import CountLine
from tallymast.domain.totals.model import CountStep

Bound = float | None  # None: no bound is known
Number = TypeVar("Number", float, Fraction)


@dataclass(frozen=True, slots=True)
class Segment:
    """What a register counted in ``from_ms <= t < to_ms``.

    Attributes:
        pulses: what is known to have passed.
        lead: of these, what a gap that began earlier brought in.
        tail: of these, what belongs to a gap that ends later.
        through: whether one such gap covers all of it; then lead, tail and pulses are equal.
        known_ms: for how long it is known what passed.
        unknown: the most that passed besides (see ``Step``); None: no bound is known.
        unproven: likewise, if the station had no power where nothing proves that it had.
        open: what the register showed at its beginning; None: not known.
        close: what it showed at its end.

    """

    from_ms: int
    to_ms: int
    pulses: float = 0.0
    lead: float = 0.0
    tail: float = 0.0
    through: bool = False
    known_ms: int = 0
    unknown: Bound = 0.0
    unproven: Bound = 0.0
    open: float | None = None
    close: float | None = None

    @property
    def span_ms(self) -> int:
        """How long it is."""
        return self.to_ms - self.from_ms

    @property
    def estimated(self) -> float:
        """What of its pulses may belong to the time before or after."""
        return self.pulses if self.through else self.lead + self.tail

    @property
    def known_share(self) -> float:
        """For which share of its time it is known what passed, 0..1."""
        return self.known_ms / self.span_ms if self.span_ms else 0.0


def cut(line: CountLine, edges: Sequence[int]) -> list[Segment]:
    """Return the segments between edges that a line reaches into.

    Args:
        line: the pulses.
        edges: ascending instants, UTC milliseconds.

    """
    if len(line) < 2:
        return []
    first, last = int(line.at_ms[0]), int(line.at_ms[-1])
    return [
        _segment(line, begin, end) for begin, end in pairwise(edges) if end > first and begin < last
    ]


def join(segments: Iterable[Segment], from_ms: int, to_ms: int) -> Segment:
    """Return what was counted in a span, from the segments that lie in it, ascending.

    Time of which no segment tells is not known, and a gap does not reach over it.
    """
    whole = Segment(from_ms, from_ms, through=True)
    for one in segments:
        whole = _added(_upto(whole, one.from_ms), one)
    return _upto(whole, to_ms)


def _upto(whole: Segment, to_ms: int) -> Segment:
    if whole.to_ms == to_ms:
        return whole
    return _added(whole, Segment(whole.to_ms, to_ms))


def _added(one: Segment, then: Segment) -> Segment:
    if one.span_ms == 0:
        return then
    return Segment(
        one.from_ms,
        then.to_ms,
        one.pulses + then.pulses,
        one.pulses + then.lead if one.through else one.lead,
        then.pulses + one.tail if then.through else then.tail,
        one.through and then.through,
        one.known_ms + then.known_ms,
        added(one.unknown, then.unknown),
        added(one.unproven, then.unproven),
        one.open,
        then.close,
    )


def added(one: Number | None, then: Number | None) -> Number | None:
    """Return the bound of two spans together; None: no bound is known of one of them."""
    return None if one is None or then is None else one + then


# --- one segment ----------------------------------------------------------------------


def _segment(line: CountLine, begin: int, end: int) -> Segment:
    first, last = int(line.at_ms[0]), int(line.at_ms[-1])
    inside = (max(begin, first), min(end, last))
    pulses = _up_to(line, inside[1]) - _up_to(line, inside[0])
    lead, tail = _over(line, begin, inside), _over(line, end, inside)
    through = lead is not None and tail is not None and _step_at(line, begin) == _step_at(line, end)
    unsure = [one for one in line.marked.values() if one.from_ms < end and one.to_ms > begin]
    return Segment(
        begin,
        end,
        pulses,
        pulses if through else lead or 0.0,
        pulses if through else tail or 0.0,
        through,
        inside[1] - inside[0] - sum(_dark_ms(one, begin, end) for one in unsure),
        _bound([(one, one.step.unknown) for one in unsure], begin, end),
        _bound([(one, one.step.unproven) for one in unsure], begin, end),
        _shown(line, begin),
        _shown(line, end),
    )


def _step_at(line: CountLine, at_ms: int) -> int | None:
    """Return the step an instant lies within, None where it is a reading's or outside."""
    n = int(line.at_ms.searchsorted(at_ms, side="right")) - 1
    if n < 0 or n >= len(line) - 1 or int(line.at_ms[n]) == at_ms:
        return None
    return n


def _up_to(line: CountLine, at_ms: int) -> float:
    """Return the pulses from the line's beginning up to an instant of it."""
    n = int(line.at_ms.searchsorted(at_ms, side="right")) - 1
    before = line.pulses[:n].sum().item()
    return float(before + _part(line, n, at_ms))


def _part(line: CountLine, n: int, at_ms: int) -> float:
    """Return the pulses of step ``n`` up to an instant within it."""
    if n >= len(line.pulses):
        return 0.0
    begin, end = int(line.at_ms[n]), int(line.at_ms[n + 1])
    moved = line.pulses[n].item()
    if isinstance(moved, int):
        return moved * (at_ms - begin) // (end - begin)
    return float(moved * (at_ms - begin) / (end - begin))


def _over(line: CountLine, edge: int, inside: tuple[int, int]) -> float | None:
    """Return what of the pulses of a gap over an edge lies inside; None: no gap is there."""
    n = _step_at(line, edge)
    if n is None:
        return None
    begin, end = int(line.at_ms[n]), int(line.at_ms[n + 1])
    if end - begin <= line.meter.gap_ms:
        return None
    return _up_to(line, min(end, inside[1])) - _up_to(line, max(begin, inside[0]))


def _shown(line: CountLine, at_ms: int) -> float | None:
    """Return what the register showed at an instant, None where that is not known."""
    n = int(line.at_ms.searchsorted(at_ms, side="right")) - 1
    if n < 0 or (n == len(line) - 1 and int(line.at_ms[n]) != at_ms):
        return None
    if n in line.marked and line.marked[n].step.unknown != 0 and int(line.at_ms[n]) != at_ms:
        return None
    shown = line.count[n].item() + _part(line, n, at_ms)
    modulus = line.meter.modulus
    return float(shown if modulus is None else shown % modulus)


def _share(one: CountStep, begin: int, end: int) -> tuple[int, int]:
    """Return how long a step lies within a span, and how long it is [ms]."""
    return min(end, one.to_ms) - max(begin, one.from_ms), one.to_ms - one.from_ms


def _dark_ms(one: CountStep, begin: int, end: int) -> int:
    return 0 if one.step.unknown == 0 else _share(one, begin, end)[0]


def _bound(some: Sequence[tuple[CountStep, Bound]], begin: int, end: int) -> Bound:
    total = 0.0
    for one, most in some:
        if most is None:
            return None
        inside, whole = _share(one, begin, end)
        total += most if inside == whole else most * inside / whole
    return total
