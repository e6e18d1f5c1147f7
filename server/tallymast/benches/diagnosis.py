"""How often the cause of a trouble is named rightly, how soon, and how often a sound site accused.

Networks are drawn at random, with labelled troubles at about half of their sites; their past
comes out of the simulator, is judged as a server judges its record, and what is named is held
against the labels. The judge sees what people wrote down, not what is true: a battery that
holds less than its label says, a meter that is off by up to a percent.
"""

import json
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import repeat
from typing import Final

import numpy as np

from tallymast.benches.drawn_networks import DAY_MS, Drawn, draw_network, sizes
from tallymast.benches.drawn_troubles import draw_troubles
from tallymast.benches.named_causes import (
    Accusation,
    Named,
    Naming,
    Scored,
    false_accusations,
    healthy_months,
    score,
)
from tallymast.benches.past_records import PastSite, explained_outages, past_site
from tallymast.benches.past_states import PastState, gateway_states
from tallymast.benches.trouble_kinds import FIRST_DAY, LAST_DAYS
from tallymast.benches.trouble_labels import SLOW, Trouble, Troubles
from tallymast.domain.errors import ConfigError
from tallymast.domain.health.attention import Standing
from tallymast.domain.health.diagnosis.diagnose import diagnose
from tallymast.domain.health.diagnosis.gather import gather
from tallymast.domain.health.diagnosis.model import Diagnosis
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.health.weighing import weigh
from tallymast.domain.model import GatewayPlan, Site, SitePlan
from tallymast.domain.record.days import Contract
from tallymast.routes.standings import standing_of
from tallymast.simulator.faults import Fault, FaultKind, Faults
from tallymast.simulator.history import Past, World
from tallymast.simulator.radio_path import LIVELY

FROM_DAY: Final = 8
HOUR_MS: Final = 3_600_000
_QUIET: Final = {
    FaultKind.NO_CHARGE: "a dull week",
    FaultKind.SIGNAL: "evening fades",
    FaultKind.ABSENT: "days nobody asked in",
    FaultKind.DEAD: "an hour's outage",
}
_SOON_MS: Final = (1 * HOUR_MS, 3 * HOUR_MS)  # looked at besides, after each beginning


@dataclass(frozen=True, slots=True)
class Judged:
    """What became of one network: its troubles, who was accused, months of sound sites.

    ``kinds`` tells of each site in words what it is and which quiet things befall it.
    """

    troubles: tuple[Trouble, ...]
    scored: tuple[Scored, ...]
    accusations: tuple[Accusation, ...]
    healthy_months: float
    sites: int
    kinds: Mapping[str, str]


def run(
    seed: int = 1, sites: int = 60, days: int = 45, hours: int = 6, jobs: int = 1
) -> dict[str, object]:
    """Draw networks of ``sites`` sites together, look at each for ``days`` days.

    Args:
        seed: of everything.
        sites: in all networks; they have eighteen or so each.
        days: of every network's past; the first eight are not judged.
        hours: from one look to the next.
        jobs: processes that work side by side, a network each.

    Returns:
        ``first_cause_right``: share of the troubles whose first named cause was right;
        ``false_per_healthy_site_month``; ``detection_days_median``: of troubles that are there
        at once; ``confusion``: label to first named cause to how many; ``classes``: by label;
        ``words``: share right by how surely it was said; ``accusations``: the false ones.

    Raises:
        ConfigError: too few sites or days, no hours or jobs.

    """
    least = FIRST_DAY + LAST_DAYS
    if sites < 4 or days < least or hours < 1 or jobs < 1:
        raise ConfigError(
            f"bench diagnosis needs 4 sites and {least} days at least, one hour and one job."
        )
    begun_s = time.monotonic()
    parts = sizes(sites)
    given = (repeat(seed), range(len(parts)), parts, repeat(days), repeat(hours))
    if jobs == 1:
        judged = list(map(judge_network, *given))
    else:
        with ProcessPoolExecutor(jobs) as pool:
            judged = list(pool.map(judge_network, *given))
    made = figures(judged)
    _tell(judged)
    return made | {"seconds": round(time.monotonic() - begun_s, 1)}


def judge_network(seed: int, number: int, sites: int, days: int, hours: int) -> Judged:
    """Draw a network and judge it at every instant."""
    drawn = draw_network(seed, number, sites, days)
    troubles = draw_troubles(drawn, seed, number)
    namings = list(_namings(drawn, troubles, hours))
    keys = [site.key for site in drawn.network.sites]
    from_ms = drawn.begin_ms + FROM_DAY * DAY_MS
    return Judged(
        troubles.troubles,
        tuple(score(one, namings, troubles.silent) for one in troubles.troubles),
        tuple(false_accusations(troubles.troubles, namings, troubles.silent)),
        healthy_months(keys, troubles.troubles, from_ms, drawn.end_ms),
        len(keys),
        {site.key: _kind(site, troubles.quiet) for site in drawn.network.sites},
    )


def _kind(site: Site, quiet: Iterable[Fault]) -> str:
    supply = site.supply
    what = [site.profile, f"{site.poll_every_s:g} s"]
    if supply is not None:
        what += [supply.kind.value, (supply.chemistry or "").upper(), f"{supply.nominal_v:g} V"]
    befalls = {_QUIET[one.kind] for one in quiet if one.site == site.key}
    return ", ".join(one for one in (*what, *sorted(befalls)) if one)


# --- judging ----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Scene:
    """A network's past, ready to be judged at instants that grow."""

    drawn: Drawn
    faults: Faults
    contract: Contract
    pasts: dict[int, PastSite]
    states: dict[int, PastState]

    @property
    def sites(self) -> Iterator[tuple[GatewayPlan, SitePlan]]:
        return ((one, plan) for one in self.drawn.gateways for plan in one.sites)


def _namings(drawn: Drawn, troubles: Troubles, hours: int) -> Iterator[Naming]:
    scene = _scene(drawn, troubles)
    keys = {plan.site_id: plan.site.key for _, plan in scene.sites}
    gateways = {one.gateway_id: one.gateway.key for one in drawn.gateways}
    for now_ms in _instants(drawn, troubles.troubles, hours):
        found = _diagnosed(scene, now_ms)
        yield Naming(now_ms, tuple(_named(one, keys, gateways) for one in found))


def _scene(drawn: Drawn, troubles: Troubles) -> _Scene:
    faults = Faults(troubles.faults, drawn.zone)
    world = World(drawn.true, drawn.seed, faults, LIVELY)
    contract = Contract(drawn.network.contract_zone, drawn.network.contract_hour)
    truth = {site.key: site for site in drawn.true.sites}
    pasts, states = {}, {}
    for gateway in drawn.gateways:
        for plan in gateway.sites:
            past = Past(world, truth[plan.site.key], plan.layout)
            columns = past.polls(drawn.begin_ms, drawn.end_ms)
            pasts[plan.site_id] = past_site(gateway.gateway, plan, columns, drawn.zone, contract)
            states[plan.site_id] = PastState(gateway.gateway, plan, columns)
    return _Scene(drawn, faults, contract, pasts, states)


def _instants(drawn: Drawn, troubles: Iterable[Trouble], hours: int) -> list[int]:
    steady = range(drawn.begin_ms + FROM_DAY * DAY_MS, drawn.end_ms + 1, hours * HOUR_MS)
    soon = {one.from_ms + after for one in troubles for after in _SOON_MS}
    return sorted({*steady, *soon})


def _diagnosed(scene: _Scene, now_ms: int) -> tuple[Diagnosis, ...]:
    """Return what is named at an instant, as a server would that had polled all the time."""
    drawn = scene.drawn
    outages = explained_outages(drawn.gateways, scene.pasts, now_ms, scene.contract)
    lines = gateway_states(drawn.gateways, scene.faults, drawn.begin_ms, now_ms)
    health: dict[int, SiteHealth] = {}
    standings: dict[int, Standing] = {}
    for gateway, plan in scene.sites:
        own = plan.site_id
        record = scene.pasts[own].until(now_ms, outages[own], drawn.zone)
        health[own] = weigh(gateway.gateway, plan.site, record, now_ms, drawn.zone)
        standings[own] = standing_of(gateway, plan, scene.states[own].at(now_ms), lines, now_ms)
    return diagnose(gather(drawn.gateways, lines, standings, health, now_ms))


def _named(one: Diagnosis, keys: dict[int, str], gateways: dict[int, str]) -> Named:
    return Named(
        one.cause,
        tuple(keys[site_id] for site_id in one.site_ids),
        gateways[one.gateway_id],
        one.score,
        one.confidence.value,
        one.tag,
    )


# --- figures ----------------------------------------------------------------------------


def figures(judged: Sequence[Judged]) -> dict[str, object]:
    """Return the figures of all networks."""
    scored = [one for network in judged for one in network.scored]
    accusations = [one for network in judged for one in network.accusations]
    months = sum(network.healthy_months for network in judged)
    at_once = [one for one in scored if one.label not in SLOW]
    return {
        "first_cause_right": _share(one.is_right for one in scored),
        "false_per_healthy_site_month": round(len(accusations) / months, 4) if months else None,
        "detection_days_median": _median_days(at_once),
        "right_at_end": _share(one.right_at_end for one in scored),
        "sites": sum(network.sites for network in judged),
        "troubles": len(scored),
        "healthy_site_months": round(months, 2),
        "confusion": _confusion(scored),
        "classes": _classes(scored),
        "words": _words(scored, accusations),
        "accusations": dict(Counter(one.cause for one in accusations).most_common()),
    }


def _confusion(scored: Iterable[Scored]) -> dict[str, dict[str, int]]:
    rows: dict[str, Counter[str]] = {}
    for one in scored:
        rows.setdefault(one.label, Counter())[one.first or "missed"] += 1
    return {label: dict(rows[label].most_common()) for label in sorted(rows)}


def _classes(scored: Sequence[Scored]) -> dict[str, dict[str, object]]:
    labels = sorted({one.label for one in scored})
    return {label: _class([one for one in scored if one.label == label]) for label in labels}


def _class(some: Sequence[Scored]) -> dict[str, object]:
    return {
        "n": len(some),
        "right": sum(one.is_right for one in some),
        "missed": sum(one.first is None for one in some),
        "right_at_end": sum(one.right_at_end for one in some),
        "delay_days_median": _median_days(some),
    }


def _words(
    scored: Iterable[Scored], accusations: Iterable[Accusation]
) -> dict[str, dict[str, object]]:
    """Return how often what was said so surely was right; a false accusation never is."""
    marks: dict[str, list[bool]] = {}
    for one in scored:
        if one.first is not None:
            marks.setdefault(one.word, []).append(one.is_right)
    for false in accusations:
        marks.setdefault(false.word, []).append(False)
    return {word: {"n": len(some), "right": _share(some)} for word, some in marks.items()}


def _share(marks: Iterable[bool]) -> float | None:
    known = list(marks)
    return round(sum(known) / len(known), 3) if known else None


def _median_days(some: Iterable[Scored]) -> float | None:
    known = [one.delay_ms / DAY_MS for one in some if one.delay_ms is not None]
    return round(float(np.median(known)), 2) if known else None


def _tell(judged: Sequence[Judged]) -> None:
    """Write to standard error what became of every trouble, and who was accused falsely."""
    for number, network in enumerate(judged):
        for trouble, one in zip(network.troubles, network.scored, strict=True):
            _line(
                trouble.from_ms,
                network=number,
                label=one.label,
                whose=" ".join(trouble.sites) or trouble.gateway,
                kind="; ".join(network.kinds[key] for key in trouble.sites),
                first=one.first,
                right=one.is_right,
                delay_days=None if one.delay_ms is None else round(one.delay_ms / DAY_MS, 2),
                right_at_end=one.right_at_end,
            )
        for false in network.accusations:
            _line(
                false.at_ms,
                network=number,
                accused=false.whose,
                kind=network.kinds.get(false.whose, "a gateway"),
                cause=false.cause,
                score=round(false.score, 2),
                word=false.word,
            )


def _line(at_ms: int, **facts: object) -> None:
    at = f"{datetime.fromtimestamp(at_ms / 1000, UTC):%Y-%m-%d %H:%M}"
    print(json.dumps({"at": at} | facts), file=sys.stderr)
