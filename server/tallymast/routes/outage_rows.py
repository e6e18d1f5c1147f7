"""A site's outages as its pages list them, with what each is put down to."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from sqlalchemy import Connection

from tallymast.domain.health.comms.model import Cause, Outage
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.model import SitePlan
from tallymast.storage.outages import outages

CAUSES: Final = {
    Cause.ALONE: "",
    Cause.SUPPLY: "no power",
    Cause.COMMON: "together with others",
}


@dataclass(frozen=True, slots=True)
class OutageLine:
    """One outage; ``to_ms`` None while it lasts."""

    from_ms: int
    to_ms: int | None
    lasted_ms: int
    cause: str


def outages_of(
    connection: Connection, plan: SitePlan, health: SiteHealth, span: tuple[int, int]
) -> list[Outage]:
    """Return a site's outages that touch a span, newest first, with the cause that was judged."""
    limits = {plan.site_id: plan.site.miss_limit}
    stored = outages(connection, *span, miss_limits=limits, site_id=plan.site_id)
    judged = {one.from_ms: one for one in health.comm.outages} if health.comm else {}
    found = {at_ms: one for at_ms, one in judged.items() if span[0] <= at_ms < span[1]}
    for one in stored.get(plan.site_id, []):
        cause = judged[one.from_ms].cause if one.from_ms in judged else one.cause
        found[one.from_ms] = replace(one, cause=cause)  # its end is newer than the judge's
    return [found[at_ms] for at_ms in sorted(found, reverse=True)]


def outage_lines(found: Iterable[Outage], now_ms: int) -> tuple[OutageLine, ...]:
    """Return outages as they are listed."""
    return tuple(
        OutageLine(one.from_ms, one.to_ms, one.lasted_ms(now_ms), CAUSES[one.cause])
        for one in found
    )
