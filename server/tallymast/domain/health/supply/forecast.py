"""When the load will be disconnected: a range of days, made in charge and not in volts.

A straight line through volts errs to the dangerous side, because a rest voltage falls slowly as
long as there is charge and then breaks down. So every possible battery (particles.py) is run
along its own curve beside the pre-dawn voltages; those that went as the voltages did are run on
to the disconnect voltage, under weather that is as uncertain as it has been.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.supply.chemistry import LEAD_ACID, REFERENCE_C, REST_DRIFT_V
from tallymast.domain.health.supply.load import UNCERTAIN
from tallymast.domain.health.supply.model import Forecast
from tallymast.domain.health.supply.particles import (
    COUNT,
    Cloud,
    charge_of,
    cloud,
    volts_and_slope,
)
from tallymast.domain.model import Chemistry

Floats = NDArray[np.float64]

SURE_NIGHTS = 7
"""A forecast from fewer nights is marked wide."""
_MOST_NIGHTS = 24
_METER_V = 0.06  # one standard deviation of a meter that may err by 1 % of 12 V
_KNOWN_METER_V = 0.02  # where a hand meter has been there
_NOISE_V = 0.012  # Ours: a median of two hours, weather and all
_USUAL_AH = 33.0  # Ours: where nobody wrote the capacity down, within a factor of two
_FAR_DAYS = 90.0  # Ours: so far off the season decides, not this decline: it may not come at all
# Ours, shares of the load: how far a day's loss wanders, how fast its mean drifts, with some
# charge and with none.
_WANDER, _DRIFT = 0.25, 0.06
_WANDER_CUT, _DRIFT_CUT = 0.03, 0.01
_SWING, _FAIR = 0.7, 0.04  # of what is charged from day to day to come, and of the load itself
_START, _NET = 0.02, 0.12  # standard deviation of the first charge, and share of the first loss
_FEWEST = 100.0  # a weight is flattened until one particle in so many counts


@dataclass(frozen=True, slots=True)
class Battery:
    """What is known of a battery before its nights are looked at.

    Attributes:
        chemistry: of lead-acid.
        packs: 12 V packs in a row.
        disconnect_v: of the pack as it is [V].
        load_a: the station's usual load [A].
        capacity_ah: as rated, None where nobody wrote it down.
        age_years: None where nobody wrote down when it was fitted.
        offset_v: by how much its meter reads too high, found with a hand meter; 0: not known.
        temperature_c: of the battery, a mean over these nights.
        around_c: how far that may be wrong, one standard deviation [K].

    """

    chemistry: Chemistry
    packs: float
    disconnect_v: float
    load_a: float
    capacity_ah: float | None = None
    age_years: float | None = None
    offset_v: float = 0.0
    temperature_c: float = 15.0
    around_c: float = 8.0


@dataclass(frozen=True, slots=True)
class Decline:
    """The nights of a decline, from the last one that followed a good day.

    Attributes:
        at_ms: when the newest night ended.
        days: of each night, ascending.
        volts: before its dawn [V of the pack as it is].
        was_full: whether the battery was full when it began.
        charges: whether there is still some charge, only too little.
        resolution_v: steps of the meter [V].

    """

    at_ms: int
    days: Sequence[int]
    volts: Sequence[float]
    was_full: bool
    charges: bool
    resolution_v: float = 0.01


@dataclass(frozen=True, slots=True)
class _Ways:
    """Each particle's battery; shares are of its usable charge, voltages of a 12 V pack."""

    cloud: Cloud
    rests_v: Floats  # added to its curve: sealed, and the temperature
    meter_v: Floats  # added by the meter
    load: Floats  # share the load takes a day
    net: Floats  # share lost a day, before any night is looked at
    start: Floats  # charge at the first night
    charges: bool


@dataclass(frozen=True, slots=True)
class _State:
    """Where each particle is after the nights: charge and daily loss, their variances, weight."""

    charge: Floats
    net: Floats
    of_charge: Floats
    of_both: Floats
    of_net: Floats
    weight: Floats


def forecast(battery: Battery, decline: Decline) -> Forecast | None:
    """Return in how many days the load will be disconnected, 10 to 90 %.

    None for anything but lead-acid, for fewer than two nights, and where most ways the battery
    may be do not come down at all.
    """
    if battery.chemistry not in LEAD_ACID or len(decline.days) < 2:
        return None
    ways = _ways(battery, decline)
    state = _followed(ways, battery, decline)
    days = _days_left(ways, battery, state)
    low, median, high = _quantiles(days, state.weight, (0.1, 0.5, 0.9))
    if median >= _FAR_DAYS:
        return None
    return Forecast(
        decline.at_ms,
        low,
        median,
        None if high >= _FAR_DAYS else high,
        battery.disconnect_v,
        len(decline.days),
        len(decline.days) < SURE_NIGHTS,
    )


def _ways(battery: Battery, decline: Decline) -> _Ways:
    drawn = cloud(battery.chemistry)
    normal = drawn.normal
    temperature = battery.temperature_c + battery.around_c * normal[:, 0]
    error = _KNOWN_METER_V if battery.offset_v else _METER_V
    load = np.exp(normal[:, 2] * UNCERTAIN * 0.8) * battery.load_a * 24.0
    share = load / _usable_ah(battery, normal[:, 3])
    covered = _covered(drawn.even, decline.charges)
    return _Ways(
        drawn,
        drawn.sealed_v + REST_DRIFT_V * (temperature - REFERENCE_C),
        battery.offset_v / battery.packs + error * normal[:, 1],
        share,
        share * (1.0 - covered),
        1.0 - (0.03 if decline.was_full else 0.2) * np.abs(normal[:, 5]),
        decline.charges,
    )


def _covered(even: Floats, charges: bool) -> Floats:
    """Return the share of the load that is still charged, by even draws.

    Ours: where no charge is seen seven in ten have none, the rest up to half of their load.
    """
    if charges:
        return 0.05 + 1.0 * even
    return np.clip((even - 0.7) / 0.3, 0.0, 1.0) * 0.5


def _usable_ah(battery: Battery, normal: Floats) -> Floats:
    """Return what each particle's battery holds [Ah]: rated, age and cold.

    Ours: of its rating a battery keeps 0.95 when new and 0.03 less each year, down to 0.7; it may
    be a fifth more or less. One of unknown age is taken for two years old.
    """
    if battery.capacity_ah is None:
        return np.asarray(_USUAL_AH * np.exp(0.7 * normal))
    age = 2.0 if battery.age_years is None else battery.age_years
    kept = max(0.95 - 0.03 * age, 0.7) * _cold_share(battery.temperature_c)
    return np.asarray(battery.capacity_ah * kept * np.exp(0.2 * normal))


# Public sizing worksheets divide the capacity by these at 80, 70 … 20 °F.
_COLD_C = (-6.67, -1.11, 4.44, 10.0, 15.56, 21.11, 26.67)
_COLD_DIVISOR = (1.59, 1.40, 1.30, 1.19, 1.11, 1.04, 1.00)


def _cold_share(temperature_c: float) -> float:
    """Return the share of its capacity a battery gives to a small load in the cold.

    Ours: the published shares are for a discharge within a day; between them and none at all.
    """
    full = 1.0 / float(np.interp(temperature_c, _COLD_C, _COLD_DIVISOR))
    return 0.5 + 0.5 * full


def _followed(ways: _Ways, battery: Battery, decline: Decline) -> _State:
    """Run each particle beside the nights, charge and daily loss together.

    An extended Kalman filter a particle; its likelihood is the weight.
    """
    noise = _NOISE_V**2 + (decline.resolution_v / battery.packs) ** 2 / 12.0
    charge, net = ways.start.copy(), ways.net.copy()
    of_charge, of_both = np.full(COUNT, _START**2), np.zeros(COUNT)
    of_net = (_NET * ways.net) ** 2 + (0.05 * ways.load) ** 2
    wander, drift = (_WANDER, _DRIFT) if ways.charges else (_WANDER_CUT, _DRIFT_CUT)
    log_weight = np.zeros(COUNT)
    before = decline.days[0]
    for place in _looked_at(len(decline.days)):
        passed = decline.days[place] - before
        before = decline.days[place]
        charge = charge - net * passed
        of_charge = of_charge - passed * (2.0 * of_both - passed * of_net)
        of_charge += passed * (wander * ways.load) ** 2
        of_both = of_both - passed * of_net
        of_net = of_net + passed * (drift * ways.load) ** 2
        rest, slope = volts_and_slope(ways.cloud.curve, charge)
        slope = np.maximum(slope, 0.3)
        missing = decline.volts[place] / battery.packs - rest - ways.rests_v - ways.meter_v
        expected = slope**2 * of_charge + noise
        log_weight -= 0.5 * (missing**2 / expected + np.log(expected))
        gain, turn = of_charge * slope / expected, of_both * slope / expected
        charge = np.clip(charge + gain * missing, -0.1, 1.05)
        net = net + turn * missing
        of_net = of_net - turn * slope * of_both
        of_charge, of_both = of_charge * (1 - gain * slope), of_both * (1 - gain * slope)
    return _State(charge, net, of_charge, of_both, of_net, _weight(log_weight))


def _weight(log_weight: Floats) -> Floats:
    """Return the weights, flattened until enough particles count.

    A cloud is coarse, and no curve of it is quite the battery's.
    """
    log_weight = log_weight - log_weight.max()
    for _ in range(12):
        weight = np.exp(log_weight)
        weight /= weight.sum()
        if 1.0 / float((weight**2).sum()) >= COUNT / _FEWEST:
            break
        log_weight = log_weight * 0.7
    return weight


def _looked_at(count: int) -> list[int]:
    """Return which nights are looked at: all, or evenly some of many, both ends among them."""
    if count <= _MOST_NIGHTS:
        return list(range(count))
    return sorted({round(place) for place in np.linspace(0, count - 1, _MOST_NIGHTS)})


def _days_left(ways: _Ways, battery: Battery, state: _State) -> Floats:
    """Return each particle's days to disconnect; endless where it gains charge."""
    normal = ways.cloud.normal
    off = np.sqrt(state.of_net) * normal[:, 6]
    tied = state.of_both / state.of_net
    apart = np.sqrt(np.maximum(state.of_charge - tied * state.of_both, 0.0))
    end_v = battery.disconnect_v / battery.packs - ways.rests_v
    above = state.charge + tied * off + apart * normal[:, 7]
    above = np.maximum(above - charge_of(ways.cloud.curve, end_v), 0.0)
    net = np.minimum(state.net + off, 1.2 * ways.load)
    covered = np.clip(1.0 - net / ways.load, 0.0, 1.0)
    swing = normal[:, 4] * ways.load * (_FAIR + _SWING * covered)
    least = np.maximum(net, 1e-5)
    # net · t = above + swing · √t, solved for √t: weather scatters by the root of the time
    root = (swing + np.sqrt(swing**2 + 4.0 * least * above)) / (2.0 * least)
    return np.where(net > 0.0, np.minimum(root**2, _FAR_DAYS), _FAR_DAYS)


def _quantiles(values: Floats, weight: Floats, shares: Sequence[float]) -> list[float]:
    order = np.argsort(values)
    upto = np.cumsum(weight[order]) - 0.5 * weight[order]
    return [float(value) for value in np.interp(shares, upto, values[order])]
