"""Draws the sites around their gateway: true bearing, distances on a square-root scale.

A square root gives the near sites room that a linear scale takes from them. Names are put
where they touch neither each other nor a site; a table beside the drawing says the same.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tallymast.domain.model import GatewayPlan, Site
from tallymast.domain.positions import distance_bearing
from tallymast.routes.rows import Mark

SIZE = 480
_MIDDLE = SIZE / 2
_RADIUS = 212.0
_LETTER, _LINE = 6.3, 14.0  # Ours: width and height of a name's letters, in units of the drawing
_GAP = 9.0
_RINGS_KM = (1, 2, 5, 10, 20, 30, 50, 100, 200, 500)


@dataclass(frozen=True, slots=True)
class Ring:
    """A circle of one distance, with the place of its words."""

    radius: float
    words: str


@dataclass(frozen=True, slots=True)
class Path:
    """A radio path as a line; ``through`` a repeater or straight from the gateway."""

    x1: float
    y1: float
    x2: float
    y2: float
    through: bool


@dataclass(frozen=True, slots=True)
class Spot:
    """A site: its place, its mark, and where its name stands."""

    key: str
    name: str
    words: str
    mark: Mark
    x: float
    y: float
    name_x: float
    name_y: float
    anchor: str


@dataclass(frozen=True, slots=True)
class Plot:
    """The whole drawing, and the sites whose place nobody wrote down."""

    rings: tuple[Ring, ...]
    paths: tuple[Path, ...]
    spots: tuple[Spot, ...]
    unplaced: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Way:
    """How a site lies to its gateway."""

    distance_km: float
    bearing_deg: float

    @property
    def words(self) -> str:
        """Distance and true bearing as people write them."""
        return f"{self.distance_km:.1f}\u00a0km at {self.bearing_deg:03.0f}° true"


Box = tuple[float, float, float, float]


def way_of(gateway: GatewayPlan, site: Site) -> Way | None:
    """Return how a site lies to its gateway, None where a place is not known."""
    ends = (
        gateway.gateway.latitude,
        gateway.gateway.longitude,
        site.latitude,
        site.longitude,
    )
    if None in ends:
        return None
    leg = distance_bearing(*(float(end or 0.0) for end in ends))
    return Way(leg.distance_km, leg.bearing_deg)


def draw_plot(gateway: GatewayPlan, marks: Sequence[Mark]) -> Plot:
    """Return the drawing of a gateway's sites.

    Args:
        gateway: with its sites.
        marks: each site's, in the same order.

    """
    ways = {plan.site.key: way_of(gateway, plan.site) for plan in gateway.sites}
    known = {key: way for key, way in ways.items() if way is not None}
    far_km = max((way.distance_km for way in known.values()), default=1.0)
    end_km = 1.04 * far_km
    places = {key: _place(way, end_km) for key, way in known.items()}
    taken: list[Box] = [(x - 7, y - 7, x + 7, y + 7) for x, y in places.values()]
    taken.append((_MIDDLE - 9, _MIDDLE - 9, _MIDDLE + 9, _MIDDLE + 9))
    rings = _rings(end_km)
    taken += [_ring_box(ring) for ring in rings]
    spots = [
        _spot(plan.site, mark, known[plan.site.key], places[plan.site.key], taken)
        for plan, mark in zip(gateway.sites, marks, strict=True)
        if plan.site.key in places
    ]
    unplaced = tuple(plan.site.name for plan in gateway.sites if ways[plan.site.key] is None)
    return Plot(rings, _paths(gateway, places), tuple(spots), unplaced)


def _rings(end_km: float) -> tuple[Ring, ...]:
    """Return rings whose words do not touch, the widest first."""
    rings: list[Ring] = []
    for km in reversed(_RINGS_KM):
        radius = round(_radius(km, end_km), 1)
        if km <= end_km and radius > 40 and (not rings or rings[-1].radius - radius > 44):
            rings.append(Ring(radius, f"{km:g}\u00a0km"))
    return tuple(rings)


def _place(way: Way, end_km: float) -> tuple[float, float]:
    out, turn = _radius(way.distance_km, end_km), math.radians(way.bearing_deg)
    return round(_MIDDLE + out * math.sin(turn), 1), round(_MIDDLE - out * math.cos(turn), 1)


def _radius(km: float, end_km: float) -> float:
    return _RADIUS * math.sqrt(min(km / end_km, 1.0))


def _ring_box(ring: Ring) -> Box:
    x = _MIDDLE - ring.radius
    return (x - 2, _MIDDLE - 12, x + 7 * len(ring.words), _MIDDLE + 2)


def _paths(gateway: GatewayPlan, places: dict[str, tuple[float, float]]) -> tuple[Path, ...]:
    paths = []
    for plan in gateway.sites:
        site = plan.site
        if site.key in places:
            begin = places.get(site.via or "", (_MIDDLE, _MIDDLE))
            paths.append(Path(*begin, *places[site.key], through=site.via in places))
    return tuple(paths)


def _spot(site: Site, mark: Mark, way: Way, place: tuple[float, float], taken: list[Box]) -> Spot:
    x, y = place
    width = _LETTER * len(site.name)
    choices = [
        (x + _GAP, y + 4, "start", (x + _GAP, y - 8, x + _GAP + width, y + 6)),
        (x - _GAP, y + 4, "end", (x - _GAP - width, y - 8, x - _GAP, y + 6)),
        (x, y - _GAP, "middle", (x - width / 2, y - _GAP - _LINE, x + width / 2, y - _GAP + 2)),
        (x, y + 19, "middle", (x - width / 2, y + 8, x + width / 2, y + 22)),
    ]
    if x < _MIDDLE:
        choices[0], choices[1] = choices[1], choices[0]
    name_x, name_y, anchor, box = min(choices, key=lambda one: _cost(one[3], taken))
    taken.append(box)
    words = f"{site.name}: {mark.word}, {way.words}"
    return Spot(site.key, site.name, words, mark, x, y, round(name_x, 1), round(name_y, 1), anchor)


def _cost(box: Box, taken: Sequence[Box]) -> float:
    """Return how much of a name would be hidden, or stand outside of the drawing."""
    outside = max(0.0, -box[0]) + max(0.0, box[2] - SIZE) + max(0.0, -box[1])
    return 50.0 * outside + sum(_overlap(box, other) for other in taken)


def _overlap(one: Box, other: Box) -> float:
    wide = min(one[2], other[2]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[1], other[1])
    return wide * high if wide > 0 and high > 0 else 0.0
