"""Whether an order may go: sentences against it, none where nothing is against it.

Every order is asked whether it is well formed, can be stored and sent, whether a do-not-operate
tag hangs, and whether another one is under way. What guards starting (a fresh value, interlock,
selector, minimum off time, starts an hour, repeating a held output, a proof that two outputs share)
is never asked of an order that stops: a refusal to stop could hurt somebody. Nor is contact:
stopping is tried where nobody may hear it.

These rules are a convenience. What has to hold in any case belongs in the field device.
"""

import math
from collections.abc import Iterator

from tallymast.domain.model import Point, PointKind
from tallymast.domain.orders.limits import longest_pulse_s
from tallymast.domain.orders.model import OrderKind, TagOut, Wanted
from tallymast.domain.orders.reaching import shut, unheard
from tallymast.domain.orders.repeating import repeated_too_soon
from tallymast.domain.orders.setting import out_of_range, too_fast
from tallymast.domain.orders.shared_proof import not_provable
from tallymast.domain.orders.situation import Situation, at_words, is_under_way
from tallymast.domain.orders.starting import not_released, too_soon, value_unknown
from tallymast.domain.orders.wording import KIND_WORDS, either, span_words
from tallymast.domain.orders.writing import pulse_s, request_of

__all__ = (
    "TOKEN_MS",
    "VALIDITY_MS",
    "Situation",
    "choices",
    "refusals",
    "tags_on",
    "wrong",
)

VALIDITY_MS = 30_000  # common practice, no published source: not sent by then, it is not sent
TOKEN_MS = 60_000  # Ours: so long a page that was looked at may be confirmed.

_CHOICES = {
    PointKind.DISCRETE_OUTPUT: (OrderKind.ON, OrderKind.OFF),
    PointKind.PULSE_OUTPUT: (OrderKind.PULSE, OrderKind.OFF),
    PointKind.ANALOG_OUTPUT: (OrderKind.SETPOINT,),
}
_WANT = {OrderKind.ON: 1.0, OrderKind.OFF: 0.0}
_ANY_UNIT = 1


def choices(point: Point) -> tuple[OrderKind, ...]:
    """Return what may be ordered of a point, the preferred one first; empty: nothing.

    A pulse comes first where the point has it: the station ends it itself. Off ends it early.
    """
    return () if point.write is None else _CHOICES.get(point.kind, ())


def wrong(point: Point, wanted: Wanted) -> str:
    """Return why an order makes no sense for a point, whatever the time; empty where it does."""
    offered = choices(point)
    if not offered:
        return f"{point.name} cannot be ordered anything: it is no output that is written."
    if wanted.kind not in offered:
        words = either(tuple(KIND_WORDS[one] for one in offered))
        return f"{point.name} takes {words}, not {KIND_WORDS[wanted.kind]}."
    if words := _wrong_figure(point, wanted):
        return words
    try:
        request_of(_ANY_UNIT, point, wanted)
    except ValueError as error:
        return str(error)
    return ""


def refusals(wanted: Wanted, situation: Situation) -> tuple[str, ...]:
    """Return every reason why an order may not go, as sentences; empty: it may.

    Where nothing can be sent, or nobody answers, what cannot be known for it is not told besides.
    """
    malformed = wrong(situation.point, wanted)
    found = [malformed] if malformed else []
    if situation.storage_words:
        found.append(f"Orders cannot be stored now, so none is sent: {situation.storage_words}")
    if situation.desk_words:
        found.append(situation.desk_words)
    found.extend(_tag_words(one, situation) for one in tags_on(situation))
    silent = list(shut(situation))
    if wanted.kind is OrderKind.OFF:
        return (*found, *silent, *_under_way(wanted, situation))
    silent = silent or list(unheard(situation))
    found.extend([*silent, *_under_way(wanted, situation), *not_provable(situation)])
    if not silent:
        found.extend(_of_starting(wanted, situation, not malformed))
    return tuple(found)


def tags_on(situation: Situation) -> tuple[TagOut, ...]:
    """Return the do-not-operate tags that hang on the output or its whole site."""
    plan, tag = situation.plan, situation.point.tag
    ids = {one.point_id for one in plan.layout.points if one.tag == tag}
    return tuple(
        one
        for one in situation.tags
        if one.site_id == plan.site_id
        and one.removed_ms is None
        and (one.point_id is None or one.point_id in ids or one.tag == tag)
    )


def _wrong_figure(point: Point, wanted: Wanted) -> str:
    if wanted.kind is OrderKind.PULSE:
        return _wrong_pulse(point, wanted)
    if wanted.duration_s is not None:
        return f"An on-time belongs to a pulse, not to {KIND_WORDS[wanted.kind]}."
    if wanted.kind is OrderKind.SETPOINT:
        if wanted.want is None or not math.isfinite(wanted.want):
            return f"{point.name} takes a number, and this is none."
        return out_of_range(point, wanted.want)
    if wanted.want != _WANT[wanted.kind]:
        return f"{KIND_WORDS[wanted.kind].capitalize()} is written as {_WANT[wanted.kind]:.0f}."
    return ""


def _wrong_pulse(point: Point, wanted: Wanted) -> str:
    seconds = wanted.duration_s
    if seconds is None or not math.isfinite(seconds) or seconds <= 0 or wanted.want is not None:
        return f"{point.name} takes an on-time in seconds, more than 0."
    longest = longest_pulse_s(point)
    if seconds > longest:
        return (
            f"{span_words(seconds)} is longer than {point.name} may be on at once:"
            f" {span_words(longest)} at most."
        )
    try:
        pulse_s(point, wanted)
    except ValueError as error:
        return str(error)
    return ""


def _tag_words(tag: TagOut, situation: Situation) -> str:
    where = situation.site.name if tag.point_id is None else situation.point.name
    return (
        f"Do-not-operate tag on {where}, hung by {tag.actor}"
        f" {at_words(situation, tag.at_ms)}: {tag.reason}. Nothing is ordered from"
        " here while it hangs, not even off: stop it at the site, or have it removed with a note"
        " by who hung it or by a supervisor. It is not a lock-out."
    )


def _under_way(wanted: Wanted, situation: Situation) -> Iterator[str]:
    """Yield the order that is under way; off waits for no other than off.

    Orders to one output are sent one after the other, so an off behind an on is the last word.
    """
    for order in situation.recent:
        if not is_under_way(order, situation.now_ms):
            continue
        if wanted.kind is OrderKind.OFF and order.wanted.kind is not OrderKind.OFF:
            continue
        at = at_words(situation, order.made_ms)
        yield (
            f"Another order to {situation.point.name}, made {at} by {order.actor}, is still"
            " under way. Wait until it has ended."
        )
        return


def _of_starting(wanted: Wanted, situation: Situation, is_sound: bool) -> Iterator[str]:
    yield from value_unknown(situation)
    yield from not_released(situation)
    if is_sound:
        yield from repeated_too_soon(wanted, situation)
    if wanted.kind is not OrderKind.SETPOINT:
        yield from too_soon(situation)
    elif is_sound:
        yield from too_fast(situation, wanted)
