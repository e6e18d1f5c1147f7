"""Polls made by hand for the causes of bad contact; nothing here comes from the simulator.

Its noise is its own: bad spells by a Gilbert-Elliott chain, a signal of Laplace scatter that the
meter counts in steps, clocks that jitter, gaps, any poll period and zone.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from tallymast.domain.health.comms.outages import outages_of
from tallymast.domain.health.diagnosis.diagnose import diagnose
from tallymast.domain.health.diagnosis.evidence import Moment, SiteEvidence
from tallymast.domain.health.diagnosis.model import Diagnosis
from tallymast.domain.health.held_record import HeldRecord
from tallymast.domain.health.record import ContactHours
from tallymast.domain.health.weighing import weigh
from tallymast.domain.model import (
    Chemistry,
    Gateway,
    GatewayStatus,
    Point,
    PointKind,
    Site,
    SiteStatus,
    Supply,
    SupplyKind,
    Table,
    Transport,
    WordLayout,
)
from tallymast.domain.positions import offset

HOUR = 3_600_000
DAY = 24 * HOUR
MINUTE = 60_000
NOW = int(datetime(2025, 10, 20, 9, 40, tzinfo=ZoneInfo("UTC")).timestamp()) * 1000
MAST = (12.90, 77.50)

Where = Callable[[np.ndarray], np.ndarray]


@dataclass
class Trace:
    """One site's weeks, as they were by chance and by what is wrong."""

    days: float = 21.0
    every_s: float = 60.0
    loss: float = 0.01  # of tries, in good times
    bad: float = 0.01  # share of time in bad spells
    bad_loss: float = 0.5
    spell_s: float = 200.0
    retries: int = 2
    dbm: float = -82.0
    scatter_db: float = 1.2
    step_db: float = 1.0  # of the meter
    day_db: float = 1.0  # how much a day swings
    signal: bool = True
    gaps: Sequence[tuple[int, int]] = ()
    weak: list[tuple[Where, float]] = field(default_factory=list)  # tries lost one by one
    burst: list[tuple[Where, float]] = field(default_factory=list)  # tries lost in a row
    moved: list[Callable[[np.ndarray], np.ndarray]] = field(default_factory=list)  # signal, dB
    garbled: list[tuple[Where, float]] = field(default_factory=list)
    silent: list[Where] = field(default_factory=list)


def since(ago_ms: float, until_ago_ms: float = 0.0, now_ms: int = NOW) -> Where:
    return lambda at: (at >= now_ms - ago_ms) & (at < now_ms - until_ago_ms)


def local_minutes(at: np.ndarray, zone: str) -> np.ndarray:
    hours, place = np.unique(at // (HOUR // 2), return_inverse=True)
    of = ZoneInfo(zone)
    begin = []
    for half in hours.tolist():
        local = datetime.fromtimestamp(half * 1800, of)
        begin.append(local.hour * 60 + local.minute)
    return np.array(begin)[place] + at % (HOUR // 2) // MINUTE


def daily(ago_ms: float, first: int, last: int, zone: str, now_ms: int = NOW) -> Where:
    def where(at: np.ndarray) -> np.ndarray:
        minute = local_minutes(at, zone)
        inside = (minute >= first) & (minute < last)
        if first > last:
            inside = (minute >= first) | (minute < last)
        return (at >= now_ms - ago_ms) & inside

    return where


def in_spells(rng: np.random.Generator, at: np.ndarray, share: float, mean_s: float) -> np.ndarray:
    """Where a two-state chain is bad; its stays last exponentially long."""
    if share <= 0 or not len(at):
        return np.zeros(len(at), bool)
    whole_s = (at[-1] - at[0]) / 1000 + 1
    count = int(whole_s / mean_s * share * 2 + 20)
    stays = np.empty(2 * count)
    stays[0::2] = rng.exponential(mean_s * (1 - share) / share, count)
    stays[1::2] = rng.exponential(mean_s, count)
    edges = at[0] + np.cumsum(stays) * 1000
    return np.searchsorted(edges, at, side="right") % 2 == 1


def record_of(trace: Trace, seed: int, now_ms: int = NOW) -> tuple[HeldRecord, np.ndarray]:
    """What is kept of a trace, and which of its polls were answered."""
    rng = np.random.default_rng(seed)
    every = round(trace.every_s * 1000)
    at = np.arange(now_ms - round(trace.days * DAY), now_ms - every // 2, every, dtype=np.int64)
    at = at + rng.integers(0, max(every // 5, 1), len(at))
    for begin, end in trace.gaps:
        at = at[(at < begin) | (at >= end)]
    chance = np.full(len(at), trace.loss)
    for where, share in trace.weak:
        chance = np.maximum(chance, share * where(at))
    bad = in_spells(rng, at, trace.bad, trace.spell_s)
    chance = np.maximum(chance, trace.bad_loss * bad)
    for where, share in trace.burst:
        hit = in_spells(rng, at, 2 * share, 40.0) & where(at)
        chance = np.where(hit, np.maximum(chance, 0.5), chance)
    garbling = np.zeros(len(at))
    for where, share in trace.garbled:
        garbling = np.maximum(garbling, share * where(at))
    tries = trace.retries + 1
    lost = rng.random((tries, len(at))) < chance
    spoiled = ~lost & (rng.random((tries, len(at))) < garbling)
    failed = lost | spoiled
    for silent in trace.silent:
        failed |= silent(at)
        spoiled &= ~silent(at)
    answered = ~failed.all(axis=0)
    is_garbled = ~answered & spoiled.any(axis=0)
    hour, place = np.unique(at // HOUR, return_inverse=True)
    columns = (np.ones(len(at)), ~failed[0], ~answered)
    cells = np.stack([np.bincount(place, one, len(hour)) for one in columns], axis=1)
    spoiled_at = np.bincount(place, is_garbled, len(hour)).astype(int)
    garbled_hours = {int(h) * HOUR: int(n) for h, n in zip(hour, spoiled_at, strict=True) if n}
    outages = outages_of(1, at, answered, miss_limit=3)
    known = {k: n for k, n in garbled_hours.items() if k >= now_ms - 14 * DAY}
    series = {"SIG": (at, signal_of(trace, rng, at, answered))} if trace.signal else {}
    return (
        HeldRecord(
            ContactHours(hour * HOUR, cells.astype(np.int64), known),
            outages=[one for one in outages if one.from_ms >= now_ms - 14 * DAY],
            series=series,
            units={"SIG": "dBm"},
        ),
        answered,
    )


def signal_of(
    trace: Trace, rng: np.random.Generator, at: np.ndarray, answered: np.ndarray
) -> np.ndarray:
    knots = np.arange(at[0], at[-1] + 3 * HOUR, 2 * HOUR)
    slow = np.interp(at, knots, rng.laplace(0, trace.scatter_db / 1.6, len(knots)))
    level = trace.dbm + slow + rng.laplace(0, 0.6, len(at))
    level = level + trace.day_db * np.sin(at / DAY * 2 * np.pi)
    for moved in trace.moved:
        level = level + moved(at)
    return np.where(answered, np.round(level / trace.step_db) * trace.step_db, np.nan)


def a_site(
    number: int, bearing: float = 0.0, trace: Trace | None = None, *, via: str | None = None
) -> Site:
    trace = trace or Trace()
    latitude, longitude = offset(*MAST, 8.0 + number % 3, bearing)
    point = Point("SIG", "Signal", PointKind.SIGNAL, Table.HOLDING, 9, WordLayout.INT16, unit="dBm")
    site = Site(
        f"site-{number}", f"Site {number}", "mast", number, "tank",
        (point,) if trace.signal else (), 60, (), 2.0, trace.retries, 20.0, 3,
    )  # fmt: skip
    return replace(
        site,
        poll_every_s=trace.every_s,
        latitude=latitude,
        longitude=longitude,
        via=via,
        supply=Supply(SupplyKind.SOLAR, Chemistry.AGM),
    )


def a_gateway(number: int = 1) -> Gateway:
    gateway = Gateway("mast", "Mast", Transport.RTU_OVER_TCP, "127.0.0.1:5020")
    return replace(gateway, key=f"mast-{number}", latitude=MAST[0], longitude=MAST[1])


def evidence(
    site: Site,
    trace: Trace,
    seed: int,
    *,
    zone: str = "UTC",
    now_ms: int = NOW,
    gateway_number: int = 1,
    gateway_status: GatewayStatus = GatewayStatus.CONNECTED,
    supply_v: float | None = 12.9,
) -> SiteEvidence:
    gateway = a_gateway(gateway_number)
    site = replace(site, gateway=gateway.key)
    record, answered = record_of(trace, seed, now_ms)
    health = weigh(gateway, site, record, now_ms, ZoneInfo(zone))
    open_now = [one for one in record.outages if one.to_ms is None]
    status = SiteStatus.COMM_FAIL if open_now else SiteStatus.IN_SERVICE
    polls = len(answered)
    moment = Moment(
        status=status,
        since_ms=open_now[-1].from_ms if open_now else now_ms - 9 * DAY,
        last_answer_ms=open_now[-1].last_answer_ms if open_now else (now_ms - 1 if polls else None),
        missed_in_row=open_now[-1].missed if open_now else 0,
        supply_v=supply_v,
        supply_ms=now_ms - HOUR,
        gateway=gateway_status,
        gateway_since_ms=now_ms - 20 * MINUTE,
    )
    number = site.unit + 100 * (gateway_number - 1)
    return SiteEvidence(number, site, gateway_number, gateway, now_ms, moment, health)


def network(
    traces: Sequence[Trace], seed: int, zone: str = "UTC", **how: int
) -> list[SiteEvidence]:
    """Sites all round one mast, 360/n degrees apart."""
    return [
        evidence(a_site(n, n * 360 / len(traces), trace), trace, seed * 1000 + n, zone=zone, **how)
        for n, trace in enumerate(traces, 1)
    ]


def named(sites: Sequence[SiteEvidence]) -> list[Diagnosis]:
    """What is named about contact."""
    return list(diagnose(sites))
