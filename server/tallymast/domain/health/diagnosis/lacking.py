"""What a site lacks for a cause to be named there: said in words, so that silence is no verdict."""

from typing import Final

from tallymast.domain.health.comms.model import BASELINE_DAYS
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.health.supply.trend import LEAST_NIGHTS
from tallymast.domain.model import PointKind, Site, SupplyKind

_WHOLE: Final = 0.99  # of a day: a baseline's last hour is still going on


def lacking(site: Site, health: SiteHealth) -> tuple[str, ...]:
    """Return what is missing, a few words each; nothing where causes can be told.

    Args:
        site: its points and supply.
        health: as its weeks were weighed last.

    """
    missing = [_contact(health), _signal(site), _supply(site, health)]
    return tuple(words for words in missing if words)


def _contact(health: SiteHealth) -> str:
    days = health.comm.days if health.comm else 0.0
    if days >= BASELINE_DAYS - _WHOLE / 24:
        return ""
    return f"{_count(int(days), 'day')} of polls, {BASELINE_DAYS} make a baseline"


def _signal(site: Site) -> str:
    return "" if site.point_of(PointKind.SIGNAL) else "no signal point"


def _supply(site: Site, health: SiteHealth) -> str:
    if site.supply is not None and site.supply.kind is SupplyKind.MAINS:
        return ""
    if site.point_of(PointKind.SUPPLY_VOLTAGE) is None:
        return "no supply point"
    if site.supply is None:
        return "nobody described the supply"
    nights = health.supply.nights if health.supply else 0
    if nights >= LEAST_NIGHTS:
        return ""
    return f"{_count(nights, 'night')} of supply, {LEAST_NIGHTS} make a trend"


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
