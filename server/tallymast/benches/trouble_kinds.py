"""What goes wrong: each kind of trouble, at which sites it can be drawn, and how.

What is not drawn, and why. A shared address behind Modbus/TCP: its converter drops what is
garbled, so nothing is left to tell it by. A fall of the signal at a site without a signal point
that is too small to lose polls. A battery worn out at a lithium or mains site: no night tells it.
A mains-only station without mains: nothing but silence. A power cut at a station that does not
count its restarts. A visitor's work: the simulator's past has no maintenance. No site has two
troubles, and none behind a repeater that dies has one.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.random import Generator

from tallymast.benches.drawn_networks import DAY_MS, Drawn
from tallymast.benches.trouble_labels import Trouble
from tallymast.domain.bearings import bearing_between, narrow_arc
from tallymast.domain.health.supply.limits import limits_of
from tallymast.domain.model import Chemistry, Point, PointKind, Site, SupplyKind, Transport
from tallymast.simulator.faults import FOREVER_MS, Fault, FaultKind
from tallymast.simulator.site_model import mean_signal_dbm
from tallymast.simulator.supply import SitePower
from tallymast.simulator.weather import Weather

HOUR_MS = 3_600_000
FIRST_DAY, LAST_DAYS = 12, 6  # troubles begin after so many days, and so many before the end
LOSES_DBM = -98.0  # here half of the moments are too weak: polls are lost
_LEAST_SLOW_DAYS, _MOST_SLOW_DAYS = 10.0, 25.0


class Hand:
    """What drawing needs at hand: the network, chance, and which sites are taken."""

    def __init__(self, drawn: Drawn, chance: Generator) -> None:
        self.drawn = drawn
        self.chance = chance
        self.taken: set[str] = set()
        self.days = (drawn.end_ms - drawn.begin_ms) / DAY_MS

    def free(self, suits: Callable[[Site], bool] = lambda _: True) -> list[Site]:
        """Return sites (as they truly are) without a trouble that suit, in an order by chance."""
        sites = [one for one in self.drawn.true.sites if one.key not in self.taken and suits(one)]
        return [sites[n] for n in self.chance.permutation(len(sites))]

    def begin_ms(self, lasts_days: float = LAST_DAYS) -> int | None:
        """Return when a trouble begins that wants so many days; None where there are too few."""
        room = self.days - lasts_days - FIRST_DAY
        if room < 0:
            return None
        day = FIRST_DAY + float(self.chance.uniform(0.0, room))
        return self.drawn.begin_ms + round(day * DAY_MS) // 60_000 * 60_000

    def between(self, low: float, high: float) -> float:
        """Return a number drawn evenly."""
        return float(self.chance.uniform(low, high))

    def signal_dbm(self, site: Site) -> float:
        """Return a site's usual signal [dBm]."""
        return mean_signal_dbm(self.drawn.network, site)


def _of_site(label: str, site: Site, fault: Fault) -> Trouble:
    return Trouble(label, (site.key,), "", fault.from_ms, fault.to_ms, (fault,))


def _simple(
    label: str, suits: Callable[[Site], bool], made: Callable[[Hand, Site, int], Fault | None]
) -> Callable[[Hand], Trouble | None]:
    """Return what draws a trouble of one site that begins at any hour."""

    def draw(hand: Hand) -> Trouble | None:
        begin_ms = hand.begin_ms()
        if begin_ms is None:
            return None
        for site in hand.free(suits):
            fault = made(hand, site, begin_ms)
            if fault is not None:
                return _of_site(label, site, fault)
        return None

    return draw


# --- which sites can have it ------------------------------------------------------------


def _has(site: Site, kind: PointKind) -> bool:
    return site.point_of(kind) is not None


def _kind(site: Site) -> SupplyKind | None:
    return site.supply.kind if site.supply else None


def _is_metered_solar(site: Site) -> bool:
    return _kind(site) is SupplyKind.SOLAR and _has(site, PointKind.SUPPLY_VOLTAGE)


def _is_metered_mains(site: Site) -> bool:
    is_mains = _kind(site) is SupplyKind.MAINS_WITH_BATTERY
    return is_mains and _has(site, PointKind.SUPPLY_VOLTAGE)


def _is_lead_acid(site: Site) -> bool:
    is_lead = site.supply is not None and site.supply.chemistry is not Chemistry.LIFEPO4
    return is_lead and (_is_metered_solar(site) or _is_metered_mains(site))


def _loops(site: Site) -> list[Point]:
    return [point for point in site.points if point.loop]


def _counts(site: Site) -> bool:
    return _has(site, PointKind.COUNTER)


# --- what happens -----------------------------------------------------------------------


def _no_charge(hand: Hand, site: Site, begin_ms: int) -> Fault:
    del hand
    return Fault(FaultKind.NO_CHARGE, site.key, None, begin_ms)


def _overcharge(hand: Hand, site: Site, begin_ms: int) -> Fault:
    """A controller that holds the battery 1.0 to 1.6 V over what is usual there.

    Less can be told from a charger's boost, or from what frost adds, by nobody.
    """
    supply, limits = site.supply, limits_of(site.supply) if site.supply else None
    assert supply is not None
    assert limits is not None
    drawn = hand.drawn
    weather = Weather(drawn.seed, site.latitude or 0.0, site.longitude or 0.0)
    at_s = np.arange(drawn.begin_ms / 1000.0, drawn.end_ms / 1000.0, 1800.0)
    usual = float(np.percentile(SitePower(site, weather, drawn.seed).voltage(at_s), 99.0))
    if supply.kind is SupplyKind.MAINS_WITH_BATTERY:
        usual = limits.absorption_v[0]
    volts = usual + hand.between(1.0, 1.6) * supply.nominal_v / 12.0
    return Fault(FaultKind.OVERCHARGE, site.key, None, begin_ms, volts=volts)


def _signal_step(hand: Hand, site: Site, begin_ms: int) -> Fault | None:
    db = -hand.between(10.0, 25.0)
    shows = _has(site, PointKind.SIGNAL) or hand.signal_dbm(site) + db < LOSES_DBM
    return Fault(FaultKind.SIGNAL, site.key, None, begin_ms, db=db) if shows else None


def _dead(hand: Hand, site: Site, begin_ms: int) -> Fault:
    del hand
    return Fault(FaultKind.DEAD, site.key, None, begin_ms)


def _refused(hand: Hand, site: Site, begin_ms: int) -> Fault:
    code = int(hand.chance.choice([1, 2, 2, 3]))
    return Fault(FaultKind.REFUSED, site.key, None, begin_ms, code=code)


def _loop(hand: Hand, site: Site, begin_ms: int) -> Fault:
    point = _loops(site)[int(hand.chance.integers(len(_loops(site))))]
    is_low = hand.chance.random() < 0.6
    milliamps = hand.between(0.0, 3.55) if is_low else hand.between(21.2, 23.0)
    return Fault(FaultKind.LOOP, site.key, None, begin_ms, tag=point.tag, milliamps=milliamps)


def _stuck(hand: Hand, site: Site, begin_ms: int) -> Fault:
    point = _loops(site)[int(hand.chance.integers(len(_loops(site))))]
    return Fault(FaultKind.STUCK, site.key, None, begin_ms, tag=point.tag)


def _shared(hand: Hand, site: Site, begin_ms: int) -> Fault | None:
    gateway = next(one for one in hand.drawn.network.gateways if one.key == site.gateway)
    if gateway.transport is Transport.MODBUS_TCP:
        return None
    ends = begin_ms + round(hand.between(6.0, 72.0) * HOUR_MS)
    to_ms = ends if hand.chance.random() < 0.5 else FOREVER_MS
    rate = hand.between(0.4, 0.95)
    return Fault(FaultKind.SHARED_ADDRESS, site.key, None, begin_ms, to_ms, rate=rate)


def _worn(hand: Hand) -> Trouble | None:
    """A battery that loses its capacity over weeks, until it is empty in the small hours."""
    lasts = hand.between(_LEAST_SLOW_DAYS, min(_MOST_SLOW_DAYS, hand.days - FIRST_DAY - 4.0))
    begin_ms = hand.begin_ms(lasts + 4.0)
    suits = hand.free(lambda one: _is_lead_acid(one) and _kind(one) is SupplyKind.SOLAR)
    if begin_ms is None or not suits:
        return None
    site = suits[0]
    full = (site.supply.capacity_ah if site.supply else None) or 33.0
    fault = Fault(
        FaultKind.WORN_BATTERY,
        site.key,
        None,
        begin_ms,
        begin_ms + round(lasts * DAY_MS),
        capacity_ah=(full, 1.0),
        dark_at_s=round(hand.between(1.0, 4.5) * 3600.0),
    )
    return replace(_of_site("worn-battery", site, fault), to_ms=FOREVER_MS)


def _fall(hand: Hand) -> Trouble | None:
    """A signal that falls a little every day: foliage, a dish that turns, water in a cable."""
    lasts = hand.between(_LEAST_SLOW_DAYS, _MOST_SLOW_DAYS)
    begin_ms = hand.begin_ms(_LEAST_SLOW_DAYS)
    db = -hand.between(12.0, 25.0)
    for site in hand.free():
        shows = _has(site, PointKind.SIGNAL) or hand.signal_dbm(site) + db < LOSES_DBM - 2.0
        if begin_ms is not None and shows:
            end_ms = begin_ms + round(lasts * DAY_MS)
            fault = Fault(FaultKind.SIGNAL, site.key, None, begin_ms, end_ms, db=db, grows=True)
            return replace(_of_site("signal-fall", site, fault), to_ms=FOREVER_MS)
    return None


def _interference(hand: Hand) -> Trouble | None:
    """Somebody else's transmitter: at one site, or at all of a gateway's in one direction."""
    begin_ms = hand.begin_ms()
    free = hand.free(lambda one: one.via is None)
    if begin_ms is None or not free:
        return None
    keys = _one_direction(hand, free) if hand.chance.random() < 0.6 else (free[0].key,)
    daily = None
    if hand.chance.random() < 0.6:
        first = int(hand.chance.integers(0, 48)) * 1800
        daily = (first, (first + int(hand.chance.integers(4, 9)) * 1800) % 86_400)
    rate = hand.between(0.2, 0.5)
    faults = tuple(
        Fault(FaultKind.INTERFERENCE, key, None, begin_ms, daily_s=daily, rate=rate) for key in keys
    )
    return Trouble("interference", keys, "", begin_ms, FOREVER_MS, faults)


def _one_direction(hand: Hand, free: Sequence[Site]) -> tuple[str, ...]:
    """Return the keys of up to four free sites in a narrow arc; of one where there are no two."""
    gateways = {one.key: one for one in hand.drawn.network.gateways}
    for first in free:
        near = [first.key]
        bearings = [bearing_between(gateways[first.gateway], first) or 0.0]
        for other in free:
            bearing = bearing_between(gateways[first.gateway], other) or 0.0
            is_near = other is not first and other.gateway == first.gateway and len(near) < 4
            if is_near and narrow_arc([*bearings, bearing], 30.0):
                near.append(other.key)
                bearings.append(bearing)
        if len(near) > 1:
            return tuple(near)
    return (free[0].key,)


def _repeater(hand: Hand) -> Trouble | None:
    """A repeater falls silent, and with it whoever it carries."""
    begin_ms = hand.begin_ms()
    if begin_ms is None:
        return None
    for site in hand.free(lambda one: one.profile == "repeater"):
        behind = tuple(one.key for one in hand.drawn.network.sites if one.via == site.key)
        if behind and not hand.taken & set(behind):
            ends = begin_ms + round(hand.between(4.0, 60.0) * HOUR_MS)
            end_ms = FOREVER_MS if hand.chance.random() < 0.6 else ends
            fault = Fault(FaultKind.DEAD, site.key, None, begin_ms, end_ms)
            return replace(_of_site("dead-repeater", site, fault), touched=behind)
    return None


def _gateway(hand: Hand) -> Trouble | None:
    """A mast's backhaul is away for some hours."""
    begin_ms = hand.begin_ms()
    if begin_ms is None:
        return None
    gateways = hand.drawn.network.gateways
    gateway = gateways[int(hand.chance.integers(len(gateways)))]
    end_ms = begin_ms + round(hand.between(2.0, 12.0) * HOUR_MS)
    fault = Fault(FaultKind.GATEWAY_DOWN, None, gateway.key, begin_ms, end_ms)
    return Trouble("gateway-down", (), gateway.key, begin_ms, end_ms, (fault,))


def _cuts(hand: Hand) -> Trouble | None:
    """One to four short times without power within some days: a clip or a terminal lets go."""
    begin_ms = hand.begin_ms()
    free = hand.free(_counts)
    if begin_ms is None or not free:
        return None
    site, n = free[0], int(hand.chance.integers(1, 5))
    begins = [begin_ms, *(begin_ms + round(hand.between(4, 96) * HOUR_MS) for _ in range(n - 1))]
    forgets = 0 if hand.chance.random() < 0.5 and _has(site, PointKind.TOTALIZER) else None
    faults = tuple(
        Fault(
            FaultKind.POWER_CUT,
            site.key,
            None,
            at_ms,
            at_ms + round(hand.between(8, 45) * 60_000),
            saved=forgets,
        )
        for at_ms in sorted(begins)
    )
    end_ms = faults[-1].to_ms + DAY_MS  # a day more, for it to be told
    return Trouble("power-cut", (site.key,), "", begin_ms, end_ms, faults)


DRAW: Mapping[str, Callable[[Hand], Trouble | None]] = {
    "no-charge": _simple("no-charge", _is_metered_solar, _no_charge),
    "mains-lost": _simple("mains-lost", _is_metered_mains, _no_charge),
    "overcharge": _simple("overcharge", _is_lead_acid, _overcharge),
    "worn-battery": _worn,
    "signal-step": _simple("signal-step", lambda _: True, _signal_step),
    "signal-fall": _fall,
    "interference": _interference,
    "dead-site": _simple("dead-site", lambda one: one.profile != "repeater", _dead),
    "dead-repeater": _repeater,
    "gateway-down": _gateway,
    "shared-address": _simple("shared-address", lambda _: True, _shared),
    "refused": _simple("refused", lambda _: True, _refused),
    "loop": _simple("loop", lambda one: bool(_loops(one)), _loop),
    "stuck": _simple("stuck", lambda one: bool(_loops(one)), _stuck),
    "power-cut": _cuts,
}
