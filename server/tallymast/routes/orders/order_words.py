"""How orders, outputs and tags are said: marks, the act on a button, what to do when it is bad."""

from typing import Final

from tallymast.domain.model import Point, PointKind
from tallymast.domain.orders.model import Order, OrderKind, OrderState, Proof, Wanted
from tallymast.domain.orders.wording import span_words, value_words
from tallymast.routes.formats import measure
from tallymast.routes.rows import Mark

OUTPUTS: Final = (
    PointKind.PULSE_OUTPUT,  # first: the station ends a pulse itself, also out of contact
    PointKind.DISCRETE_OUTPUT,
    PointKind.ANALOG_OUTPUT,
)
STATES: Final = {
    OrderState.STORED: Mark("waits to be sent", "ring", "off"),
    OrderState.SENDING: Mark("being sent", "half", "off"),
    OrderState.SENT: Mark("sent, being read back", "half", "off"),
    OrderState.CONFIRMED: Mark("confirmed by read-back", "full", "calm"),
    OrderState.UNCONFIRMED: Mark("not confirmed", "triangle", "watch"),
    OrderState.REFUSED: Mark("refused", "square", "watch"),
    OrderState.NOT_SENT: Mark("not sent", "dash", "off"),
    OrderState.UNKNOWN: Mark("unknown", "octagon", "act"),
}
PROOFS: Final = {
    Proof.WAITING: Mark("waited for", "half", "off"),
    Proof.PROVEN: Mark("proven", "full", "calm"),
    Proof.NOT_PROVEN: Mark("not proven", "octagon", "act"),
    Proof.UNKNOWN: Mark("unknown", "triangle", "watch"),
}
TAGGED: Final = Mark("do not operate", "tag", "watch")
NO_LOCK: Final = (
    "Do-not-operate tag. This is not a lock-out: isolate, lock and test by the site's own "
    "procedure (OSHA 1910.147 or local law)."
)


def act_words(point: Point, site: str, wanted: Wanted) -> str:
    """Return an order as its button names it, ``Switch Pump ON at Dunlin Booster``."""
    match wanted.kind:
        case OrderKind.PULSE:
            return f"Switch {point.name} ON for {span_words(wanted.duration_s or 0)} at {site}"
        case OrderKind.SETPOINT:
            return f"Set {point.name} to {measure(wanted.want or 0.0, point)} at {site}"
        case _:
            off, on = point.words or ("off", "on")
            word = on if wanted.kind is OrderKind.ON else off
            return f"Switch {point.name} {word.upper()} at {site}"


def readback_words(order: Order, point: Point) -> str:
    """Return the value that was read back; empty where none was."""
    return "" if order.readback is None else value_words(point, order.readback)


_NEXT: Final = {
    OrderState.UNCONFIRMED: (
        "The station took the bytes, or may have, and its register does not show what was ordered. "
        "Look at the value below once more before anything else is ordered; if it stays, somebody "
        "has to look at the site."
    ),
    OrderState.REFUSED: "Nothing was changed at the station by this order. Remove the reason, "
    "then order anew.",
    OrderState.NOT_SENT: "No byte of it went out, and none will. Order anew if it is still wanted.",
    OrderState.UNKNOWN: "It may have been done and it may not; it is never sent again by itself. "
    "Treat the output as if it were on: poll the site, read the value, and ask somebody who sees "
    "it before ordering anew.",
}
_NOT_PROVEN: Final = (
    "The output is as ordered, and what it drives does not show it. Do not order again and again: "
    "selector, motor protection, interlocks and the contactor come after the output and are "
    "looked at on the site."
)
_PROOF_UNKNOWN: Final = (
    "No fresh reading came in time to tell. Poll the site, and read the feedback there before "
    "relying on it."
)


def next_step(order: Order) -> str:
    """Return what to do about an order; empty while it goes on and where all is well."""
    if order.state in _NEXT:
        return _NEXT[order.state]
    if order.feedback is Proof.NOT_PROVEN:
        return _NOT_PROVEN
    return _PROOF_UNKNOWN if order.feedback is Proof.UNKNOWN else ""
