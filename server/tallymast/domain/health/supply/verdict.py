"""Judges a site's supply by its kind: one verdict, and what it rests on.

Careful on purpose: a winter's gentle decline, a dull week or a battery floated all year is no
trouble. What a voltage cannot tell, as of lithium, is said to be so.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import tzinfo

from tallymast.domain.health.nights import Night
from tallymast.domain.health.supply.calm import judge_mains, judge_primary, judge_undescribed
from tallymast.domain.health.supply.dark import Place
from tallymast.domain.health.supply.model import SupplyHealth, Verdict
from tallymast.domain.health.supply.rechargeable import (
    judge_floated,
    judge_lead_acid,
    judge_lithium,
)
from tallymast.domain.health.supply.seen import Seen, plain_health, see
from tallymast.domain.model import Chemistry, PointKind, Site, Supply, SupplyKind

_OLD_DAYS = 3  # Ours: nights older than this say nothing of today
_LASTING = frozenset({Verdict.NOT_CHARGING, Verdict.DARK_AT_NIGHT})


def judge_supply(
    site: Site,
    nights: Sequence[Night],
    *,
    now_ms: int,
    zone: tzinfo,
    latitude: float | None,
    longitude: float | None,
    dark: Sequence[tuple[int, int | None]] = (),
    temperature_c: Mapping[int, float] | None = None,
    resolution_v: float | None = None,
) -> SupplyHealth | None:
    """Return how a site's supply is; None where nothing measures it and nobody described it.

    Args:
        site: with its supply; where nobody described it, its voltage tells little.
        nights: of the last weeks, in any order; more than sixty are not needed.
        now_ms: when it is judged, UTC milliseconds.
        zone: whose clock people read.
        latitude: where the site stands, degrees; None: not known.
        longitude: likewise.
        dark: spans in which the site did not answer, from and to, UTC milliseconds; an end of
            None: it still does not. Which of them were without power is decided here.
        temperature_c: of the battery by local day, where it is measured [°C].
        resolution_v: steps of the meter [V]; None: found from its readings.

    """
    is_measured = site.point_of(PointKind.SUPPLY_VOLTAGE) is not None
    if site.supply is None and not is_measured:
        return None
    supply = site.supply or Supply(SupplyKind.SOLAR, Chemistry.AGM)
    place = Place(latitude, longitude, zone)
    seen = see(site, supply, nights, place, now_ms, temperature_c, resolution_v)
    if not seen.nights:
        return plain_health(seen)
    health = _by_kind(seen, dark)
    is_old = seen.today - seen.nights[-1].day > _OLD_DAYS
    if not is_old:
        return health
    verdict = health.verdict if health.verdict in _LASTING else Verdict.UNKNOWN
    return replace(health, verdict=verdict, forecast=None)


def _by_kind(seen: Seen, dark: Sequence[tuple[int, int | None]]) -> SupplyHealth:
    if seen.site.supply is None:
        return judge_undescribed(seen)
    kind = seen.supply.kind
    if kind is SupplyKind.PRIMARY or seen.limits is None:
        return judge_primary(seen)
    if kind is SupplyKind.MAINS:
        return judge_mains(seen)
    if kind is SupplyKind.MAINS_WITH_BATTERY:
        return judge_floated(seen, seen.limits)
    if seen.supply.chemistry is Chemistry.LIFEPO4:
        return judge_lithium(seen, seen.limits)
    return judge_lead_acid(seen, seen.limits, dark)
