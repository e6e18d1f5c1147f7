"""Two outputs that one point proves: while one is ordered or proven, the other waits.

What that point shows then would be the doing of either, so neither could be proven. Never asked
of an order that stops.
"""

from collections.abc import Iterator

from tallymast.domain.local_times import clock_words
from tallymast.domain.model import Point, Site
from tallymast.domain.orders.feedback import GRACE_MS
from tallymast.domain.orders.model import Order, Proof
from tallymast.domain.orders.situation import Situation, at_words, is_under_way


def proven_beside(site: Site, point: Point) -> tuple[Point, ...]:
    """Return the other outputs of a site that the same point proves."""
    if point.feedback is None:
        return ()
    return tuple(
        one
        for one in site.points
        if one.tag != point.tag
        and one.feedback is not None
        and one.feedback.tag == point.feedback.tag
    )


def not_provable(situation: Situation) -> Iterator[str]:
    """Yield which order to an output beside has to end first, and by when that surely has."""
    others = {one.tag: one for one in proven_beside(situation.site, situation.point)}
    for order in situation.beside:
        other = others.get(order.tag)
        if other is None:
            continue
        if words := _open(order, other, situation):
            yield f"{_first(order, other, situation)} {words}"
            return


def _open(order: Order, other: Point, situation: Situation) -> str:
    """Return that an order is not over yet, as a sentence; empty where it is."""
    if is_under_way(order, situation.now_ms):
        return "It is still under way: wait until it has ended."
    if order.feedback is not Proof.WAITING or order.sent_ms is None or other.feedback is None:
        return ""
    ends_ms = order.sent_ms + round(1000 * other.feedback.within_s) + GRACE_MS
    if situation.now_ms >= ends_ms:
        return ""
    ends = clock_words(-(-ends_ms // 1000) * 1000, situation.now_ms, situation.zone, seconds=True)
    return f"Its effect is waited for: that ends by {ends} at the latest."


def _first(order: Order, other: Point, situation: Situation) -> str:
    rule = situation.point.feedback
    watched = situation.site.point(rule.tag) if rule is not None else None
    name = watched.name if watched is not None else "One point"
    at = at_words(situation, order.made_ms)
    return (
        f"{name} proves {other.name} as well as {situation.point.name}, and {other.name} was"
        f" ordered at {at} by {order.actor}: now neither could be proven."
    )
