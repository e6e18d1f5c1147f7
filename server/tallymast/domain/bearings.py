"""Directions from a gateway: where a site lies, and whether several lie in one direction."""

from collections.abc import Sequence

from tallymast.domain.model import Gateway, Site
from tallymast.domain.positions import distance_bearing

NARROW_DEG = 40.0  # ours: an antenna's half-power width and a storm cell are about as wide


def bearing_between(gateway: Gateway, site: Site) -> float | None:
    """Return a site's true bearing from its gateway [°], None where a place is not known."""
    ends = (gateway.latitude, gateway.longitude, site.latitude, site.longitude)
    if None in ends:
        return None
    return distance_bearing(*(float(end or 0.0) for end in ends)).bearing_deg


def place_of(gateway: Gateway, site: Site) -> tuple[float, float] | None:
    """Return where the sun rises for a site [°]: its own place, else its gateway's, else None."""
    for one in (site, gateway):
        if one.latitude is not None and one.longitude is not None:
            return one.latitude, one.longitude
    return None


def narrow_arc(
    bearings: Sequence[float], widest_deg: float = NARROW_DEG
) -> tuple[float, float] | None:
    """Return first and last bearing, clockwise, of the smallest arc that holds all of them.

    Args:
        bearings: true bearings [°, 0..360), in any order.
        widest_deg: a wider arc is no direction: None.

    """
    if not bearings:
        return None
    around = sorted(set(bearings))
    gaps = [
        ((around[(n + 1) % len(around)] - one) % 360.0 or 360.0, n) for n, one in enumerate(around)
    ]
    widest_gap, n = max(gaps)
    first, last = around[(n + 1) % len(around)], around[n]
    return (first, last) if 360.0 - widest_gap <= widest_deg else None
