"""What a site's voltmeter shows through days and nights, and when the site goes dark.

Voltages are formed as of a 12 V pack and scaled to the site's nominal voltage at the end.
"""

from datetime import UTC, datetime

import numpy as np

from tallymast.domain.model import Chemistry, Site, SiteClass, Supply, SupplyKind
from tallymast.simulator.battery import (
    CHARGING,
    held_voltage,
    rest_drift,
    rest_voltage,
)
from tallymast.simulator.chance import Chance, Floats
from tallymast.simulator.charge import Charge, ChargeRules, Conditions, lifted, slow_share
from tallymast.simulator.faults import Fault, FaultKind, Faults, grown
from tallymast.simulator.sun import clear_sky, on_panel, sun_position
from tallymast.simulator.weather import Weather

IDLE_A = 0.045  # a station listening all the time
LOOP_A = 0.028  # one 24 V loop that stays powered; others are powered for a sample only
DUTY_CYCLED_A = 0.0015
TRANSMIT_A = 1.5
_TRANSMIT_S = 0.12  # Ours: one answer of some 50 bytes and the key-up
_PANEL_V = 17.5  # voltage at which a 12 V panel gives its rated power
_WIRING = 0.9  # dust, wiring and mismatch
_CHARGER_A = 3.0  # Ours: a small charger on mains
_NIGHT_SHARE = 0.88  # of a worn battery's charge, what is used before the load is disconnected


class SitePower:
    """The supply of one site.

    Args:
        site: with its supply; without one it counts as mains.
        weather: where it stands.
        seed: the network's.
        faults: ordered troubles.

    """

    def __init__(
        self, site: Site, weather: Weather, seed: int, faults: Faults | None = None
    ) -> None:
        self._site = site
        self._supply = site.supply or Supply(SupplyKind.MAINS)
        self._packs = self._supply.nominal_v / 12.0
        self._weather = weather
        self._faults = faults or Faults()
        self._noise = Chance(seed, site.key, "volts")
        self._sag = Chance(seed, site.key, "sag")
        chemistry = self._supply.chemistry or Chemistry.AGM
        self._chemistry = chemistry if chemistry in CHARGING else Chemistry.AGM
        self._full_ah = self._supply.capacity_ah or 33.0
        self._latitude = site.latitude or 0.0
        self._longitude = site.longitude or 0.0
        self.load_a = _load_a(site, self._packs)
        self._uncharged = bool(self._faults.of(FaultKind.NO_CHARGE, site))
        self._worn = [
            (fault, self._worn_to_ah(fault))
            for fault in self._faults.of(FaultKind.WORN_BATTERY, site)
        ]
        rules = ChargeRules(
            self._chemistry,
            self.load_a,
            _of_twelve(self._supply.disconnect_v, self._packs, 11.5),
            _of_twelve(self._supply.reconnect_v, self._packs, 12.6),
        )
        self._charge = Charge(rules, self._conditions, self._latitude)

    @property
    def _works_a_battery(self) -> bool:
        """Whether the battery's charge has to be known: else it is floated all year."""
        kind = self._supply.kind
        return kind is SupplyKind.SOLAR or (
            kind is SupplyKind.MAINS_WITH_BATTERY and (self._uncharged or bool(self._worn))
        )

    def voltage(self, at_s: Floats) -> Floats:
        """Return what the station's voltmeter shows [V]."""
        kind = self._supply.kind
        if self._works_a_battery:
            shown = self._battery_v(at_s) * self._packs
        elif kind is SupplyKind.PRIMARY:
            shown = self._primary(at_s)
        elif kind is SupplyKind.MAINS_WITH_BATTERY:
            held = CHARGING[self._chemistry].float_v
            shown = (held + 0.02 * self._noise.smooth(at_s, 7200.0)) * self._packs
        else:
            shown = (13.8 + 0.03 * self._noise.smooth(at_s, 600.0)) * self._packs
        ripple = 0.008 * self._noise.normal(at_s.astype(np.int64))
        return self._overcharged(shown, at_s) + ripple + self._supply.meter_offset_v

    def is_on(self, at_s: Floats) -> np.ndarray:
        """Return whether the station has power at each instant."""
        at_ms = _ms(at_s)
        is_on = ~self._faults.holds(FaultKind.POWER_CUT, self._site, at_ms)
        if self._works_a_battery:
            return np.asarray(is_on & self._charge.at(at_s).is_on)
        if self._supply.kind is SupplyKind.MAINS and self._uncharged:
            return np.asarray(is_on & ~self._faults.holds(FaultKind.NO_CHARGE, self._site, at_ms))
        return np.asarray(is_on)

    def dark_spans(self, upto_s: float) -> list[tuple[float, float]]:
        """Return when the station had no power, since midsummer, in order of time [s UTC]."""
        spans = self._charge.dark_spans(upto_s) if self._works_a_battery else []
        cuts = [
            (fault.from_ms / 1000.0, fault.to_ms / 1000.0)
            for fault in self._faults.of(FaultKind.POWER_CUT, self._site)
            if fault.from_ms / 1000.0 <= upto_s
        ]
        return sorted(spans + cuts)

    def is_charging(self, at_s: Floats) -> np.ndarray:
        """Return whether a charger feeds the battery at each instant."""
        if self._supply.kind is SupplyKind.SOLAR:
            return self._charge_a(at_s) > self.load_a
        if self._supply.kind is SupplyKind.MAINS_WITH_BATTERY:
            return self._charge_a(at_s) > 0.0
        return np.zeros(len(at_s), dtype=bool)

    # --- what the voltmeter sees

    def _battery_v(self, at_s: Floats) -> Floats:
        """Return the terminal voltage, as of a 12 V pack."""
        state, now = self._charge.at(at_s), self._conditions(at_s)
        charge, temperature = state.charge, now.temperature_c
        surplus = now.charge_a - self.load_a * state.is_on
        rest = rest_voltage(self._chemistry, charge) + rest_drift(self._chemistry, temperature)
        held = held_voltage(CHARGING[self._chemistry], temperature, state.floating)
        pushed = rest + np.maximum(held - rest, 0.0) * lifted(
            np.maximum(surplus, 0.0), now.capacity_ah, charge
        )
        current = self.load_a + TRANSMIT_A / self._packs * self._transmits(at_s)
        drop = current * self._resistance(charge, now.capacity_ah)
        left = rest + state.surface_v  # of the last charging
        charging = np.maximum(pushed, np.minimum(left, np.maximum(held, rest)))
        return np.asarray(np.where(surplus > 0.0, charging, left - drop))

    def _overcharged(self, shown: Floats, at_s: Floats) -> Floats:
        """Return the voltage with a controller that holds the battery too high while it charges."""
        for fault in self._faults.of(FaultKind.OVERCHARGE, self._site):
            wrong = self._faults.during(fault, _ms(at_s)) & self.is_charging(at_s)
            near = shown > self._supply.nominal_v * 1.08  # it holds what comes near its set-point
            shown = np.where(wrong & near, np.maximum(shown, fault.volts), shown)
        return shown

    def _resistance(self, charge: Floats, capacity_ah: Floats) -> Floats:
        """Return what a load current drops, battery and wiring [Ω of a 12 V pack]."""
        inner = 0.02 * np.minimum(33.0 / capacity_ah, 8.0)  # Ours: worn plates, not a broken cell
        return np.asarray(0.05 + inner * (1.0 + 2.0 * (1.0 - charge)))

    def _transmits(self, at_s: Floats) -> Floats:
        """Return 1 where the reading caught the transmitter or a solenoid, else 0."""
        return (self._sag.uniform(at_s.astype(np.int64)) < 0.015).astype(np.float64)

    def _primary(self, at_s: Floats) -> Floats:
        """Return a lithium primary pack's voltage: flat until its last tenth."""
        fitted_s = _fitted_s(self._supply)
        used = self.load_a * np.maximum(at_s - fitted_s, 0.0) / 3600.0 / self._full_ah
        used = used % 0.85  # Ours: somebody renews it before it is empty.
        cold = 0.004 * (self._weather.box_temperature_c(at_s) - 25.0)
        drop = 0.15 + 0.35 * used**4 + 0.3 * self._transmits(at_s)
        return self._supply.nominal_v * np.ones(len(at_s)) - drop + cold

    # --- what works on the battery

    def _conditions(self, at_s: Floats) -> Conditions:
        temperature = self._weather.box_temperature_c(at_s)
        return Conditions(self._charge_a(at_s), self._capacity_ah(at_s), temperature)

    def _charge_a(self, at_s: Floats) -> Floats:
        """Return what the charger could give; a panel in frost at most the load, to lithium [A]."""
        if self._supply.kind is SupplyKind.SOLAR:
            current = self._panel_a(at_s)
        else:
            current = np.full(len(at_s), _CHARGER_A)
        if self._uncharged:
            current = current * (
                1.0 - self._faults.rate(FaultKind.NO_CHARGE, self._site, _ms(at_s))
            )
        if self._chemistry is Chemistry.LIFEPO4:
            is_frost = self._weather.box_temperature_c(at_s) < 0.0
            return np.asarray(np.where(is_frost, np.minimum(current, self.load_a), current))
        return np.asarray(current)

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

    def _capacity_ah(self, at_s: Floats) -> Floats:
        """Return what the battery holds when full and warm, wear included [Ah]."""
        capacity = np.full(len(at_s), self._full_ah)
        for fault, last_ah in self._worn:
            way = grown(fault, _ms(at_s))
            first_ah = fault.capacity_ah[0]
            capacity = np.where(way > 0.0, first_ah + (last_ah - first_ah) * way, capacity)
        return capacity

    def _worn_to_ah(self, fault: Fault) -> float:
        """Return the capacity a wearing battery ends with [Ah]."""
        if fault.dark_at_s is None:
            return fault.capacity_ah[1]
        end_s = fault.to_ms // 1000
        local_s = int(self._faults.local_s(np.array([fault.to_ms]))[0])
        dark_s = end_s + (fault.dark_at_s - local_s) % 86_400
        before = dark_s - 300.0 * np.arange(288, dtype=np.float64)
        charged = np.flatnonzero(self._panel_a(before) > self.load_a)
        hours = float(charged[0]) / 12.0 if len(charged) else 24.0
        box_c = self._weather.box_temperature_c(before[:1])
        usable = _NIGHT_SHARE * float(slow_share(self._chemistry, box_c)[0])
        return self.load_a * hours / usable


def _ms(at_s: Floats) -> np.ndarray:
    return np.asarray((at_s * 1000.0).astype(np.int64))


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
