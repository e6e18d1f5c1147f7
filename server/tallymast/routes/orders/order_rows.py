"""What lists and pages show of orders, worked out; templates only write it down."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import tzinfo

from tallymast.domain.model import Point, SitePlan
from tallymast.domain.orders.model import Order, OrderKind, Proof
from tallymast.domain.orders.telling import said, words_of
from tallymast.domain.zones import find_zone
from tallymast.routes.orders.order_words import PROOFS, STATES
from tallymast.routes.rows import Mark
from tallymast.routes.services import NetworkView

SOURCES = {"page": "", "api": "by a script", "check-out": "in a check-out"}


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One order as it is listed; ``key`` empty where its site is gone."""

    number: int
    at_ms: int
    actor: str
    key: str
    site: str
    tag: str
    point: str
    asked: str
    mark: Mark
    proof: Mark | None
    says: tuple[str, ...]
    reason: str
    source: str


def order_lines(orders: Iterable[Order], network: NetworkView) -> tuple[OrderLine, ...]:
    """Return orders as they are listed, in their order."""
    plans = {one.site_id: one for one in (*network.sites, *network.retired)}
    zone = find_zone(network.time_zone)
    return tuple(order_line(one, plans.get(one.site_id), zone) for one in orders)


def order_line(order: Order, plan: SitePlan | None, zone: tzinfo) -> OrderLine:
    """Return one order as it is listed."""
    point = plan.site.point(order.tag) if plan is not None else None
    return OrderLine(
        order.id,
        order.made_ms,
        order.actor,
        plan.site.key if plan is not None else "",
        plan.site.name if plan is not None else "a site that is gone",
        order.tag,
        point.name if point is not None else order.tag,
        asked_of(order, point),
        STATES[order.state],
        proof_mark(order),
        said(order, point, zone) if point is not None else (),
        "" if point is not None else order.reason,
        SOURCES.get(order.source, ""),
    )


def proof_mark(order: Order) -> Mark | None:
    """Return the mark of what the feedback says, None where there is none to wait for."""
    return None if order.feedback is Proof.NONE else PROOFS[order.feedback]


def asked_of(order: Order, point: Point | None) -> str:
    """Return what was asked, also of a point that is gone."""
    if point is not None:
        return words_of(order.wanted, point)
    if order.wanted.kind is OrderKind.PULSE:
        return f"on for {order.wanted.duration_s:g} s"
    if order.wanted.kind is OrderKind.SETPOINT:
        return f"to {order.wanted.want:g}"
    return order.wanted.kind.value
