"""What is true at one site at any instant: a pure function of seed, site and time."""

import math

import numpy as np

from tallymast.domain.model import Limits, Network, Point, PointKind, Site
from tallymast.domain.positions import distance_bearing
from tallymast.simulator.chance import Chance, Floats
from tallymast.simulator.faults import Fault, FaultKind, Faults
from tallymast.simulator.process import Process
from tallymast.simulator.supply import SitePower
from tallymast.simulator.weather import Weather

FREE_MHZ = 915.0
_EIRP_DBM, _ANTENNA_DBI = 34.0, 8.0
_TERRAIN_DB = 4.0  # Ours: what ground and trees take on a usual path
_FAR_KM = 20.0  # Ours: at this distance hours and weather fade the signal as told below
_PLACE = (44.0, -106.0)  # where a site without coordinates is taken to be


class SiteModel:
    """The physics of one site; asking it changes nothing.

    Args:
        network: where the site stands among the others.
        site: whose.
        seed: the network's.
        faults: ordered troubles.

    """

    def __init__(
        self, network: Network, site: Site, seed: int, faults: Faults | None = None
    ) -> None:
        self._faults = faults or Faults()
        latitude, longitude = site.latitude, site.longitude
        if latitude is None or longitude is None:
            latitude, longitude = _PLACE
        self._site = site
        self._seed = seed
        self._weather = Weather(seed, latitude, longitude)
        self.power = SitePower(site, self._weather, seed, self._faults)
        self._process = Process(
            site, seed, longitude / 15.0 * 3600.0, self._faults, self.power.dark_spans
        )
        self._far = min(path_km(network, site) / _FAR_KM, 2.0)
        self._mean_dbm = mean_signal_dbm(network, site)
        self.revision_text = "R3.12"

    def values(self, point: Point, at_s: Floats) -> Floats:
        """Return the point's engineering value at each instant [s since 1970 UTC]."""
        made = _BY_KIND.get(point.kind)
        values = np.zeros(len(at_s)) if made is None else made(self, point, at_s)
        for fault in self._faults.of(FaultKind.STUCK, self._site):
            if fault.tag == point.tag:
                values = self._stuck(fault, point, values, at_s)
        for fault in self._faults.of(FaultKind.LOOP, self._site):
            if fault.tag == point.tag:
                wrong = self._faults.during(fault, _ms(at_s))
                values = np.where(wrong, of_current(point, fault.milliamps), values)
        return values

    def _stuck(self, fault: Fault, point: Point, values: Floats, at_s: Floats) -> Floats:
        """Return values that stay what they were when the trouble began."""
        made = _BY_KIND.get(point.kind)
        if made is None:
            return values
        begun = made(self, point, np.array([fault.from_ms // 1000], dtype=np.float64))
        return np.where(self._faults.during(fault, _ms(at_s)), begun[0], values)

    def flowed(self, point: Point, at_s: Floats) -> Floats:
        """Return what really flowed through a totalizer's meter since 2020 [pulses]."""
        return self._process.flowed(point, at_s)

    def signal_dbm(self, at_s: Floats) -> Floats:
        """Return the signal at the site [dBm], whether or not a point reports it.

        It fades a little about dawn, and under heavy clouds, the more the farther it comes.
        """
        chance = Chance(self._seed, self._site.key, "fade")
        fade = 1.6 * chance.smooth(at_s, 5400.0) + 0.8 * chance.smooth(at_s, 240.0)
        dawn = np.exp(-(((self._weather.solar_hour(at_s) - 6.0) / 1.5) ** 2))
        clouds = 1.0 - self._weather.clearness(at_s)
        fade -= self._far * (1.2 * dawn + 1.5 * clouds)
        return np.asarray(self._mean_dbm + fade + self._faults.db(self._site, _ms(at_s)))

    def _chance(self, point: Point) -> Chance:
        return Chance(self._seed, self._site.key, point.tag)

    # --- power and radio

    def _supply(self, _point: Point, at_s: Floats) -> Floats:
        return self.power.voltage(at_s)

    def _signal(self, _point: Point, at_s: Floats) -> Floats:
        return np.asarray(np.round(self.signal_dbm(at_s)))

    def _temperature(self, _point: Point, at_s: Floats) -> Floats:
        return self._weather.temperature_c(at_s) + 3.0

    def _revision(self, _point: Point, at_s: Floats) -> Floats:
        return np.full(len(at_s), 312.0)

    def _counter(self, point: Point, at_s: Floats) -> Floats:
        """Return how often the station started: once more after every time without power.

        Ours: it is set back each midsummer, when the site is serviced.
        """
        starts = [end for _, end in self.power.dark_spans(float(at_s.max()))]
        serviced = math.floor(self._chance(point).between(1.0, 9.0))
        return serviced + np.searchsorted(starts, at_s, side="right").astype(np.float64)

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
        if "auto" not in words:
            return np.zeros(len(at_s))
        turned = self._faults.holds(FaultKind.SELECTOR, self._site, _ms(at_s))
        return np.asarray((turned != bool(words.index("auto"))).astype(np.float64))

    def _held(self, point: Point, at_s: Floats) -> Floats:
        """Return 1 while somebody holds the output."""
        held = np.zeros(len(at_s), dtype=bool)
        for fault in self._faults.of(FaultKind.OUTPUT, self._site):
            if fault.tag == point.tag:
                held |= self._faults.during(fault, _ms(at_s))
        return held.astype(np.float64)

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
    PointKind.DISCRETE_OUTPUT: SiteModel._held,
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
    distance_km = path_km(network, site)
    loss = 32.4 + 20 * math.log10(FREE_MHZ) + 20 * math.log10(max(distance_km, 0.3))
    return max(-102.0, min(-45.0, _EIRP_DBM + _ANTENNA_DBI - loss - _TERRAIN_DB))


def path_km(network: Network, site: Site) -> float:
    """Return how far a site is from its gateway or repeater [km], 5 where nobody wrote it down."""
    far = next((one for one in network.sites if one.key == site.via), None)
    end = far or next(one for one in network.gateways if one.key == site.gateway)
    places = (end.latitude, end.longitude, site.latitude, site.longitude)
    if None in places:
        return 5.0
    return distance_bearing(*(float(place or 0.0) for place in places)).distance_km


def of_current(point: Point, milliamps: float) -> float:
    """Return the value a point's scaling makes of a loop current."""
    raw = point.raw or (4000.0, 20000.0)
    low, high = point.value or (0.0, 100.0)
    return low + (milliamps * 1000.0 - raw[0]) * (high - low) / (raw[1] - raw[0])


def _ms(at_s: Floats) -> np.ndarray:
    return np.asarray((at_s * 1000.0).astype(np.int64))
