"""Brings together all that decides whether an output may be operated now; pages and desk ask it.

What follows of it is decided in domain/orders/rules.py.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final, Protocol
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from tallymast.domain.desks import Desk, Standstill
from tallymast.domain.leaving import still_out
from tallymast.domain.local_times import local_time
from tallymast.domain.model import Point, SitePlan
from tallymast.domain.orders.limits import least_repeat_s, longest_pulse_s, start_limits
from tallymast.domain.orders.model import Order, OrderKind, Proof, Wanted
from tallymast.domain.orders.rules import Situation
from tallymast.domain.orders.shared_proof import proven_beside
from tallymast.domain.orders.situation import HOUR_MS
from tallymast.domain.zones import find_zone
from tallymast.routes.services import LiveView, NetworkView, StorageCondition
from tallymast.routes.standings import site_readings
from tallymast.storage import episodes, keys, notes, orders, output_history, tag_outs

_NOTES: Final = 100


class Pieces(Protocol):
    """What a situation is made of besides the database."""

    @property
    def live(self) -> LiveView:
        """The newest states."""

    @property
    def network(self) -> Callable[[], NetworkView]:
        """The network as it is now."""

    @property
    def storage_condition(self) -> Callable[[], StorageCondition]:
        """How storing goes."""

    @property
    def desks(self) -> Callable[[], tuple[Standstill, ...]]:
        """Which desks stand still."""


@dataclass(frozen=True)
class Around:
    """The pieces, where there are no services: beside the poller, by the desk that sends."""

    live: LiveView
    network: Callable[[], NetworkView]
    storage_condition: Callable[[], StorageCondition]
    desks: Callable[[], tuple[Standstill, ...]] = tuple


def situation_of(
    given: Pieces,
    conn: Connection,
    plan: SitePlan,
    point: Point,
    now_ms: int,
    *,
    but: int | None = None,
) -> Situation:
    """Return all that is known around one output now.

    Args:
        given: live states, network, storage.
        conn: a reading connection.
        plan: the output's site.
        point: the output.
        now_ms: the time of day [UTC ms].
        but: an order that is itself judged, and is not among the recent ones.

    """
    view = given.network()
    gateway, state = view.gateway_of(plan.site_id), given.live.sites().get(plan.site_id)
    off_since_ms, starts = _switched(conn, plan, point, now_ms)
    zone = find_zone(view.time_zone)
    return Situation(
        plan=plan,
        point=point,
        readings={one.tag: one for one in site_readings(gateway, plan, state, now_ms)},
        state=state,
        gateway=given.live.gateways().get(gateway.gateway_id),
        tags=tag_outs.hanging(conn, plan.site_id),
        recent=_recent(conn, plan, point, now_ms, but),
        off_since_ms=off_since_ms,
        starts_last_hour=starts,
        storage_words=_storage_words(given.storage_condition()),
        visitors=visitors(conn, plan, view, now_ms),
        now_ms=now_ms,
        desk_words=_desk_words(given.desks(), now_ms, zone),
        beside=_beside(conn, plan, point, now_ms),
        zone=zone,
    )


def visitors(conn: Connection, plan: SitePlan, view: NetworkView, now_ms: int) -> tuple[str, ...]:
    """Return in sentences who is at a site or on the way there, as far as it was written down."""
    zone = ZoneInfo(view.time_zone)
    at_work = [
        _at_work(one, f"{local_time(one.from_ms, zone):%Y-%m-%d %H:%M}")
        for one in episodes.open_acts(conn)
        if one.kind == "maintenance" and one.site_id == plan.site_id
    ]
    log = notes.of_site(conn, plan.site_id, _NOTES)
    visits = [(one.at_ms, one.text) for one in log if one.kind == "visit"]
    gone = [
        f"{one.name} left for the site at {one.out} and wants to be back by {one.back}; "
        f"{one.knows} knows."
        for one in still_out(visits, now_ms)
    ]
    return (*at_work, *gone)


def _at_work(one: episodes.Episode, since: str) -> str:
    who = one.actor or "Somebody"
    why = one.reason.rstrip(".")
    return (
        f"{who} works there since {since}: {why}." if why else f"{who} works there since {since}."
    )


def _recent(
    conn: Connection, plan: SitePlan, point: Point, now_ms: int, but: int | None
) -> tuple[Order, ...]:
    """Return the output's orders that may still matter, newest first."""
    point_id = keys.point_id(conn, plan.site_id, point.tag)
    if point_id is None:
        return ()
    found = orders.of_point(conn, point_id, now_ms - _look_back_ms(plan, point))
    return tuple(one for one in found if one.id != but)


def _beside(conn: Connection, plan: SitePlan, point: Point, now_ms: int) -> tuple[Order, ...]:
    """Return the orders to outputs with the same proof that are under way or being proven."""
    others = [
        order
        for one in proven_beside(plan.site, point)
        for order in _recent(conn, plan, one, now_ms, None)
        if not order.state.is_over or order.feedback is Proof.WAITING
    ]
    return tuple(sorted(others, key=lambda one: -one.id))


def _look_back_ms(plan: SitePlan, point: Point) -> int:
    """Return how far back anything is asked of an output: an hour, or longer where it must."""
    pause_s = start_limits(plan.site, point).min_off_s or 0.0
    repeat_s = least_repeat_s(point, Wanted(OrderKind.ON, 1.0)) or 0.0
    return HOUR_MS + round(1000 * max(pause_s, repeat_s, longest_pulse_s(point)))


def _switched(
    conn: Connection, plan: SitePlan, point: Point, now_ms: int
) -> tuple[int | None, int | None]:
    """Return since when an output is off, and how often it came on in the last hour."""
    begin_ms, end_ms = now_ms - HOUR_MS, now_ms + 1
    off_since_ms, starts = output_history.history(conn, plan, point, begin_ms, end_ms)
    pause_s = start_limits(plan.site, point).min_off_s or 0.0
    if 1000 * pause_s > HOUR_MS and off_since_ms is not None:
        begin_ms = now_ms - _look_back_ms(plan, point)
        off_since_ms, _ = output_history.history(conn, plan, point, begin_ms, end_ms)
    return off_since_ms, starts


def _desk_words(desks: tuple[Standstill, ...], now_ms: int, zone: tzinfo) -> str:
    """Return why nobody would send an order, with what to do; empty while somebody does."""
    found = next((one for one in desks if one.desk is Desk.ORDERS), None)
    return found.words(now_ms, zone) if found is not None else ""


def _storage_words(condition: StorageCondition) -> str:
    if condition.state == "ok":
        return ""
    return condition.sentence or "The database takes nothing at the moment."
