"""Gives the demo its standing do-not-operate tag and the orders of a morning; all invented.

Dunlin Booster's pump was ordered off and, a quarter of an hour later, on again. The output
followed both times; the pump did not the second time, because its selector had been turned
meanwhile. It was ordered off until somebody had been there, who put it back on at the panel, as
the log book tells. The troubles' file has the simulated station agree.
"""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection

from tallymast.demo.demonstration import Scene
from tallymast.domain.model import SitePlan
from tallymast.domain.orders.model import OrderKind, OrderState, Proof, Told, Wanted
from tallymast.domain.orders.rules import VALIDITY_MS
from tallymast.domain.zones import find_zone
from tallymast.simulator.fault_file import Moments
from tallymast.storage import order_proofs, orders, people, tag_outs
from tallymast.storage.engine import Database
from tallymast.storage.orders import NewOrder

TAGGED: Final = "hob-gate"
TAG_AT: Final = "D-1 15:40"
TAG_REASON: Final = "lifting chain replaced, not tested"
TAG_BY: Final = "R. Hale"
TAG_ACCOUNT: Final = "r.hale"  # so that its hanger may remove it, once there is an account
ORDERED_BY: Final = "M. Okoro"
WORKER: Final = "demo"


@dataclass(frozen=True, slots=True)
class Story:
    """One invented order to the pump of Dunlin Booster, and what the feedback said [ms, words]."""

    key: str
    at: str
    kind: OrderKind
    seen: str
    proof: Proof
    proof_after_ms: int
    said: str


SITE, OUTPUT = "dunlin-booster", "START"
STORIES: Final = (
    Story(
        "demo-dunlin-off",
        "D-2 05:56",
        OrderKind.OFF,
        "on",
        Proof.PROVEN,
        4_300,
        "stopped (feedback, seen after 4 s)",
    ),
    Story(
        "demo-dunlin-on",
        "D-2 06:12",
        OrderKind.ON,
        "off",
        Proof.NOT_PROVEN,
        30_900,
        "running NOT proven after 30 s: Running shows stopped; Selector is not in Auto",
    ),
    Story(
        "demo-dunlin-off-again",
        "D-2 06:50",
        OrderKind.OFF,
        "on",
        Proof.PROVEN,
        3_800,
        "stopped (feedback, seen after 4 s)",
    ),
)


def demo_orders(database: Database, shown: Scene) -> int:
    """Put the demo's tag and orders in, where they are not yet; return how many were put in."""
    moments = Moments(shown.begun_ms, find_zone(shown.world.network.time_zone))
    sites = {plan.site.key: plan for _, plan in shown.sites}
    with database.writing() as connection:
        done = [
            _order(connection, sites[SITE], story, moments.at_ms(story.at))
            for story in STORIES
            if SITE in sites
        ]
        if TAGGED in sites:
            done.append(_tag(connection, sites[TAGGED].site_id, moments.at_ms(TAG_AT)))
    return sum(done)


def _tag(connection: Connection, site_id: int, at_ms: int) -> bool:
    if tag_outs.history(connection, site_id, 1):
        return False
    account = people.account(connection, TAG_ACCOUNT)
    tag_outs.hang(
        connection,
        site_id,
        point_id=None,
        actor=TAG_BY,
        account_id=account.id if account is not None else None,
        at_ms=at_ms,
        reason=TAG_REASON,
    )
    return True


def _order(connection: Connection, plan: SitePlan, story: Story, at_ms: int) -> bool:
    point_id = next((one.point_id for one in plan.layout.points if one.tag == OUTPUT), None)
    if point_id is None or orders.by_key(connection, story.key) is not None:
        return False
    is_on = story.kind is OrderKind.ON
    new = NewOrder(
        request_key=story.key,
        made_ms=at_ms,
        expires_ms=at_ms + VALIDITY_MS,
        actor=ORDERED_BY,
        account_id=None,
        site_id=plan.site_id,
        point_id=point_id,
        wanted=Wanted(story.kind, float(is_on)),
        seen=story.seen,
        seen_ms=at_ms - 6_200,
    )
    made, _ = orders.make(connection, new)
    orders.claim(connection, made.id, WORKER, at_ms + 180)
    sent_ms, back_ms = at_ms + 410, at_ms + 1_020
    sent = Told(OrderState.SENT, sent_ms, "The station confirmed the write.", sent_ms=sent_ms)
    orders.tell(connection, made.id, sent)
    word = "on" if is_on else "off"
    held = Told(
        OrderState.CONFIRMED,
        back_ms,
        f"Read back: {word}.",
        readback=float(is_on),
        readback_ms=back_ms,
    )
    orders.tell(connection, made.id, held)
    order_proofs.wait(connection, made.id, back_ms)
    found = orders.order(connection, made.id)
    if found is not None:
        told_ms = at_ms + story.proof_after_ms
        order_proofs.prove(connection, found, story.proof, told_ms, story.said)
    return True
