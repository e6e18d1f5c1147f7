"""Supplies drawn at random, and large enough: a sound site comes through its winter.

A site that would run down by itself is no quiet site; its panel and battery are drawn larger
until its voltage stays above where anybody would be warned, dull week included.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator

from tallymast.domain.health.supply.limits import limits_of
from tallymast.domain.model import Chemistry, Site, SiteClass, Supply, SupplyKind
from tallymast.simulator.faults import Faults
from tallymast.simulator.supply import SitePower
from tallymast.simulator.weather import Weather

_LEAD_ACID = (Chemistry.FLOODED, Chemistry.AGM, Chemistry.AGM, Chemistry.GEL)
_PANELS_W = (20.0, 30.0, 40.0, 60.0, 80.0, 120.0, 160.0, 240.0)
_SOLAR, _MAINS_WITH_BATTERY, _MAINS = 0.74, 0.18, 0.03  # what is left: primary packs
_LITHIUM = 0.15
_TRIES = 14
_LOWEST = 2.0  # percentile that must stay above the warning
_LOOK_S = 1800.0


@dataclass(frozen=True, slots=True)
class Span:
    """When a network is looked at [ms since 1970 UTC], and the seed of its weather."""

    begin_ms: int
    end_ms: int
    seed: int


def draw_supply(chance: Generator, site: Site, span: Span, faults: Faults) -> tuple[Site, Site]:
    """Return a site with a supply as people described it, and as it truly is.

    Args:
        chance: draws it.
        site: without a supply.
        span: within which it has to live.
        faults: what is ordered for everybody, as a dull week.

    """
    lot = chance.random()
    if lot < _SOLAR or site.profile == "repeater":
        return _solar(chance, site, span, faults)
    if lot < _SOLAR + _MAINS_WITH_BATTERY:
        chemistry = (Chemistry.AGM, Chemistry.GEL)[int(chance.integers(2))]
        supply = _rated(chance, SupplyKind.MAINS_WITH_BATTERY, chemistry, 12.0)
        return _described_and_true(chance, site, replace(supply, panel_w=None))
    if lot < _SOLAR + _MAINS_WITH_BATTERY + _MAINS:
        return _described_and_true(chance, site, Supply(SupplyKind.MAINS))
    pack = Supply(SupplyKind.PRIMARY, Chemistry.LITHIUM_PRIMARY, 14.4, 38.0)
    asleep = replace(
        site, site_class=SiteClass.DUTY_CYCLED, poll_every_s=600.0, reply_timeout_s=5.0
    )
    return _described_and_true(chance, asleep, pack)


def _solar(chance: Generator, site: Site, span: Span, faults: Faults) -> tuple[Site, Site]:
    nominal = 24.0 if chance.random() < 0.25 else 12.0
    chemistry = _LEAD_ACID[int(chance.integers(len(_LEAD_ACID)))]
    if chance.random() < _LITHIUM:
        chemistry = Chemistry.LIFEPO4
    supply = _rated(chance, SupplyKind.SOLAR, chemistry, nominal)
    described, true = site, site
    for larger in _larger(supply):
        described, true = _described_and_true(chance, site, larger)
        if _lives(true, span, faults):
            break
    return described, true


def _larger(supply: Supply) -> Iterator[Supply]:
    """Yield a supply, then ever larger ones; lithium that frost keeps from charging last as AGM."""
    place = _PANELS_W.index(supply.panel_w or 20.0)
    for n in range(_TRIES):
        panel = _PANELS_W[min(place + n, len(_PANELS_W) - 1)]
        grown = round((supply.capacity_ah or 33.0) * 1.2**n)
        kind = supply.chemistry
        if n >= _TRIES // 2 and kind is Chemistry.LIFEPO4:
            kind = Chemistry.AGM
        made = replace(supply, panel_w=panel, capacity_ah=float(grown), chemistry=kind)
        yield _with_levels(made)


def _rated(chance: Generator, kind: SupplyKind, chemistry: Chemistry, nominal: float) -> Supply:
    rated = float(np.round(np.exp(chance.uniform(np.log(18.0), np.log(60.0)))))
    panel = float(chance.choice(_PANELS_W[:5]))
    return _with_levels(Supply(kind, chemistry, nominal, rated, panel_w=panel))


def _with_levels(supply: Supply) -> Supply:
    """Return a supply whose disconnect and reconnect are written down, as most are."""
    limits = limits_of(replace(supply, disconnect_v=None, reconnect_v=None))
    if limits is None:
        return supply
    return replace(supply, disconnect_v=limits.disconnect_v, reconnect_v=limits.reconnect_v)


def _described_and_true(chance: Generator, site: Site, supply: Supply) -> tuple[Site, Site]:
    """Return both: a meter off by up to one percent, a battery that holds a little less."""
    kept = chance.uniform(0.8, 1.0) if supply.capacity_ah else 1.0
    true = replace(
        supply,
        capacity_ah=None if supply.capacity_ah is None else supply.capacity_ah * kept,
        meter_offset_v=supply.nominal_v * float(chance.uniform(-0.01, 0.01)),
    )
    return replace(site, supply=supply), replace(site, supply=true)


def _lives(site: Site, span: Span, faults: Faults) -> bool:
    """Whether a sound site is never dark, and never so low that it should be warned of."""
    weather = Weather(span.seed, site.latitude or 0.0, site.longitude or 0.0)
    power = SitePower(site, weather, span.seed, faults)
    begin_s, end_s = span.begin_ms / 1000.0, span.end_ms / 1000.0
    if any(end > begin_s for _, end in power.dark_spans(end_s)):
        return False
    limits = limits_of(site.supply) if site.supply else None
    volts = power.voltage(np.arange(begin_s, end_s, _LOOK_S))
    return limits is None or float(np.percentile(volts, _LOWEST)) >= limits.warn_v
