"""What is true at one site at any instant: a pure function of seed, site and time."""

import math

import numpy as np

from tallymast.domain.model import Limits, Network, Point, PointKind, Site
from tallymast.domain.positions import distance_bearing
from tallymast.simulator.chance import Chance, Floats
from tallymast.simulator.process import Process
from tallymast.simulator.supply import SitePower
from tallymast.simulator.weather import Weather

FREE_MHZ = 915.0
_EIRP_DBM, _ANTENNA_DBI = 34.0, 8.0
_TERRAIN_DB = 11.0  # Ours: what ground, trees and bad feedlines take on a usual path
_PLACE = (44.0, -106.0)  # where a site without coordinates is taken to be


class SiteModel:
    """The physics of one site; asking it changes nothing."""

    def __init__(self, network: Network, site: Site, seed: int) -> None:
        latitude, longitude = site.latitude, site.longitude
        if latitude is None or longitude is None:
            latitude, longitude = _PLACE
        self._site = site
        self._seed = seed
        self._weather = Weather(seed, latitude, longitude)
        self.power = SitePower(site, self._weather, seed)
        self._process = Process(site, seed, longitude / 15.0 * 3600.0)
        self._mean_dbm = mean_signal_dbm(network, site)
        self.revision_text = "R3.12"

    def values(self, point: Point, at_s: Floats) -> Floats:
        """Return the point's engineering value at each instant [s since 1970 UTC]."""
        made = _BY_KIND.get(point.kind)
        return np.zeros(len(at_s)) if made is None else made(self, point, at_s)

    def _chance(self, point: Point) -> Chance:
        return Chance(self._seed, self._site.key, point.tag)

    # --- power and radio

    def _supply(self, _point: Point, at_s: Floats) -> Floats:
        return self.power.voltage(at_s)

    def _signal(self, point: Point, at_s: Floats) -> Floats:
        chance = self._chance(point)
        fade = 1.6 * chance.smooth(at_s, 5400.0) + 0.8 * chance.smooth(at_s, 240.0)
        return np.asarray(np.round(self._mean_dbm + fade))

    def _temperature(self, _point: Point, at_s: Floats) -> Floats:
        return self._weather.temperature_c(at_s) + 3.0

    def _revision(self, _point: Point, at_s: Floats) -> Floats:
        return np.full(len(at_s), 312.0)

    def _counter(self, point: Point, at_s: Floats) -> Floats:
        return np.full(len(at_s), math.floor(self._chance(point).between(1.0, 9.0)))

    # --- process

    def _total(self, point: Point, at_s: Floats) -> Floats:
        return self._process.pulses(point, at_s)

    def _rate(self, point: Point, at_s: Floats) -> Floats:
        return self._process.rate(point, at_s)

    def _hours(self, _point: Point, at_s: Floats) -> Floats:
        return self._process.run_hours(at_s)

    def _contact(self, point: Point, at_s: Floats) -> Floats:
        """Return a contact: 1 is its second word; what would alarm does not happen."""
        words = point.words or ("off", "on")
        if words[1] == "running":
            return self._process.runs(at_s).astype(float)
        if words[1] == "charging":
            return self.power.is_charging(at_s).astype(float)
        calm = words.index("auto") if "auto" in words else 0
        return np.full(len(at_s), float(calm))

    def _analog(self, point: Point, at_s: Floats) -> Floats:
        low, high = working_range(point)
        name = point.name.lower()
        if "tank level" in name or name == "level":
            return low + (high - low) * self._process.full_share(at_s)
        if "produced water" in name or "drip" in name:  # fills slowly, is hauled away
            return high - (high - low) * self._process.full_share(at_s)
        if self._process.has_pump and "pressure" in name:
            ripple = 0.03 * self._chance(point).smooth(at_s, 120.0)
            return low + (high - low) * (0.25 + 0.5 * self._process.runs(at_s) + ripple)
        if name == "position":
            step = np.floor(self._chance(point).smooth(at_s, 86400.0) * 4.0) * 2.0
            return np.clip(34.0 + step, 2.0, 98.0)
        chance = self._chance(point)
        slow, quick = chance.smooth(at_s, 14400.0), chance.smooth(at_s, 400.0)
        return low + (high - low) * (0.5 + 0.18 * slow + 0.02 * quick)


_BY_KIND = {
    PointKind.SUPPLY_VOLTAGE: SiteModel._supply,
    PointKind.SIGNAL: SiteModel._signal,
    PointKind.TEMPERATURE: SiteModel._temperature,
    PointKind.COUNTER: SiteModel._counter,
    PointKind.REVISION: SiteModel._revision,
    PointKind.TOTALIZER: SiteModel._total,
    PointKind.RATE: SiteModel._rate,
    PointKind.DURATION: SiteModel._hours,
    PointKind.DISCRETE_INPUT: SiteModel._contact,
    PointKind.ANALOG_INPUT: SiteModel._analog,
}


def working_range(point: Point) -> tuple[float, float]:
    """Return between which values a point moves when all is well: inside its limits."""
    ends = sorted(point.value or (0.0, 100.0))
    span = ends[1] - ends[0]
    limits: Limits = point.limits
    low = _first(limits.low, limits.low_low)
    high = _first(limits.high, limits.high_high)
    bottom = ends[0] + 0.2 * span if low is None else low
    top = ends[1] - 0.2 * span if high is None else high
    room = top - bottom
    return bottom + 0.12 * room, top - 0.12 * room


def _first(*levels: float | None) -> float | None:
    return next((level for level in levels if level is not None), None)


def mean_signal_dbm(network: Network, site: Site) -> float:
    """Return the mean signal a site receives from its gateway or repeater [dBm].

    Source of the free-space loss: Rec. ITU-R P.525-5, 32.4 + 20 log f + 20 log d [dB, MHz, km];
    what terrain takes besides is ours.
    """
    far = next((one for one in network.sites if one.key == site.via), None)
    end = far or next(one for one in network.gateways if one.key == site.gateway)
    places = (end.latitude, end.longitude, site.latitude, site.longitude)
    if None in places:
        return -75.0
    leg = distance_bearing(*(float(place or 0.0) for place in places))
    loss = 32.4 + 20 * math.log10(FREE_MHZ) + 20 * math.log10(max(leg.distance_km, 0.3))
    return max(-102.0, min(-45.0, _EIRP_DBM + _ANTENNA_DBI - loss - _TERRAIN_DB))
