"""Set-points: whether one lies in its range, and whether it moves too far within a minute."""

from collections.abc import Iterator

from tallymast.domain.model import Point
from tallymast.domain.orders.limits import set_span
from tallymast.domain.orders.model import Order, OrderKind, OrderState, Wanted
from tallymast.domain.orders.situation import Situation, may_have_gone, shown
from tallymast.domain.orders.wording import left_words, number_words

MINUTE_MS = 60_000
_TINY = 1e-9  # of a step: 0.1 + 0.2 is not more than 0.3


def out_of_range(point: Point, want: float) -> str:
    """Return why a set-point is not in its range; empty where it is."""
    span = set_span(point)
    if span is None:
        return (
            f"Nothing says which set-points {point.name} may take: it has neither set_range nor a"
            " scale. Write set_range in its setup first."
        )
    if span[0] <= want <= span[1]:
        return ""
    ends = " to ".join(number_words(end, point.unit) for end in span)
    return f"{number_words(want, point.unit)} is outside what {point.name} may be set to: {ends}."


def too_fast(situation: Situation, wanted: Wanted) -> Iterator[str]:
    """Yield why a set-point would move more than its rate allows within a minute.

    Compared is what it shows now, and every set-point that was in force, or may have been, in the
    last minute. Where an order went within that minute and what stood before it is not known, it
    waits the minute out.
    """
    rate, now = situation.point.set_rate, shown(situation, situation.point)
    if rate is None or wanted.want is None or now is None:
        return
    lately = _lately(situation)
    before = _in_force_before(situation, lately)
    if lately and before is None:
        yield (
            f"{situation.point.name} was set within the last minute, and from what is not known:"
            f" {_wait(situation, lately)}."
        )
        return
    held = [now, *(one for one in (before,) if one is not None), *_wants(lately)]
    low, high = max(held) - rate, min(held) + rate
    slack = _TINY * rate
    if low - slack <= wanted.want <= high + slack:
        return
    yield _said(situation, wanted.want, (low, high), held, lately)


def _said(
    situation: Situation,
    want: float,
    allowed: tuple[float, float],
    held: list[float],
    lately: list[Order],
) -> str:
    point = situation.point
    step = max(abs(want - one) for one in held)
    words = (
        f"{point.name} would move by {number_words(step, point.unit)} within a minute, and"
        f" {number_words(point.set_rate or 0.0, point.unit)} is the most"
    )
    span = set_span(point) or allowed
    low, high = max(allowed[0], span[0]), min(allowed[1], span[1])
    if low <= high:
        words += f": {number_words(low, point.unit)} to {number_words(high, point.unit)} may be set"
    return f"{words}; {_wait(situation, lately)}." if lately else f"{words}."


def _wait(situation: Situation, lately: list[Order]) -> str:
    newest = max(one.sent_ms or 0 for one in lately)
    return f"more in {left_words(newest + MINUTE_MS - situation.now_ms)}"


def _lately(situation: Situation) -> list[Order]:
    since = situation.now_ms - MINUTE_MS
    return [one for one in _set(situation) if (one.sent_ms or 0) > since]


def _in_force_before(situation: Situation, lately: list[Order]) -> float | None:
    """Return the set-point that stood when the last minute began, where an order confirmed it."""
    older = [one for one in _set(situation) if one not in lately]
    if not older or older[0].state is not OrderState.CONFIRMED:
        return None
    return older[0].wanted.want


def _set(situation: Situation) -> list[Order]:
    return [
        one
        for one in situation.recent
        if may_have_gone(one) and one.wanted.kind is OrderKind.SETPOINT
    ]


def _wants(orders: list[Order]) -> list[float]:
    return [one.wanted.want for one in orders if one.wanted.want is not None]
