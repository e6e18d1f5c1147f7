"""What guards starting: a fresh value, interlock, selector, minimum off time, starts an hour.

None of it is ever asked of an order that stops. What is not surely known is not held.
"""

import operator
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise

from tallymast.domain.model import Interlock, Point, PointKind, Quality, Reading, WordLayout
from tallymast.domain.orders.limits import start_limits
from tallymast.domain.orders.model import Order, OrderKind
from tallymast.domain.orders.situation import (
    HOUR_MS,
    Situation,
    at_words,
    is_fresh,
    may_have_gone,
    number,
    oldest_ms,
    shown,
    unread_order,
)
from tallymast.domain.orders.wording import (
    ago_words,
    contact_word,
    either,
    left_words,
    number_words,
    span_words,
    value_words,
)

_STARTS = (OrderKind.ON, OrderKind.PULSE)
_COMPARED: Mapping[str, tuple[Callable[[float, float], bool], str]] = {
    "==": (operator.eq, ""),
    "!=": (operator.ne, "not "),
    "<": (operator.lt, "below "),
    "<=": (operator.le, "at most "),
    ">": (operator.gt, "above "),
    ">=": (operator.ge, "at least "),
}


# --- what the output shows itself -----------------------------------------------------------


def value_unknown(situation: Situation) -> Iterator[str]:
    """Yield why nobody knows what the output does now."""
    point = situation.point
    if (unread := unread_order(situation)) is not None and unread.sent_ms is not None:
        at = at_words(situation, unread.sent_ms)
        yield f"{point.name} was not read since the order of {at}. Poll the site first."
    elif doubt := unsure(situation, point):
        yield f"{doubt} Poll the site first."


def unsure(situation: Situation, point: Point) -> str:
    """Return why a point's value is not surely known, with its age; empty where it is."""
    reading = situation.readings.get(point.tag)
    if is_fresh(situation, reading):
        return ""
    if point.tag in situation.plan.refused:
        return f"{point.name} has no value: the station refuses its register."
    if reading is None or reading.at_ms is None:
        return f"{point.name} has no value: not read yet."
    return f"{point.name} {_doubt(situation, reading, reading.at_ms)}"


def _doubt(situation: Situation, reading: Reading, at_ms: int) -> str:
    read = f"read at {at_words(situation, at_ms)}"
    if reading.value is None or reading.quality is Quality.NONE:
        return f"has no value, {read}: {reading.reason}."
    if reading.quality is Quality.SUSPECT:
        return f"is doubtful, {read}: {reading.reason}."
    if at_ms > situation.now_ms:
        return "was read before the clock was set back: nobody knows how long ago."
    limit = span_words(oldest_ms(situation.site) / 1000)
    return f"was last {read}; it may be acted on for {limit}."


# --- other points of the station ------------------------------------------------------------


def not_released(situation: Situation) -> Iterator[str]:
    """Yield which interlock is not held, or not known, and whether the selector is in Auto."""
    point = situation.point
    if point.interlock is not None:
        yield from _interlock(situation, point.interlock)
    if point.auto is not None:
        yield from _selector(situation, point.auto)


def _interlock(situation: Situation, interlock: Interlock) -> Iterator[str]:
    name, other = situation.point.name, situation.site.point(interlock.tag)
    if other is None:
        yield f"The interlock of {name} names {interlock.tag}, which is not there: it is not held."
        return
    rule = f"{name} is only operated while {other.name} is {condition_words(interlock, other)}"
    value = shown(situation, other)
    if value is None:
        yield f"{rule}, and that is not known. {unsure(situation, other)}"
    elif not is_held(interlock, value):
        yield f"{rule}; it is {value_words(other, value)}."


def is_held(interlock: Interlock, value: float) -> bool:
    """Whether a value meets an interlock's condition."""
    return _COMPARED[interlock.comparison][0](value, interlock.value)


def condition_words(interlock: Interlock, other: Point) -> str:
    """Return an interlock's condition in words: ``healthy``, ``above 10 %``."""
    if other.layout is WordLayout.BOOL:
        held = (bit for bit in (False, True) if is_held(interlock, bit))
        return either(tuple(contact_word(other, bit) for bit in held)) or "in no state there is"
    words = _COMPARED[interlock.comparison][1]
    return f"{words}{number_words(interlock.value, other.unit)}"


def _selector(situation: Situation, tag: str) -> Iterator[str]:
    name, selector = situation.point.name, situation.site.point(tag)
    if selector is None:
        yield f"The selector of {name} is {tag}, which is not there: it is not known to be in Auto."
        return
    value = shown(situation, selector)
    if value is None:
        doubt = unsure(situation, selector)
        yield f"Whether {selector.name} is in Auto is not known. {doubt}"
    elif value == 0:
        yield (
            f"{selector.name} is not in Auto, it shows {contact_word(selector, False)}: {name} is"
            " operated there, not from here."
        )


# --- the motor ------------------------------------------------------------------------------


def too_soon(situation: Situation) -> Iterator[str]:
    """Yield how long the motor has to rest yet, and when it may start again.

    An output that is on already is not started by being ordered on.
    """
    if is_on(situation):
        return
    limits = start_limits(situation.site, situation.point)
    if limits.min_off_s is not None:
        yield from _rest(situation, limits.min_off_s)
    if limits.per_hour is not None:
        yield from _too_often(situation, max(1, int(limits.per_hour)))


def is_on(situation: Situation) -> bool:
    """Whether the output surely shows on, or time left to run."""
    return bool(shown(situation, situation.point))


def _rest(situation: Situation, min_off_s: float) -> Iterator[str]:
    name, least = situation.point.name, span_words(min_off_s)
    if situation.off_since_ms is None:
        yield (
            f"Since when {name} is off is not known: the record does not reach back {least}, and"
            " it has to stay off so long. Wait until it was seen off for that time."
        )
        return
    off_ms = max(situation.now_ms - situation.off_since_ms, 0)
    left_ms = round(min_off_s * 1000) - off_ms
    if left_ms > 0:
        yield (
            f"{name} has been off for {ago_words(off_ms)} and stays off for at least {least}:"
            f" {left_words(left_ms)} left."
        )


def _too_often(situation: Situation, most: int) -> Iterator[str]:
    """Yield when the next start may be.

    What the record counts and what was ordered from here are two views of the same starts; the
    larger one counts. Where all of them are known by their orders the time is exact, else it is
    the latest.
    """
    ordered = start_times(situation)
    count = max(situation.starts_last_hour or 0, len(ordered))
    if count < most:
        return
    leaving = count - most  # so many of the oldest may be forgotten, and one more has to be
    known = leaving < len(ordered)
    until_ms = (ordered[leaving] if known else situation.now_ms) + HOUR_MS
    wait = left_words(until_ms - situation.now_ms)
    at_most = "" if len(ordered) == count else "at most "
    yield (
        f"{situation.point.name} started {_times(count)} in the last hour, and {_times(most)} is"
        f" the most: the next start may be in {at_most}{wait}."
    )


def start_times(situation: Situation) -> tuple[int, ...]:
    """Return when orders of the last hour started the output, or may have, oldest first [ms].

    One that found it on, by an order before, started nothing.
    """
    gone = [one for one in reversed(situation.recent) if may_have_gone(one)]
    begun = [one for first, one in pairwise([None, *gone]) if one and not _went_on(first, one)]
    times = (one.sent_ms for one in begun if one.wanted.kind in _STARTS)
    return tuple(at for at in times if at is not None and at > situation.now_ms - HOUR_MS)


def _went_on(before: Order | None, order: Order) -> bool:
    """Whether an order found the output on by the order before it."""
    if before is None or before.sent_ms is None or order.sent_ms is None:
        return False
    if before.wanted.kind is OrderKind.PULSE:
        return order.sent_ms < before.sent_ms + 1000 * (before.wanted.duration_s or 0)
    return before.wanted.kind is OrderKind.ON


def running_beside(situation: Situation) -> Iterator[tuple[Point, float]]:
    """Yield other outputs proven by the same point that show on now, with what they show."""
    feedback = situation.point.feedback
    for other in situation.site.points:
        if feedback is None or other.feedback is None or other.tag == situation.point.tag:
            continue
        value = number(other, situation.readings.get(other.tag))
        if other.feedback.tag == feedback.tag and value and other.kind is not _ANALOG:
            yield other, value


_ANALOG = PointKind.ANALOG_OUTPUT


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
