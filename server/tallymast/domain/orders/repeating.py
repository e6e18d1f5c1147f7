"""How soon an output that its station holds for a while may be ordered the same once more.

A held output is ordered again to keep it up, and that costs the channel and the output each
time: at most every quarter of its hold time (common practice, no published source). Never asked
of an order that stops.
"""

from collections.abc import Iterator

from tallymast.domain.local_times import clock_words
from tallymast.domain.orders.limits import hold_s, least_repeat_s
from tallymast.domain.orders.model import OrderKind, Wanted
from tallymast.domain.orders.situation import Situation, at_words, may_have_gone, shown
from tallymast.domain.orders.wording import left_words, span_words


def repeated_too_soon(wanted: Wanted, situation: Situation) -> Iterator[str]:
    """Yield from when on the same order may be repeated.

    Compared is the newest order that was sent, or may have been. One in between that ordered
    something else makes it no repetition, nor is it one where the output surely shows off: then
    it is a start, and what spares the motor decides.
    """
    last = next((one for one in situation.recent if may_have_gone(one)), None)
    least_s = least_repeat_s(situation.point, wanted)
    if last is None or last.sent_ms is None or least_s is None:
        return
    if not _is_same(last.wanted, wanted) or shown(situation, situation.point) == 0:
        return
    passed_ms, least_ms = situation.now_ms - last.sent_ms, round(1000 * least_s)
    if not 0 <= passed_ms < least_ms:  # a clock that was set back tells of no span
        return
    from_ms = -(-(last.sent_ms + least_ms) // 1000) * 1000  # whoever goes by it is not early
    from_words = clock_words(from_ms, situation.now_ms, situation.zone, seconds=True)
    yield (
        f"{situation.point.name} was ordered the same at {at_words(situation, last.sent_ms)}, and"
        f" {_held(wanted, situation)}: it may be repeated from {from_words} on, in"
        f" {left_words(least_ms - passed_ms)}, when a quarter of that time has passed. Off may be"
        " ordered at any time."
    )


def _held(wanted: Wanted, situation: Situation) -> str:
    span = span_words(hold_s(situation.point, wanted) or 0.0)
    if wanted.kind is OrderKind.PULSE:
        return f"runs for {span} by that"
    return f"its station keeps it on for {span} without a poll"


def _is_same(one: Wanted, other: Wanted) -> bool:
    """Whether two orders ask for the same; on-times are kept in whole milliseconds."""
    kinds = one.kind is other.kind and one.want == other.want
    return kinds and round(1000 * (one.duration_s or 0)) == round(1000 * (other.duration_s or 0))
