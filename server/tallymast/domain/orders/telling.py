"""Says what an order will do, and afterwards what is known of it; minding.py has the cautions.

An output and its effect are two statements: a read-back proves a register, a feedback point
proves a pump. No sentence here says that anything is safe.
"""

from collections.abc import Iterator
from datetime import tzinfo

from tallymast.domain.grammar.reference import notation
from tallymast.domain.local_times import local_time
from tallymast.domain.model import Point, PointKind, WordLayout
from tallymast.domain.orders.minding import cautions
from tallymast.domain.orders.model import Order, OrderKind, OrderState, Proof, Wanted
from tallymast.domain.orders.reaching import unheard
from tallymast.domain.orders.rules import VALIDITY_MS
from tallymast.domain.orders.situation import Situation, age_ms, at_words, number
from tallymast.domain.orders.starting import unsure
from tallymast.domain.orders.wording import (
    contact_word,
    number_words,
    span_words,
    value_words,
)
from tallymast.domain.orders.writing import pulse_s

__all__ = ("cautions", "happens", "said", "words_of")

_SENDING = (
    f"It is sent within {span_words(VALIDITY_MS / 1000)} or not at all, and what was written is"
    " read back."
)


# --- before -------------------------------------------------------------------------------------


def words_of(wanted: Wanted, point: Point) -> str:
    """Return what is wanted in a few words: ``on``, ``on for 15 min``, ``set to 42.5 %``."""
    if wanted.kind is OrderKind.PULSE:
        return f"on for {span_words(_real_s(wanted, point))}"
    if wanted.kind is OrderKind.SETPOINT:
        return f"set to {number_words(wanted.want or 0.0, point.unit)}"
    if point.kind is PointKind.PULSE_OUTPUT:
        return "off, ended now"
    return contact_word(point, wanted.kind is OrderKind.ON)


def happens(wanted: Wanted, situation: Situation) -> tuple[str, ...]:
    """Return what will happen, sentence by sentence, what the station does by itself included."""
    return (
        *_written(wanted, situation),
        *_now(wanted, situation),
        *_ends_itself(wanted, situation.point),
        *_fail_safe(situation),
        *_proof(wanted, situation),
        _SENDING,
        *_not_known(wanted, situation),
    )


def _written(wanted: Wanted, situation: Situation) -> Iterator[str]:
    point, write = situation.point, situation.point.write
    if write is None:
        return
    where = f"{write.table} {write.register} ({notation(write.table, write.register)})"
    yield (
        f"{point.name} at {situation.site.name} goes {words_of(wanted, point)}: {where} is written"
        f" by function {write.function}."
        if wanted.kind is not OrderKind.SETPOINT
        else f"{point.name} at {situation.site.name} is {words_of(wanted, point)}: {where} is"
        f" written by function {write.function}."
    )


def _now(wanted: Wanted, situation: Situation) -> Iterator[str]:
    point, own = situation.point, situation.own
    value, age = number(point, own), age_ms(own, situation.now_ms)
    if value is None or age is None:
        return
    read = f"read at {at_words(situation, situation.now_ms - age)}"
    if (wanted.kind is OrderKind.ON and value) or (wanted.kind is OrderKind.OFF and not value):
        yield (
            f"It shows {value_words(point, value)} already, {read}: a read-back that shows the same"
            " proves no change."
        )
    else:
        yield f"It shows {value_words(point, value)}, {read}."


def _ends_itself(wanted: Wanted, point: Point) -> Iterator[str]:
    if wanted.kind is not OrderKind.PULSE:
        return
    yield (
        f"The station counts {span_words(_real_s(wanted, point))} down and ends it itself, also if"
        " contact is lost meanwhile. Time left of an earlier one is replaced, not added to."
    )
    asked = wanted.duration_s or 0.0
    if asked - _real_s(wanted, point) > asked / 1000:
        count = span_words(point.seconds_per_count or 1.0)
        yield f"{span_words(asked)} was asked for; its counts last {count} each."


def _fail_safe(situation: Situation) -> Iterator[str]:
    point, site = situation.point, situation.site
    safe = point.fail_safe
    if safe is None:
        yield (
            "What the station does with it when it hears nothing is not known: nobody has written"
            " its fail-safe state down."
        )
        return
    to = _falls_to(point, safe.state)
    yield (
        f"If the station hears nothing for {span_words(safe.after_s)} {to}; Tallymast polls it"
        f" every {span_words(site.poll_every_s)}."
    )
    if safe.state != "hold" and site.poll_every_s >= safe.after_s:
        yield "That is too seldom to keep it from falling back between two polls."


def _falls_to(point: Point, state: str) -> str:
    if state == "hold":
        return (
            "it stays as it is"
            if point.kind is not PointKind.PULSE_OUTPUT
            else ("nothing changes, and an on-time still ends")
        )
    if point.kind is PointKind.PULSE_OUTPUT and state == "off":
        return "it ends the on-time at once by itself"
    word = contact_word(point, state == "on") if point.words else state
    return f"it drops to {word} by itself" if state == "off" else f"it goes to {word} by itself"


def _proof(wanted: Wanted, situation: Situation) -> Iterator[str]:
    feedback, name = situation.point.feedback, situation.point.name
    if feedback is None:
        yield f"No point proves what {name} does: the read-back proves the register only."
        return
    watched = situation.site.point(feedback.tag)
    if watched is None:
        return
    within = span_words(feedback.within_s)
    if watched.layout is WordLayout.BOOL:
        effect = f"show {contact_word(watched, wanted.kind is not OrderKind.OFF)}"
    else:
        effect = _moves(wanted, situation.point)
    yield (
        f"{watched.name} has to {effect} within {within}: a statement of its own, as the read-back"
        " proves the register only."
    )


def _moves(wanted: Wanted, point: Point) -> str:
    ends = wanted.kind is OrderKind.OFF and point.kind is PointKind.PULSE_OUTPUT
    return "stand still" if ends else "move"


def _not_known(wanted: Wanted, situation: Situation) -> Iterator[str]:
    """Yield what keeps nobody from stopping, but has to be known."""
    if wanted.kind is OrderKind.OFF:
        if doubt := unsure(situation, situation.point):
            yield f"{doubt} Whether it is on is not known."
        for words in unheard(situation):
            yield f"{words} It is tried all the same; without an answer it ends as not confirmed."


# --- afterwards -----------------------------------------------------------------------------


def said(order: Order, point: Point, zone: tzinfo | None = None) -> tuple[str, ...]:
    """Return what is known of an order: of the output, then, apart, of what proves its effect.

    Args:
        order: as it is stored.
        point: its output.
        zone: whose clock the read-back's time is told by; left out: no time is told.

    Returns:
        One or two sentences without a full stop, as ``output on (read back 12:04:05)`` and
        ``running NOT proven after 30 s; Selector is not in Auto``.

    """
    first = _of_output(order, point, zone)
    second = _of_proof(order, point)
    return (first, second) if second else (first,)


def _of_output(order: Order, point: Point, zone: tzinfo | None) -> str:
    wanted, state = words_of(order.wanted, point), order.state
    if state is OrderState.CONFIRMED:
        back = f"read back{_clock(order.readback_ms, zone)}"
        return f"output {wanted} ({back}{_left(order, point)})"
    if state is OrderState.UNCONFIRMED:
        return f"output NOT confirmed {wanted}: {_unconfirmed(order, point, zone)}"
    return _UNDONE[state].format(wanted=wanted) + (f": {order.reason}" if order.reason else "")


_UNDONE = {
    OrderState.STORED: "{wanted} is stored and waits to be sent",
    OrderState.SENDING: "{wanted} is being sent",
    OrderState.SENT: "{wanted} was sent and is being read back",
    OrderState.REFUSED: "{wanted} was refused",
    OrderState.NOT_SENT: "{wanted} was not sent",
    OrderState.UNKNOWN: "UNKNOWN whether {wanted} was sent, and it is not sent again by itself",
}


def _unconfirmed(order: Order, point: Point, zone: tzinfo | None) -> str:
    if order.readback is None:
        return order.reason or "nothing could be read back"
    words = f"read back{_clock(order.readback_ms, zone)} {value_words(point, order.readback)}"
    if order.wanted.kind is OrderKind.PULSE and order.readback == 0:
        words += ", over already or never begun"
    return f"{words}; {order.reason}" if order.reason else words


def _left(order: Order, point: Point) -> str:
    if order.wanted.kind is not OrderKind.PULSE or order.readback is None:
        return ""
    return f", {value_words(point, order.readback)}"


def _clock(at_ms: int | None, zone: tzinfo | None) -> str:
    return "" if at_ms is None or zone is None else f" {local_time(at_ms, zone):%H:%M:%S}"


def _of_proof(order: Order, point: Point) -> str:
    tag = point.feedback.tag if point.feedback is not None else "its effect"
    if order.feedback_said or order.feedback is Proof.NONE:
        return order.feedback_said
    return {
        Proof.WAITING: f"{tag} is waited for",
        Proof.PROVEN: f"proven by {tag} (feedback)",
        Proof.NOT_PROVEN: f"NOT proven by {tag}",
        Proof.UNKNOWN: f"not known whether {tag} follows",
    }[order.feedback]


def _real_s(wanted: Wanted, point: Point) -> float:
    """Return the on-time as it will be written, or as it was asked where it cannot be."""
    try:
        return pulse_s(point, wanted)
    except ValueError:
        return wanted.duration_s or 0.0
