"""Where the sun stands and what it gives, for any instant and place.

Good to about 0.01° and a few per cent of energy: enough to charge a battery by.
"""

from dataclasses import dataclass

import numpy as np

from tallymast.simulator.chance import Floats

SOLAR_CONSTANT = 1361.0  # [W/m²] at the mean distance of the sun
_J2000_S = 946_728_000.0  # 2000-01-01 12:00 UTC [s since 1970]
_CENTURY_S = 36525.0 * 86400.0


@dataclass(frozen=True, slots=True)
class SunPosition:
    """The sun's place in the sky at some instants.

    Attributes:
        elevation: height of its middle over the horizon, without refraction [rad].
        azimuth: true bearing, clockwise from north [rad].
        distance: to the earth [astronomical units].

    """

    elevation: Floats
    azimuth: Floats
    distance: Floats


def sun_position(at_s: Floats, latitude: float, longitude: float) -> SunPosition:
    """Return the sun's position.

    Args:
        at_s: instants [s since 1970 UTC].
        latitude: degrees, north positive.
        longitude: degrees, east positive.

    Source: low-accuracy solar coordinates after J. Meeus, Astronomical Algorithms (2nd ed.
    1998) chapters 12 and 25; from memory, checked in the tests against the worked example of
    NREL/TP-560-34302.

    """
    century = (at_s - _J2000_S) / _CENTURY_S
    anomaly = np.radians(357.52911 + 35999.05029 * century)
    centre = (
        (1.914602 - 0.004817 * century) * np.sin(anomaly)
        + 0.019993 * np.sin(2 * anomaly)
        + 0.000289 * np.sin(3 * anomaly)
    )
    node = np.radians(125.04 - 1934.136 * century)
    seen = np.radians(280.46646 + 36000.76983 * century + centre - 0.00569 - 0.00478 * np.sin(node))
    tilt = np.radians(23.439291 - 0.0130042 * century + 0.00256 * np.cos(node))
    ascension = np.arctan2(np.cos(tilt) * np.sin(seen), np.cos(seen))
    declination = np.arcsin(np.sin(tilt) * np.sin(seen))
    sidereal = np.radians(280.46061837 + 13185000.77005374 * century + longitude)
    distance = (
        1.000001018
        * (1 - 0.016708634**2)
        / (1 + 0.016708634 * np.cos(anomaly + np.radians(centre)))
    )
    return _seen_from(latitude, sidereal - ascension, declination, distance)


def _seen_from(
    latitude: float, hour_angle: Floats, declination: Floats, distance: Floats
) -> SunPosition:
    here = np.radians(latitude)
    up = np.sin(here) * np.sin(declination) + np.cos(here) * np.cos(declination) * np.cos(
        hour_angle
    )
    north = np.cos(here) * np.sin(declination) - np.sin(here) * np.cos(declination) * np.cos(
        hour_angle
    )
    east = -np.cos(declination) * np.sin(hour_angle)
    return SunPosition(
        np.arcsin(np.clip(up, -1.0, 1.0)), np.arctan2(east, north) % (2 * np.pi), distance
    )


def clear_sky(sun: SunPosition) -> Floats:
    """Return the irradiance on level ground under a clear sky [W/m²].

    Source: B. Haurwitz, J. Meteorology 2 (1945) 154; as in pvlib, which the tests compare with.
    """
    up = np.maximum(np.sin(sun.elevation), 1e-6)
    return np.asarray(np.where(sun.elevation > 0.0, 1098.0 * up * np.exp(-0.059 / up), 0.0))


def beyond_the_air(sun: SunPosition) -> Floats:
    """Return the irradiance on a level surface above the atmosphere [W/m²]."""
    return SOLAR_CONSTANT / sun.distance**2 * np.maximum(np.sin(sun.elevation), 0.0)


def on_panel(ground: Floats, sun: SunPosition, tilt: float, azimuth: float) -> Floats:
    """Return what a tilted panel gets, of the irradiance on level ground [W/m²].

    Args:
        ground: irradiance on level ground [W/m²].
        sun: where the sun stands.
        tilt: of the panel from level [°].
        azimuth: the panel faces this true bearing [°].

    Source: diffuse share after D. G. Erbs et al., Solar Energy 28 (1982) 293; isotropic sky,
    ground reflecting 0.2. From memory; the tests compare with pvlib.

    """
    slope, facing = np.radians(tilt), np.radians(azimuth)
    up = np.sin(sun.elevation)
    incidence = up * np.cos(slope) + np.cos(sun.elevation) * np.sin(slope) * np.cos(
        sun.azimuth - facing
    )
    diffuse = ground * _diffuse_share(ground, beyond_the_air(sun))
    beam = (ground - diffuse) * np.maximum(incidence, 0.0) / np.maximum(up, 0.05)
    sky = diffuse * (1 + np.cos(slope)) / 2 + 0.2 * ground * (1 - np.cos(slope)) / 2
    return np.asarray(np.where(up > 0.0, beam + sky, 0.0))


def _diffuse_share(ground: Floats, beyond: Floats) -> Floats:
    clear = np.clip(ground / np.maximum(beyond, 1.0), 0.0, 1.0)
    between = 0.9511 - 0.1604 * clear + 4.388 * clear**2 - 16.638 * clear**3 + 12.336 * clear**4
    share = np.where(clear <= 0.22, 1.0 - 0.09 * clear, between)
    return np.asarray(np.where(clear > 0.80, 0.165, share))
