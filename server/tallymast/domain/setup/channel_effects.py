"""Works out what a change does to each gateway's channel: polls an hour, and airtime at least.

Airtime here is the least there can be: what the exchanges take on the wire, with the turnaround
and the pause between two exchanges, none of them repeated. Radios in between add to it.
"""

from dataclasses import dataclass, replace

from tallymast.domain.grammar.mistakes import plain
from tallymast.domain.modbus.airtime import exchange_minimum_s
from tallymast.domain.modbus.requests import ReadRequest
from tallymast.domain.model import Block, Gateway, Network, PollClass, Site
from tallymast.domain.pacing import FULL_FROM
from tallymast.domain.read_plan import read_plan
from tallymast.domain.setup.pairs import GatewayPair, Pairs, is_polled


@dataclass(frozen=True, slots=True)
class ChannelEffect:
    """What becomes of one gateway's channel; None where there is none before or after.

    Attributes:
        name: of the gateway.
        polls_h: polls an hour, before and after.
        airtime: airtime asked for as a share of all there is, 0..1 and beyond, before and after.
        sentence: what that means for people; empty where nothing is to be said.

    """

    name: str
    polls_h: tuple[float | None, float | None]
    airtime: tuple[float | None, float | None]
    sentence: str = ""


@dataclass(frozen=True, slots=True)
class _Load:
    """A channel with its sites: polls an hour, airtime share, airtime of one poll of each [s]."""

    polls_h: float
    airtime: float
    once_s: float


def channel_effects(pairs: Pairs) -> tuple[ChannelEffect, ...]:
    """Return what becomes of the channels that carry other polls than before."""
    found = (_effect(pairs, key, pair) for key, pair in pairs.gateways.items())
    return tuple(one for one in found if one is not None)


def _effect(pairs: Pairs, key: str, pair: GatewayPair) -> ChannelEffect | None:
    old_sites = _behind(pairs.before, pair.before.key if pair.before else None)
    new_sites = _behind(pairs.after, key)
    if _is_same(pair, old_sites, new_sites):
        return None
    old = _load(pair.before, old_sites) if pair.before else None
    new = _load(pair.after, new_sites) if pair.after else None
    slow = _too_slow(new_sites, old_sites)
    if old == new and not slow:
        return None
    name = (pair.after or pair.before or _nobody()).name
    return ChannelEffect(
        name,
        (old.polls_h if old else None, new.polls_h if new else None),
        (old.airtime if old else None, new.airtime if new else None),
        " ".join([*_too_full(name, new), *slow]),
    )


def _nobody() -> Gateway:
    raise AssertionError("a pair of two missing gateways")


def _behind(network: Network, key: str | None) -> tuple[Site, ...]:
    return tuple(site for site in network.sites if site.gateway == key and is_polled(site))


def _is_same(pair: GatewayPair, old: tuple[Site, ...], new: tuple[Site, ...]) -> bool:
    if pair.before is None or pair.after is None or not _polled_alike(old, new):
        return False
    return replace(pair.before, key="", name="") == replace(pair.after, key="", name="")


def _polled_alike(old: tuple[Site, ...], new: tuple[Site, ...]) -> bool:
    def bare(sites: tuple[Site, ...]) -> list[Site]:
        return [replace(one, key="", name="", gateway="", profile="", via=None) for one in sites]

    return bare(old) == bare(new)


def period_s(site: Site) -> float:
    """Return how often a site is asked [s]: at least twice in its station's watchdog time."""
    return min(site.poll_every_s, watchdog_s(site) / 2)


def watchdog_s(site: Site) -> float:
    """Return the shortest time without a poll after which an output drops [s]; infinite if none."""
    waits = (point.fail_safe.after_s for point in site.points if point.fail_safe)
    return min(waits, default=float("inf"))


def _load(gateway: Gateway, sites: tuple[Site, ...]) -> _Load:
    polls_h = airtime = once_s = 0.0
    for site in sites:
        every_s = period_s(site)
        costs = [(block, _cost_s(block, site, gateway)) for block in read_plan(site, gateway)]
        fast_s = sum(cost for block, cost in costs if block.poll is PollClass.FAST)
        slow_s = sum(cost for block, cost in costs if block.poll is PollClass.SLOW)
        polls_h += 3600 / every_s
        airtime += fast_s / every_s + slow_s / max(gateway.slow_every_s, every_s)
        once_s += fast_s
    return _Load(polls_h, airtime, once_s)


def _cost_s(block: Block, site: Site, gateway: Gateway) -> float:
    """Return the least time one read holds the channel, with the pause that follows it [s]."""
    asked = ReadRequest(site.unit, block.table, block.start, block.count)
    least_s = exchange_minimum_s(
        8,  # unit, function, start, count, CRC: MODBUS over Serial Line V1.02 section 2.3
        asked.answer_length,
        gateway.baud,
        gateway.character_bits,
        site.turnaround_ms / 1000,
    )
    return least_s + gateway.min_gap_ms / 1000


def _too_full(name: str, load: _Load | None) -> list[str]:
    if load is None or load.airtime <= FULL_FROM:
        return []
    stretch = load.airtime / FULL_FROM
    return [
        f"{name} cannot hold this: it asks for {100 * load.airtime:.0f} % of the airtime there is."
        f" Polled alike, every site could be polled every {load.once_s / FULL_FROM:.1f} s; as it"
        f" is asked for, periods become {stretch:.2f} times as long."
    ]


def _too_slow(new: tuple[Site, ...], old: tuple[Site, ...]) -> list[str]:
    """Say which sites are asked more often than written, because outputs would drop."""
    known = {site.key: site for site in old}
    return [
        f"{site.name} is asked every {plain(watchdog_s(site) / 2)} s, not every"
        f" {plain(site.poll_every_s)} s: its station's watchdog waits"
        f" {plain(watchdog_s(site))} s for a poll, and half of that is kept."
        for site in new
        if site.poll_every_s > watchdog_s(site) / 2
        and (
            site.key not in known
            or period_s(known[site.key]) != period_s(site)
            or known[site.key].poll_every_s != site.poll_every_s
        )
    ]
