"""Stores an order that somebody makes: with its steps and its line in the audit, or refused."""

from dataclasses import dataclass

from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.orders.model import Order, OrderState, Told, Wanted
from tallymast.domain.orders.rules import VALIDITY_MS, Situation, refusals
from tallymast.domain.orders.telling import words_of
from tallymast.routes.formats import value_words
from tallymast.routes.orders.order_words import act_words
from tallymast.routes.orders.tag_acts import point_id_of, sentence
from tallymast.routes.services import Services
from tallymast.routes.who import Person, tell
from tallymast.storage import orders
from tallymast.storage.orders import NewOrder


@dataclass(frozen=True, slots=True)
class Seen:
    """Of what an order is made besides: its key, from where, and what was seen of the output."""

    request_key: str
    source: str
    words: str = ""
    at_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Placed:
    """What came of it: an order (a refused one too), or why nothing was stored."""

    order: Order | None = None
    wrong: str = ""


def seen_of(situation: Situation) -> tuple[str, int | None]:
    """Return what an output shows, in words, and when that was read."""
    reading = situation.readings.get(situation.point.tag)
    return value_words(reading, situation.point), reading.at_ms if reading else None


def place(
    connection: Connection,
    given: Services,
    person: Person,
    wanted: Wanted,
    situation: Situation,
    seen: Seen,
    more: tuple[str, ...] = (),
) -> Placed:
    """Store an order in the caller's transaction; one that a rule refuses is stored so.

    Args:
        connection: in a writing transaction.
        given: what routes may use.
        person: who orders.
        wanted: well formed.
        situation: as it is in this transaction.
        seen: its key, its source, and what the person saw.
        more: further reasons to refuse it, sentences.

    """
    refused = (*refusals(wanted, situation), *more)
    new = NewOrder(
        request_key=seen.request_key,
        made_ms=situation.now_ms,
        expires_ms=situation.now_ms + VALIDITY_MS,
        actor=person.name,
        account_id=person.account_id,
        site_id=situation.plan.site_id,
        point_id=point_id_of(situation.plan, situation.point.tag),
        wanted=wanted,
        seen=seen.words,
        seen_ms=seen.at_ms,
        source=seen.source,
    )
    order, is_new = orders.make(connection, new)
    if not is_new:
        return Placed(order)
    reason = " ".join(refused)
    if refused:
        told = Told(OrderState.REFUSED, situation.now_ms, reason)
        orders.tell(connection, order.id, told)
    tell(connection, given, person, _act(situation, wanted, order.id, reason))
    return Placed(orders.order(connection, order.id))


def _act(situation: Situation, wanted: Wanted, number: int, reason: str) -> Act:
    site, point = situation.plan.site, situation.point
    words = act_words(point, site.name, wanted)
    text = f"{words}. Refused: {sentence(reason)}" if reason else f"{words}."
    after = {"text": text, "order": number, "tag": point.tag, "asked": words_of(wanted, point)}
    action = "order.refuse" if reason else "order.make"
    return Act(action, "order", site.key, {}, after, site.name)
