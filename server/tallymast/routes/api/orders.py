"""Orders as scripts make and follow them: stored before the reply, the same request once."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field

from tallymast.domain.errors import StorageError
from tallymast.domain.model import Point, PointKind, SitePlan
from tallymast.domain.orders.model import Order, OrderKind, OrderState, Proof, Wanted
from tallymast.domain.orders.rules import wrong
from tallymast.routes.api.finding import any_site, the_site
from tallymast.routes.api.spans import TheSpan
from tallymast.routes.formats import iso
from tallymast.routes.orders.late import end_late
from tallymast.routes.orders.placing import Placed, Seen, place, seen_of
from tallymast.routes.orders.situation import situation_of
from tallymast.routes.orders.tag_acts import point_id_of
from tallymast.routes.orders.wanting import the_output
from tallymast.routes.problems import Problem
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.who import Person, ThePerson
from tallymast.storage import order_list, orders

router = APIRouter(prefix="/api/v1/orders", tags=["orders"])

MOST = 1000
THEY_KNOW = "Somebody is at the site: send `people_know: true` once they know."


class NewOrder(BaseModel):
    """What is to be done to an output; what is not known here is refused, not passed over."""

    model_config = ConfigDict(extra="forbid")

    site: str = Field(max_length=200, description="the site's key")
    tag: str = Field(max_length=200, description="of the output")
    kind: OrderKind
    want: float | None = Field(
        None, allow_inf_nan=False, description="of a set-point, in the point's own unit"
    )
    duration_s: float | None = Field(
        None, allow_inf_nan=False, description="of a pulse: its on-time, which the station ends"
    )
    request_key: str = Field(
        min_length=1,
        max_length=200,
        description="made by whoever asks; the same key with the same content is the same order",
    )
    people_know: bool = Field(False, description="whether people at the site know of it")


class StepItem(BaseModel):
    """One line of an order's history."""

    at: str
    state: OrderState
    detail: str


class Readback(BaseModel):
    """What the output showed when it was read back."""

    value: float | None
    unit: str
    at: str | None


class FeedbackItem(BaseModel):
    """What the feedback point says: a statement of its own beside the read-back."""

    state: Proof
    at: str | None
    says: str


class OrderItem(BaseModel):
    """An order and where it stands."""

    order: int = Field(description="its number, as in GET /orders/{id}")
    request_key: str
    site: str | None = Field(description="the site's key; null where it is gone")
    tag: str
    kind: OrderKind
    want: float | None
    duration_s: float | None
    state: OrderState
    reason: str = Field(description="why it ended so, a sentence; empty while it goes on")
    actor: str
    source: str = Field(description="page, check-out or api")
    seen: str = Field(description="what the output showed when it was ordered")
    seen_at: str | None
    made_at: str
    expires_at: str = Field(description="it is not begun from then on")
    sent_at: str | None
    changed_at: str
    code: int | None = Field(description="the Modbus exception the station answered")
    readback: Readback | None
    feedback: FeedbackItem | None = Field(description="null: the output has no feedback point")


class OrderWithSteps(OrderItem):
    """An order with its history."""

    steps: list[StepItem]


class OrderList(BaseModel):
    """Orders, the newest first; pass ``next`` as ``before`` to go on, null at the end."""

    items: list[OrderItem]
    next: int | None


@router.post("", status_code=202)
def make_order(body: NewOrder, given: Given, person: ThePerson) -> OrderWithSteps:
    """Order an output. A rule that refuses it is a state, not an error: read ``state``.

    404 and 422: no such site or output, or it cannot be asked of it; nothing is stored. 409: the
    request key was used for something else. 503: orders cannot be stored at present.
    """
    plan = the_site(given.network(), body.site)
    point = the_output(plan, body.tag)
    wanted = _wanted(body)
    sentence = wrong(point, wanted)
    if sentence:
        raise Problem(422, sentence)
    placed = _place(given, person, (plan, point), wanted, body)
    assert placed.order is not None
    _is_same(placed.order, plan, point, wanted)
    return _whole(given, placed.order)


@router.get("/{number}")
def one_order(number: int, given: Given) -> OrderWithSteps:
    """Return an order with its steps."""
    with given.database.reading() as connection:
        found = orders.order(connection, number) if 0 < number < 2**63 else None
    found = end_late(given, found)
    if found is None:
        raise Problem(404, f"There was never an order {number}.")
    return _whole(given, found)


@router.get("")
def list_orders(
    given: Given,
    span: TheSpan,
    site: Annotated[str, Query(max_length=200, description="only of this site")] = "",
    state: Annotated[OrderState | None, Query(description="only those that stand so")] = None,
    limit: Annotated[int, Query(ge=1, le=MOST)] = 200,
    before: Annotated[int | None, Query(ge=1, lt=2**62, description="`next` of the page")] = None,
) -> OrderList:
    """List the orders made in a span, the newest first."""
    network = given.network()
    site_id = any_site(network, site).site_id if site else None
    wanted = order_list.Wanted(site_id, state, span.from_ms, span.to_ms)
    with given.database.reading() as connection:
        found = order_list.search(connection, wanted, limit + 1, before)
    items = [_item(network, one) for one in found[:limit]]
    return OrderList(items=items, next=items[-1].order if len(found) > limit else None)


def _wanted(body: NewOrder) -> Wanted:
    if body.kind in (OrderKind.ON, OrderKind.OFF) and body.want is None:
        return Wanted(body.kind, float(body.kind is OrderKind.ON), body.duration_s)
    return Wanted(body.kind, body.want, body.duration_s)


def _place(
    given: Services,
    person: Person,
    where: tuple[SitePlan, Point],
    wanted: Wanted,
    body: NewOrder,
) -> Placed:
    try:
        with given.database.writing() as connection:
            stored = orders.by_key(connection, body.request_key)
            if stored is not None:
                return Placed(stored)
            situation = situation_of(given, connection, *where, given.now_ms())
            if situation.storage_words:
                words = f"Orders cannot be stored now, so none is taken. {situation.storage_words}"
                raise Problem(503, words)
            seen = Seen(body.request_key, "api", *seen_of(situation))
            there = situation.visitors if not body.people_know else ()
            more = (*there, THEY_KNOW) if there else ()
            return place(connection, given, person, wanted, situation, seen, more)
    except StorageError as error:
        words = f"The order could not be stored, so it is not made: {error}"
        raise Problem(503, words) from error


def _is_same(order: Order, plan: SitePlan, point: Point, wanted: Wanted) -> None:
    point_id = point_id_of(plan, point.tag)
    if (order.site_id, order.point_id, order.wanted) != (plan.site_id, point_id, wanted):
        raise Problem(
            409,
            f"This request_key was used for order {order.id}, which asks for something else. "
            "Make another key for another order.",
        )


def _whole(given: Services, order: Order) -> OrderWithSteps:
    with given.database.reading() as connection:
        steps = orders.steps(connection, order.id)
    items = [StepItem(at=iso(one.at_ms) or "", state=one.state, detail=one.detail) for one in steps]
    return OrderWithSteps(**_item(given.network(), order).model_dump(), steps=items)


def _item(network: NetworkView, order: Order) -> OrderItem:
    plans = (*network.sites, *network.retired)
    plan = next((one for one in plans if one.site_id == order.site_id), None)
    point = plan.site.point(order.tag) if plan is not None else None
    return OrderItem(
        order=order.id,
        request_key=order.request_key,
        site=plan.site.key if plan is not None else None,
        tag=order.tag,
        kind=order.wanted.kind,
        want=order.wanted.want,
        duration_s=order.wanted.duration_s,
        state=order.state,
        reason=order.reason,
        actor=order.actor,
        source=order.source,
        seen=order.seen,
        seen_at=iso(order.seen_ms),
        made_at=iso(order.made_ms) or "",
        expires_at=iso(order.expires_ms) or "",
        sent_at=iso(order.sent_ms),
        changed_at=iso(order.state_ms) or "",
        code=order.code or None,
        readback=_readback(order, point),
        feedback=_feedback(order),
    )


def _readback(order: Order, point: Point | None) -> Readback | None:
    if order.readback_ms is None:
        return None
    pulse = point is not None and point.kind is PointKind.PULSE_OUTPUT
    unit = "s" if pulse else point.unit if point is not None else ""
    return Readback(value=order.readback, unit=unit, at=iso(order.readback_ms))


def _feedback(order: Order) -> FeedbackItem | None:
    if order.feedback is Proof.NONE:
        return None
    at = iso(order.feedback_ms)
    return FeedbackItem(state=order.feedback, at=at, says=order.feedback_said)
