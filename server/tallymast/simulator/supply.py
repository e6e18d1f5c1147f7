"""What a site's voltmeter shows through days and nights, and when the site goes dark.

Voltages are formed as of a 12 V pack and scaled to the site's nominal voltage at the end.
"""

from datetime import UTC, datetime

import numpy as np

from tallymast.domain.model import Chemistry, Site, SiteClass, Supply, SupplyKind
from tallymast.simulator.battery import CHARGING, held_voltage, rest_drift, rest_voltage
from tallymast.simulator.chance import Chance, Floats
from tallymast.simulator.charge import Charge, ChargeRules, accepted_a
from tallymast.simulator.sun import clear_sky, on_panel, sun_position
from tallymast.simulator.weather import Weather

IDLE_A = 0.045  # a station listening all the time
LOOP_A = 0.028  # one 24 V loop that stays powered; others are powered for a sample only
DUTY_CYCLED_A = 0.0015
TRANSMIT_A = 1.5
_TRANSMIT_S = 0.12  # Ours: one answer of some 50 bytes and the key-up
_PANEL_V = 17.5  # voltage at which a 12 V panel gives its rated power
_WIRING = 0.9  # dust, wiring and mismatch


class SitePower:
    """The supply of one site.

    Args:
        site: with its supply; without one it counts as mains.
        weather: where it stands.
        seed: the network's.

    """

    def __init__(self, site: Site, weather: Weather, seed: int) -> None:
        self._site = site
        self._supply = site.supply or Supply(SupplyKind.MAINS)
        self._packs = self._supply.nominal_v / 12.0
        self._weather = weather
        self._noise = Chance(seed, site.key, "volts")
        self._sag = Chance(seed, site.key, "sag")
        self._chemistry = self._supply.chemistry or Chemistry.AGM
        self._capacity_ah = self._supply.capacity_ah or 33.0
        self._latitude = site.latitude or 0.0
        self._longitude = site.longitude or 0.0
        self.load_a = _load_a(site, self._packs)
        self._charge = self._battery()

    def _battery(self) -> Charge:
        """Return the battery's charge over time; of a site that is not solar nobody asks for it."""
        solar = self._supply.kind is SupplyKind.SOLAR
        rules = ChargeRules(
            self._chemistry if solar else Chemistry.AGM,
            self._capacity_ah,
            self.load_a,
            _of_twelve(self._supply.disconnect_v, self._packs, 11.5),
            _of_twelve(self._supply.reconnect_v, self._packs, 12.6),
        )
        return Charge(rules, self._charge_a, self._weather, self._latitude)

    def voltage(self, at_s: Floats) -> Floats:
        """Return what the station's voltmeter shows [V]."""
        kind = self._supply.kind
        if kind is SupplyKind.SOLAR:
            shown = self._solar(at_s) * self._packs
        elif kind is SupplyKind.PRIMARY:
            shown = self._primary(at_s)
        elif kind is SupplyKind.MAINS_WITH_BATTERY:
            held = CHARGING.get(self._chemistry, CHARGING[Chemistry.AGM]).float_v
            shown = (held + 0.02 * self._noise.smooth(at_s, 7200.0)) * self._packs
        else:
            shown = (13.8 + 0.03 * self._noise.smooth(at_s, 600.0)) * self._packs
        ripple = 0.008 * self._noise.normal(at_s.astype(np.int64))
        return shown + ripple + self._supply.meter_offset_v

    def is_on(self, at_s: Floats) -> np.ndarray:
        """Return whether the station has power at each instant."""
        if self._supply.kind is not SupplyKind.SOLAR:
            return np.ones(len(at_s), dtype=bool)
        return self._charge.at(at_s).is_on

    def is_charging(self, at_s: Floats) -> np.ndarray:
        """Return whether a charger feeds the battery at each instant."""
        if self._supply.kind is SupplyKind.SOLAR:
            return self._panel_a(at_s) > self.load_a
        return np.full(len(at_s), self._supply.kind is SupplyKind.MAINS_WITH_BATTERY)

    # --- what the voltmeter sees

    def _solar(self, at_s: Floats) -> Floats:
        """Return the terminal voltage, as of a 12 V pack."""
        state = self._charge.at(at_s)
        charge = state.charge
        temperature = self._weather.daily_temperature_c(at_s)
        surplus = self._charge_a(at_s) - self.load_a * state.is_on
        rest = rest_voltage(self._chemistry, charge) + rest_drift(self._chemistry, temperature)
        held = held_voltage(CHARGING[self._chemistry], temperature, is_full=state.is_full)
        rising = np.minimum(rest + self._push(surplus, charge), np.maximum(held, rest))
        taken = accepted_a(self._capacity_ah, charge)
        charging = np.where(surplus >= taken, np.maximum(held, rest), rising)
        current = self.load_a + TRANSMIT_A / self._packs * self._transmits(at_s)
        falling = rest + state.surface_v - np.maximum(current, -surplus) * self._resistance(charge)
        return np.asarray(np.where(surplus > 0.0, charging, falling))

    def _push(self, surplus: Floats, charge: Floats) -> Floats:
        """Return how far a charging current lifts the terminals over rest [V]."""
        strength = 1.0 - np.exp(-np.maximum(surplus, 0.0) / (0.02 * self._capacity_ah))
        if self._chemistry is Chemistry.LIFEPO4:
            return strength * (0.25 + 0.5 * charge**12)
        return strength * (0.35 + 1.3 * charge**4)

    def _resistance(self, charge: Floats) -> Floats:
        """Return what a load current drops, battery and wiring [Ω of a 12 V pack]."""
        return 0.05 + 0.02 * (33.0 / self._capacity_ah) * (1.0 + 2.0 * (1.0 - charge))

    def _transmits(self, at_s: Floats) -> Floats:
        """Return 1 where the reading caught the transmitter or a solenoid, else 0."""
        return (self._sag.uniform(at_s.astype(np.int64)) < 0.015).astype(np.float64)

    def _primary(self, at_s: Floats) -> Floats:
        """Return a lithium primary pack's voltage: flat until its last tenth."""
        fitted_s = _fitted_s(self._supply)
        used = self.load_a * np.maximum(at_s - fitted_s, 0.0) / 3600.0 / self._capacity_ah
        used = used % 0.85  # Ours: somebody renews it before it is empty.
        cold = 0.004 * (self._weather.daily_temperature_c(at_s) - 25.0)
        drop = 0.15 + 0.35 * used**4 + 0.3 * self._transmits(at_s)
        return self._supply.nominal_v * np.ones(len(at_s)) - drop + cold

    # --- the charge, step by step

    def _panel_a(self, at_s: Floats) -> Floats:
        """Return what the panel can give [A]."""
        sun = sun_position(at_s, self._latitude, self._longitude)
        ground = clear_sky(sun) * self._weather.clearness(at_s)
        tilt = self._supply.panel_tilt
        azimuth = self._supply.panel_azimuth
        south = 180.0 if self._latitude >= 0 else 0.0
        light = on_panel(
            ground,
            sun,
            min(abs(self._latitude) + 15.0, 80.0) if tilt is None else tilt,
            south if azimuth is None else azimuth,
        )
        rated = (self._supply.panel_w or 20.0) / (_PANEL_V * self._packs)
        return rated * _WIRING * light / 1000.0

    def _charge_a(self, at_s: Floats) -> Floats:
        """Return the panel's current, no more than the load where frost forbids charging [A]."""
        current = self._panel_a(at_s)
        if self._chemistry is Chemistry.LIFEPO4:
            is_frost = self._weather.daily_temperature_c(at_s) < 0.0
            return np.asarray(np.where(is_frost, np.minimum(current, self.load_a), current))
        return current


def _of_twelve(voltage: float | None, packs: float, otherwise: float) -> float:
    """Return a voltage as of a 12 V pack, a default where nobody wrote one down."""
    return otherwise if voltage is None else voltage / packs


def _load_a(site: Site, packs: float) -> float:
    """Return what a station draws on average [A]."""
    if site.site_class is SiteClass.DUTY_CYCLED:
        return DUTY_CYCLED_A
    has_loop = any(point.loop for point in site.points)
    sending = TRANSMIT_A * _TRANSMIT_S / site.poll_every_s
    return (IDLE_A + sending) / packs + LOOP_A * has_loop


def _fitted_s(supply: Supply) -> float:
    """Return when the battery was fitted [s UTC], some day in 2017 where nobody wrote it down."""
    if supply.installed is None:
        return 1.5e9
    day = supply.installed
    return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()
