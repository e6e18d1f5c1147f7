"""A site's log book as its page shows it: what people wrote, and what held for a while."""

from dataclasses import dataclass

from tallymast.domain.model import SitePlan
from tallymast.routes.services import Services
from tallymast.storage import episodes, notes

LOOK_BACK_MS = 90 * 86_400_000
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
}


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the log book; ``to_ms`` None with ``lasts``: it has not ended."""

    at_ms: int
    to_ms: int | None
    lasts: bool
    kind: str
    text: str
    actor: str


def read_log(given: Services, plan: SitePlan) -> tuple[Entry, ...]:
    """Return a site's log of the last ninety days, its gateway's losses included, newest first."""
    now_ms = given.now_ms()
    gateway_id = given.network().gateway_of(plan.site_id).gateway_id
    with given.database.reading() as connection:
        held = episodes.between(connection, now_ms - LOOK_BACK_MS, now_ms + 1)
        written = notes.of_site(connection, plan.site_id)
    entries = [
        Entry(one.from_ms, one.to_ms, one.to_ms is None, KINDS[one.kind], one.reason, one.actor)
        for one in held
        if one.site_id == plan.site_id or (one.site_id is None and one.gateway_id == gateway_id)
    ]
    entries += [
        Entry(one.at_ms, None, False, KINDS.get(one.kind, one.kind), one.text, one.actor)
        for one in written
    ]
    return tuple(sorted(entries, key=lambda entry: -entry.at_ms))
