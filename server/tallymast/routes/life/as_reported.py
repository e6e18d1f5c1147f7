"""A site's register beside what is known otherwise: where they differ, in sentences."""

from collections.abc import Sequence

from tallymast.domain.life.differences import battery_words, bearing_words, firmware_words
from tallymast.domain.model import PointKind, Site, SitePlan, SiteState
from tallymast.domain.positions import distance_bearing
from tallymast.routes.services import NetworkView
from tallymast.routes.standings import site_readings
from tallymast.storage.hardware import Part

Towards = tuple[float, str]  # true bearing [°], and what lies there


def towards(network: NetworkView, plan: SitePlan) -> Towards | None:
    """Return where a site's antenna is to look: to its repeater, else to its gateway."""
    via = network.site_or_retired(plan.site.via) if plan.site.via else None
    other: Site | None = via.site if via is not None else None
    gateway = network.gateway_of(plan.site_id).gateway
    end = (other.latitude, other.longitude) if other else (gateway.latitude, gateway.longitude)
    here = plan.site.latitude, plan.site.longitude
    if None in (*here, *end):
        return None
    leg = distance_bearing(*(float(one or 0.0) for one in (*here, *end)))
    return leg.bearing_deg, other.name if other else gateway.name


def reported_firmware(
    network: NetworkView, plan: SitePlan, state: SiteState | None, now_ms: int
) -> tuple[str, int | None] | None:
    """Return which firmware a station reports and when it was read; None where it reports none."""
    point = plan.site.point_of(PointKind.REVISION)
    if point is None:
        return None
    gateway = network.gateway_of(plan.site_id)
    for reading in site_readings(gateway, plan, state, now_ms):
        if reading.tag == point.tag and reading.value is not None:
            value = reading.value
            text = f"{value:g}" if isinstance(value, float) else str(value)
            return text.strip("\x00 "), reading.at_ms
    return None


def disagreements(
    plan: SitePlan, parts: Sequence[Part], firmware: str | None, to: Towards | None
) -> tuple[str, ...]:
    """Return in sentences where the register and what is known otherwise differ."""
    found = []
    for part in parts:
        if part.kind == "station":
            found.append(firmware_words(part.version, firmware))
        elif part.kind == "antenna" and to is not None:
            found.append(bearing_words(part.detail.get("bearing"), *to))
        elif part.kind == "battery" and plan.site.supply is not None:
            found.append(battery_words(part.detail.get("fitted"), plan.site.supply.installed))
    return tuple(one for one in found if one)
