"""Distances and bearings between places a radio can reach, on the Earth's ellipsoid.

Made for the hundred kilometres around a mast. There the mid-latitude formulas used here are
good to a few metres; over a continent they are not meant to be used.
"""

import math
from dataclasses import dataclass

# WGS 84 (NIMA TR8350.2, table 3.1): semi-major axis [km] and flattening.
_AXIS_KM = 6378.137
_FLATTENING = 1 / 298.257223563
_ECCENTRICITY_2 = _FLATTENING * (2 - _FLATTENING)


@dataclass(frozen=True, slots=True)
class Leg:
    """From one place to another: distance [km] and true bearing at the start [°, 0..360)."""

    distance_km: float
    bearing_deg: float


def distance_bearing(
    latitude: float, longitude: float, to_latitude: float, to_longitude: float
) -> Leg:
    """Return how far and in which direction the second place lies from the first.

    Args:
        latitude: of the start [°], north positive, −90..90.
        longitude: of the start [°], east positive.
        to_latitude: of the end [°].
        to_longitude: of the end [°].

    Source: Gauss mid-latitude formulas of the geodetic inverse problem (Torge, Geodesy, 3rd ed.
    2001, §6.3.3; clause from memory).

    """
    middle = math.radians((latitude + to_latitude) / 2)
    meridian_km, normal_km = _radii_km(middle)
    turn = math.radians(math.remainder(to_longitude - longitude, 360.0))
    north_km = math.radians(to_latitude - latitude) * meridian_km * math.cos(turn / 2)
    east_km = turn * normal_km * math.cos(middle)
    bearing = math.atan2(east_km, north_km) - turn * math.sin(middle) / 2
    return Leg(math.hypot(north_km, east_km), math.degrees(bearing) % 360.0)


def offset(
    latitude: float, longitude: float, distance_km: float, bearing_deg: float
) -> tuple[float, float]:
    """Return latitude and longitude [°] of the place at a distance and true bearing.

    Args:
        latitude: of the start [°], north positive; not nearer to a pole than the distance.
        longitude: of the start [°], east positive.
        distance_km: 0 to a few hundred [km].
        bearing_deg: true bearing at the start [°], clockwise from north.

    Source: as ``distance_bearing``, solved by repetition.

    """
    to_latitude, turn = latitude, 0.0
    for _ in range(8):  # each repetition gains three to four digits at such distances
        middle = math.radians((latitude + to_latitude) / 2)
        meridian_km, normal_km = _radii_km(middle)
        bearing = math.radians(bearing_deg) + turn * math.sin(middle) / 2
        turn = distance_km * math.sin(bearing) / (normal_km * math.cos(middle))
        north = distance_km * math.cos(bearing) / (meridian_km * math.cos(turn / 2))
        to_latitude = latitude + math.degrees(north)
    to_longitude = longitude + math.degrees(turn)
    return to_latitude, math.remainder(to_longitude, 360.0)


def _radii_km(latitude_rad: float) -> tuple[float, float]:
    """Return the radii of curvature along the meridian and across it [km]."""
    bulge = 1 - _ECCENTRICITY_2 * math.sin(latitude_rad) ** 2
    return _AXIS_KM * (1 - _ECCENTRICITY_2) / bulge**1.5, _AXIS_KM / math.sqrt(bulge)
