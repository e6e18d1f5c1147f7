"""Counting in sentences: what happened to a counter, and how much of a span is known."""

import math
from collections.abc import Callable, Mapping
from typing import Final

from tallymast.domain.life.replacing import count_words
from tallymast.domain.totals.model import CountStep, StepKind
from tallymast.domain.totals.segments import Bound, Segment

Clock = Callable[[int], str]  # an instant as people there read it

_HAPPENED: Final[Mapping[StepKind, str]] = {
    StepKind.FORWARD: "counter climbed",
    StepKind.ROLLOVER: "counter rolled over",
    StepKind.UNPROVEN: "polls missed, and nothing proves that the station had power",
    StepKind.TURNS: "polls missed for so long that the counter may have gone round",
    StepKind.RESTARTED: "station restarted and its counter went on",
    StepKind.NEARBY: "station restarted at some time about",
    StepKind.RESET: "counter restarted",
    StepKind.EITHER: "counter rolled over or restarted, either fits",
    StepKind.JUMP: "counter jumped by more than its greatest rate allows",
    StepKind.BAD: "one reading fits neither side and was passed over",
    StepKind.REPLACED: "another register counts from here on",
}


def event_words(one: CountStep, clock: Clock, *, both_ways: bool = False) -> str:
    """Return what lies between two readings: ``counter restarted 02:14-02:55; 0 to 4 920 …``.

    Args:
        one: the step.
        clock: words an instant.
        both_ways: whether the meter also counts down.

    """
    told = f"{_HAPPENED[one.step.kind]} {clock(one.from_ms)}\u2013{clock(one.to_ms)}"
    parts = [told, unknown_words(one.step.unknown, both_ways=both_ways)]
    if one.step.unproven != 0:
        parts.append(unproven_words(one.step.unproven))
    return "; ".join(part for part in parts if part)


def unknown_words(most: Bound, *, both_ways: bool = False) -> str:
    """Return how many pulses nobody knows of; empty where none are."""
    if most is None:
        return "nobody can say how many pulses are unknown"
    if most == 0:
        return ""
    if both_ways:
        return f"up to {count_words(math.ceil(most))} pulses either way unknown"
    return f"0 to {count_words(math.ceil(most))} pulses unknown"


def unproven_words(most: Bound) -> str:
    """Return what passed besides if the station had no power; empty where it surely had."""
    if most is None:
        return "if it had no power, nobody can say how many pulses more passed"
    return (
        f"if it had none, up to {count_words(math.ceil(most))} pulses more passed" if most else ""
    )


def known_words(one: Segment, what: str = "day") -> str:
    """Return how much of a span is known: ``97 % of the day is known``.

    Never 100 % where anything is not known, and never 0 % where anything is.
    """
    if one.known_ms >= one.span_ms:
        return f"all of the {what} is known"
    if one.known_ms <= 0:
        return f"nothing of the {what} is known"
    percent = min(99, max(1, round(100 * one.known_share)))
    return f"{percent}\u00a0% of the {what} is known"
