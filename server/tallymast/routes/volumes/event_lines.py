"""What happened to counters, in sentences: restarts, gaps, readings that do not fit."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from tallymast.domain.local_times import local_time
from tallymast.domain.record.days import Contract, date_of
from tallymast.domain.totals.model import CountStep, StepKind
from tallymast.domain.totals.wording import Clock, event_words
from tallymast.domain.zones import find_zone
from tallymast.routes.services import NetworkView
from tallymast.routes.volumes.periods import day_words

_QUIET = (StepKind.ROLLOVER,)  # counted through; nobody has to look


@dataclass(frozen=True, slots=True)
class EventLine:
    """One event.

    Attributes:
        day: the contract day most of it lies in.
        began: the day on the wall clock on which it began.
        span: from when to when, UTC milliseconds.
        words: what it was.
        is_quiet: whether nobody has to look.
        unknown: the most pulses that are unknown; None: no bound is known.

    """

    day: date
    began: date
    span: tuple[int, int]
    words: str
    is_quiet: bool
    unknown: float | None

    def touches(self, span: tuple[int, int]) -> bool:
        """Whether a part of it lies in a span."""
        return self.span[0] < span[1] and self.span[1] > span[0]

    @property
    def day_words(self) -> str:
        """Return ``Mon 23 Nov``."""
        return day_words(self.day)


def clock_of(network: NetworkView) -> Clock:
    """Return what words an instant as ``02:14``; where an hour comes twice with its zone."""
    zone = find_zone(network.time_zone)

    def word(at_ms: int) -> str:
        at = local_time(at_ms, zone)
        early, late = (at.replace(fold=n).utcoffset() for n in (0, 1))
        return f"{at:%H:%M %Z}" if early and late and early > late else f"{at:%H:%M}"

    return word


def event_lines(
    some: Sequence[CountStep], network: NetworkView, contract: Contract, *, both_ways: bool
) -> list[EventLine]:
    """Return events in sentences, the newest first."""
    clock = clock_of(network)
    return [
        EventLine(
            date_of((one.from_ms + one.to_ms) // 2, contract),
            local_time(one.from_ms, find_zone(network.time_zone)).date(),
            (one.from_ms, one.to_ms),
            _with_day(one, event_words(one, clock, both_ways=both_ways), network),
            one.step.kind in _QUIET,
            one.step.unknown,
        )
        for one in reversed(some)
    ]


def _with_day(one: CountStep, words: str, network: NetworkView) -> str:
    """Return the words; where it began on another day than it ended on, with that day."""
    zone = find_zone(network.time_zone)
    began, ended = (local_time(at_ms, zone).date() for at_ms in (one.from_ms, one.to_ms))
    return words if began == ended else f"{words} (since {day_words(began)})"
