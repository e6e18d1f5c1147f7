"""A site's log book as its page shows it: what people wrote, and what held for a while."""

from dataclasses import dataclass
from datetime import tzinfo

from tallymast.domain.health.comms.model import Outage
from tallymast.domain.health.site_health import NOT_JUDGED
from tallymast.domain.model import SitePlan
from tallymast.domain.orders.model import Order, TagOut
from tallymast.domain.zones import find_zone
from tallymast.routes.finding_rows import verdict_words
from tallymast.routes.formats import lasting, plural
from tallymast.routes.orders.order_rows import order_line
from tallymast.routes.outage_rows import CAUSES, outages_of
from tallymast.routes.services import Services
from tallymast.storage import episodes, notes, orders, tag_outs
from tallymast.storage.finding_words import FindingWord, words_of_site

LOOK_BACK_MS = 90 * 86_400_000
ORDERS_SHOWN = 50
KINDS = {
    "maintenance": "Maintenance",
    "not-polled": "Not polled",
    "outage": "Outage",
    "gateway": "Gateway lost",
    "common": "Common cause",
    "clock": "Clock stepped",
    "storage": "Storage",
    "poller": "Polling stood",
    "visit": "Visit",
    "repair": "Repair",
    "observation": "Observation",
    "handover": "Hand-over",
    "finding": "Word on a finding",
    "order": "Order",
    "tag": "Do-not-operate tag",
}
# What a reader may choose from, in this order.
CHOICES = (
    "visit",
    "repair",
    "observation",
    "handover",
    "finding",
    "maintenance",
    "outage",
    "gateway",
    "order",
    "tag",
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the log book; ``to_ms`` None with ``lasts``: it has not ended."""

    at_ms: int
    to_ms: int | None
    lasts: bool
    kind: str
    text: str
    actor: str
    kind_key: str = ""
    note_id: int | None = None  # of what a person wrote, so that a better note may replace it
    href: str = ""  # of a page that tells more


def read_log(given: Services, plan: SitePlan) -> tuple[Entry, ...]:
    """Return a site's log of the last ninety days, its gateway's losses included, newest first."""
    now_ms, zone = given.now_ms(), find_zone(given.network().time_zone)
    gateway_id = given.network().gateway_of(plan.site_id).gateway_id
    health = given.health().get(plan.site_id, NOT_JUDGED)
    with given.database.reading() as connection:
        held = episodes.between(connection, now_ms - LOOK_BACK_MS, now_ms + 1)
        written = notes.of_site(connection, plan.site_id)
        said = words_of_site(connection, plan.site_id, now_ms - LOOK_BACK_MS)
        ordered = orders.of_site(connection, plan.site_id, now_ms - LOOK_BACK_MS, ORDERS_SHOWN)
        tags = tag_outs.history(connection, plan.site_id, ORDERS_SHOWN)
        silent = outages_of(connection, plan, health, (now_ms - LOOK_BACK_MS, now_ms))
    entries = [
        _held(one)
        for one in held
        if one.site_id == plan.site_id or (one.site_id is None and one.gateway_id == gateway_id)
    ]
    entries += [_outage(one, now_ms) for one in silent]
    entries += [_note(one) for one in written]
    entries += [_said(one, title) for one, title in said]
    entries += [_ordered(one, plan, zone) for one in ordered]
    entries += [_tag(one) for one in tags if _is_late(one, now_ms - LOOK_BACK_MS)]
    return tuple(sorted(entries, key=lambda entry: -entry.at_ms))


def _held(one: episodes.Episode) -> Entry:
    lasts = one.to_ms is None
    kind = KINDS[one.kind]
    return Entry(one.from_ms, one.to_ms, lasts, kind, one.reason, one.actor, one.kind)


def _outage(one: Outage, now_ms: int) -> Entry:
    cause = f"; {CAUSES[one.cause]}" if CAUSES[one.cause] else ""
    text = f"{plural(one.missed, 'poll')} missed, {lasting(one.lasted_ms(now_ms))}{cause}."
    return Entry(one.from_ms, one.to_ms, one.to_ms is None, KINDS["outage"], text, "", "outage")


def _said(one: FindingWord, title: str) -> Entry:
    text = f"{title}: {verdict_words(one)}. {one.text}".strip()
    return Entry(one.at_ms, None, False, KINDS["finding"], text, one.actor, "finding")


def _ordered(one: Order, plan: SitePlan, zone: tzinfo) -> Entry:
    line = order_line(one, plan, zone)
    told = "; ".join(part.rstrip(".") for part in line.says or (line.mark.word,))
    text = f"{line.point}: {told}."
    href = f"/orders/{one.id}"
    return Entry(one.made_ms, None, False, KINDS["order"], text, one.actor, "order", href=href)


def _tag(one: TagOut) -> Entry:
    where = one.tag or "the whole site"
    removed = f" Removed by {one.removed_by}: {one.note}" if one.removed_ms is not None else ""
    text = f"{where}: {one.reason}.{removed}"
    lasts = one.removed_ms is None
    return Entry(one.at_ms, one.removed_ms, lasts, KINDS["tag"], text, one.actor, "tag")


def _is_late(one: TagOut, from_ms: int) -> bool:
    return one.removed_ms is None or one.removed_ms >= from_ms


def _note(one: notes.Note) -> Entry:
    kind = KINDS.get(one.kind, one.kind)
    return Entry(one.at_ms, None, False, kind, one.text, one.actor, one.kind, one.id)
