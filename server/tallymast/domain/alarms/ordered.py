"""Whether the newest order to an output ended as ordered.

What a rule of ours refused was never tried, and whoever ordered was told: no alarm. What the
station refused is one, as what was not sent, not confirmed, or not known. It lasts until an order
is confirmed, or for a day; an order under way, or one that was refused here, neither raises nor
ends it.
"""

from tallymast.domain.alarms.model import Condition, Seen
from tallymast.domain.orders.model import Order, OrderKind, OrderState

HELD_MS = 24 * 3_600_000
STEP_MS = 60_000  # ours: how finely "looked at until" follows where nothing is read

_ENDED = {
    OrderState.UNCONFIRMED: "not confirmed",
    OrderState.REFUSED: "refused by the station",
    OrderState.NOT_SENT: "not sent",
    OrderState.UNKNOWN: "not known whether it was sent",
}


def judge_order(order: Order | None, now_ms: int) -> Seen:
    """Judge the newest order to an output; each look counts as a reading."""
    still_ms = now_ms // STEP_MS * STEP_MS
    if order is None or not 0 <= now_ms - order.state_ms < HELD_MS:
        return Seen(Condition.NORMAL, still_ms, "")
    if order.state is OrderState.CONFIRMED:
        return Seen(Condition.NORMAL, still_ms, f"order {_ordered(order)}: confirmed")
    if not order.state.is_bad or (order.state is OrderState.REFUSED and not order.code):
        return Seen(Condition.NORMAL, still_ms, "", back=True)
    why = f". {order.reason}" if order.reason else ""
    words = f"order {_ordered(order)}: {_ENDED[order.state]}{why}"
    return Seen(Condition.ABNORMAL, now_ms, words, since_ms=order.state_ms)


def _ordered(order: Order) -> str:
    wanted = order.wanted
    if wanted.kind is OrderKind.PULSE:
        return f"pulse of {wanted.duration_s:g} s" if wanted.duration_s is not None else "pulse"
    if wanted.kind is OrderKind.SETPOINT:
        return f"set-point {wanted.want:g}" if wanted.want is not None else "set-point"
    return wanted.kind.value
