"""Tells alarms of supplies the newest night that was judged, and whether it is night now."""

from collections.abc import Mapping

from tallymast.domain.alarms.dawns import Dawn
from tallymast.domain.bearings import place_of
from tallymast.domain.health.nights import day_number, day_of, sunrise_ms, sunset_ms
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.local_times import local_time
from tallymast.domain.model import GatewayPlan, SitePlan
from tallymast.domain.zones import find_zone
from tallymast.routes.services import NetworkView

KEPT_MS = 60_000  # ours: a dusk is told to the minute


class Dawns:
    """Works it out once a minute, or when nights were judged anew."""

    def __init__(self) -> None:
        self._of: tuple[Mapping[int, SiteHealth], NetworkView, int] | None = None
        self._found: dict[str, Dawn] = {}

    def of(
        self, view: NetworkView, health: Mapping[int, SiteHealth], now_ms: int
    ) -> Mapping[str, Dawn]:
        """Return the newest night of each site that has one, by site key."""
        known = self._of
        minute = now_ms // KEPT_MS
        if known and known[0] is health and known[1] is view and known[2] == minute:
            return self._found
        self._of = health, view, minute
        plans = {one.site_id: (gateway, one) for gateway in view.gateways for one in gateway.sites}
        found = {
            plans[key][1].site.key: _dawn(*plans[key], one, view, now_ms)
            for key, one in health.items()
            if key in plans
        }
        self._found = {key: one for key, one in found.items() if one is not None}
        return self._found


def _dawn(
    gateway: GatewayPlan, plan: SitePlan, health: SiteHealth, view: NetworkView, now_ms: int
) -> Dawn | None:
    supply, place = health.supply, place_of(gateway.gateway, plan.site)
    if supply is None or supply.predawn_v is None or supply.predawn_day is None or place is None:
        return None
    zone = find_zone(view.time_zone)
    risen_ms = sunrise_ms(day_of(supply.predawn_day), *place, zone)
    today = day_of(day_number(local_time(now_ms, zone).date()))
    is_light = sunrise_ms(today, *place, zone) <= now_ms < sunset_ms(today, *place, zone)
    return Dawn(risen_ms, supply.predawn_v, not is_light)
