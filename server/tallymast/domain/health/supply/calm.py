"""Judges supplies whose voltage should not move: mains, a primary pack; and undescribed ones."""

from dataclasses import replace

import numpy as np

from tallymast.domain.health.supply.model import SupplyHealth, Verdict
from tallymast.domain.health.supply.seen import Seen, plain_health
from tallymast.domain.health.supply.trend import LEAST_NIGHTS, trend_of

_LOW_SHARE = 0.08  # Ours: a mains supply so far below its own usual voltage is low
_PRIMARY_V = 0.25  # Ours: of 12 V; a cold spell moves a lithium primary pack by half of it
_NEWEST = 3  # Ours: nights whose median is held against the past


def judge_mains(seen: Seen) -> SupplyHealth:
    """Judge a supply from mains alone: steady, or lower than it has been or should be."""
    health = plain_health(seen)
    if health.predawn_v is None:
        return health
    usual = float(np.median(seen.volts()))
    floor = usual * (1.0 - _LOW_SHARE)
    if seen.supply.radio_minimum_v is not None:
        floor = max(floor, seen.supply.radio_minimum_v)
    is_low = health.predawn_v < floor
    return replace(health, verdict=Verdict.DECLINING if is_low else Verdict.STEADY)


def judge_undescribed(seen: Seen) -> SupplyHealth:
    """Judge a supply nobody described: 13.6 V is well for one kind and bad for another."""
    health = plain_health(seen)
    few = len(seen.dawns) < LEAST_NIGHTS
    verdict = Verdict.FEW_NIGHTS if few else Verdict.TELLS_LITTLE
    return replace(health, verdict=verdict, charged_ms=None, absorbed_ms=None)


def judge_primary(seen: Seen) -> SupplyHealth:
    """Judge a primary pack: flat until it is empty, so only a fall beyond its own past tells."""
    health = plain_health(seen)
    if health.predawn_v is None:
        return health
    volts = seen.volts()
    if len(volts) < 2 * LEAST_NIGHTS:
        return replace(health, verdict=Verdict.TELLS_LITTLE)
    before, now = np.array(volts[:-_NEWEST]), float(np.median(volts[-_NEWEST:]))
    least = float(before.min()) - _PRIMARY_V * seen.packs * 0.4 - seen.resolution_v
    fallen = float(np.median(before)) - now >= _PRIMARY_V * seen.packs
    trend = trend_of([night.day for night in seen.dawns], volts, seen.resolution_v)
    falls = fallen and (now < least or trend.falls)
    return replace(health, verdict=Verdict.DECLINING if falls else Verdict.TELLS_LITTLE)
