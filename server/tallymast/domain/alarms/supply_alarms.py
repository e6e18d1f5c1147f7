"""The alarms of a site's supply, by its kind and the chemistry of its battery.

What a voltage cannot tell calls nobody: a primary pack is flat until it is dead and has none, a
supply nobody described neither.
"""

from collections.abc import Iterator

from tallymast.domain.alarms.model import Alarm, Kind
from tallymast.domain.alarms.wording import (
    SUPPLY_MAINS,
    SUPPLY_URGENT,
    SUPPLY_WARN,
    WORDINGS,
    Wording,
)
from tallymast.domain.health.supply.limits import MAINS_LOST_V, limits_of, packs_of
from tallymast.domain.model import (
    Chemistry,
    Point,
    PointKind,
    Priority,
    Site,
    Supply,
    SupplyKind,
)

# Common practice, no published source; a transmission's sag is over in seconds.
DEADBAND_V, ON_DELAY_S = 0.2, 900.0
FORECAST_DAYS = 3.0  # ours: time to plan a visit over a weekend
FORECAST_BACK_DAYS = 1.0  # ours: a forecast moves by hours from night to night


def supply_alarms(site: Site) -> Iterator[Alarm]:
    """Yield the alarms of a site's supply, thresholds as health/supply/limits.py has them."""
    point, supply = site.point_of(PointKind.SUPPLY_VOLTAGE), site.supply
    if point is None or supply is None or supply.kind is SupplyKind.PRIMARY:
        return
    packs = packs_of(supply)
    if supply.kind is not SupplyKind.SOLAR and _is_floated(supply):
        lost_v = MAINS_LOST_V * packs
        yield _low(site, point, "mains-lost", lost_v, Priority.HIGH, SUPPLY_MAINS)
    limits = limits_of(supply)
    if limits is None or supply.kind is SupplyKind.MAINS:
        return
    # A person's own limits of the point come first; on mains the charger's loss calls long before.
    if supply.kind is SupplyKind.SOLAR and point.limits.low is None:
        yield _low(site, point, "supply-low", limits.warn_v, Priority.NORMAL, SUPPLY_WARN)
    if point.limits.low_low is None:
        yield _low(site, point, "supply-far-low", limits.urgent_v, Priority.HIGH, SUPPLY_URGENT)
    if supply.kind is SupplyKind.SOLAR and supply.chemistry is not Chemistry.LIFEPO4:
        yield _forecast(site, point)


def _is_floated(supply: Supply) -> bool:
    """Whether a charger holds a battery there; a plain mains supply has no float voltage."""
    return supply.kind is SupplyKind.MAINS_WITH_BATTERY or supply.chemistry is not None


def _low(
    site: Site, point: Point, name: str, limit_v: float, priority: Priority, wording: Wording
) -> Alarm:
    packs = packs_of(site.supply) if site.supply is not None else 1.0
    deadband_v = point.deadband or DEADBAND_V * packs
    rationale, consequence, response = wording.of(site.name)
    return Alarm(
        f"{site.key}/{point.tag}/{name}",
        Kind.SUPPLY,
        priority,
        site.key,
        point.tag,
        site.gateway,
        limit_v,
        deadband_v,
        ON_DELAY_S if point.on_delay_s is None else point.on_delay_s,
        0.0 if point.off_delay_s is None else point.off_delay_s,
        rationale=rationale,
        consequence=consequence,
        response=response,
    )


def _forecast(site: Site, point: Point) -> Alarm:
    rationale, consequence, response = WORDINGS[Kind.FORECAST].of(site.name)
    return Alarm(
        f"{site.key}//{Kind.FORECAST}",
        Kind.FORECAST,
        Priority.HIGH,
        site.key,
        point.tag,
        site.gateway,
        FORECAST_DAYS,
        FORECAST_BACK_DAYS,
        rationale=rationale,
        consequence=consequence,
        response=response,
    )
