"""Gives the demo a past: sixty days before it was first started, and every gap since.

When the demo is started for the first time, that instant is kept; its local day is the day D
from which all troubles are counted. The last day is written before the pages open; older days
follow, newest first, in a process of their own. What people change in its network afterwards is
theirs: the stations stay as the demo's file has them, and a site that asks none of them has no
past.
"""

import json
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Connection

from tallymast import assets, hour_closer, networks, wiring
from tallymast.demo.patience import Patience
from tallymast.domain import network_file
from tallymast.domain.contact import first_state, fitted, next_state, patience
from tallymast.domain.errors import ConfigError
from tallymast.domain.local_times import MONTHS
from tallymast.domain.model import (
    GatewayPlan,
    Network,
    Outcome,
    PollPlan,
    Site,
    SitePlan,
    SiteState,
    SiteStatus,
)
from tallymast.domain.record.chunks import PollColumns, polls_of
from tallymast.domain.zones import find_zone
from tallymast.simulator.fault_file import Moments, read_faults
from tallymast.simulator.history import Past, World
from tallymast.simulator.radio_path import LIVELY
from tallymast.storage import episodes, notes, setting, states
from tallymast.storage import network as stored_network
from tallymast.storage.engine import Database
from tallymast.storage.history import store_day
from tallymast.storage.nights import compute_nights
from tallymast.storage.retention import kept_from

NETWORK = "ombrel-basin.toml"
SPARE = "ombrel-basin-spare.toml"
TROUBLES = "ombrel-basin-troubles.toml"
LOG = "ombrel-basin-log.toml"
SEED = 1
DAYS = 60
DAY_MS = 86_400_000
_BEGUN, _TO_FILL, _STATIONS = "demo-begun-ms", "demo-to-fill", "demo-stations"
_STATE_FROM_MS = DAY_MS // 4  # so far back polls are looked at to know how a site stands

Span = tuple[int, int]  # UTC milliseconds, the end not included


@dataclass(frozen=True)
class Scene:
    """The demo's stations with their troubles, as they are since it was first started.

    Attributes:
        begun_ms: when that was.
        world: the stations, by the demo's own file.
        plan: what is polled now.
        network: the network as people have it now.
        stations: each site's station, the key in the demo's file, by site id.

    """

    begun_ms: int
    world: World
    plan: PollPlan
    network: Network
    stations: Mapping[int, str]

    @property
    def sites(self) -> list[tuple[GatewayPlan, SitePlan]]:
        """Every site that asks one of the demo's stations, with its gateway.

        The site is the station's own; only whether and how often it is asked is as people want.
        """
        known = {site.key: site for site in self.world.network.sites}
        addresses = {one.key: one.address for one in self.world.network.gateways}
        found = []
        for gateway in self.plan.gateways:
            for one in gateway.sites:
                station = known.get(self.stations.get(one.site_id, ""))
                if station is None or addresses[station.gateway] != gateway.gateway.address:
                    continue
                if _asks(one, station):
                    asked, every_s = one.site.in_service, one.site.poll_every_s
                    site = replace(station, in_service=asked, poll_every_s=every_s)
                    found.append((gateway, replace(one, site=site)))
        return found


def _asks(plan: SitePlan, station: Site) -> bool:
    """Whether a site asks a station for what it has: at its address, its own registers."""
    has = {
        (point.table, point.register + n) for point in station.points for n in range(point.length)
    }
    spare = station.spare
    return plan.site.unit == station.unit and all(
        (block.table, register) in has
        or any(block.table is table and low <= register <= high for table, low, high in spare)
        for block in plan.layout.blocks
        for register in range(block.start, block.start + block.count)
    )


def path_of(name: str) -> Path:
    """Return where a file of the demo lies."""
    return assets.demo_data() / name


def simulated(shown: Scene) -> tuple[Path, *tuple[str, ...]]:
    """Return the network file and the options by which the live demo shows the same scene."""
    options = ("--faults", str(path_of(TROUBLES)), "--begun-ms", str(shown.begun_ms), "--lively")
    return (path_of(NETWORK), *options, "--seed", str(SEED), "--spare", str(path_of(SPARE)))


def reached(shown: Scene, addresses: Mapping[str, str]) -> dict[str, str]:
    """Return where the simulated gateways listen, by the addresses in the demo's file.

    Args:
        shown: the scene.
        addresses: where each listens, by its key in the file.

    """
    return {one.address: addresses[one.key] for one in shown.world.network.gateways}


def begin(database: Database, now_ms: int) -> Scene:
    """Return the demo's scene; on an empty database begin it, with what people wrote down.

    Raises:
        ConfigError: the database keeps a network that no demo was begun with.

    """
    text = path_of(NETWORK).read_text(encoding="utf-8")
    written, _ = network_file.read(text, NETWORK)
    with database.reading() as connection:
        is_begun = setting.load(connection, _BEGUN) is not None
        kept = stored_network.load_written(connection)
    if not is_begun:
        if kept and network_file.differences(kept, written):
            raise ConfigError(
                f"{database.place} keeps a network of its own, which the demo would spoil. "
                "Show the demo from another directory: --data-dir DIR."
            )
        networks.bring_network(database, text, NETWORK)
        _begin(database, now_ms)
    return scene(database)


def _begin(database: Database, now_ms: int) -> None:
    """Keep when the demo begins, what is to be filled, and which station each site asks."""
    network = _network()
    with database.writing() as connection:
        if setting.load(connection, _BEGUN) is not None:
            return
        plan = networks.stored_plan(connection, network)
        sites = {site.site_id: site.site.key for one in plan.gateways for site in one.sites}
        setting.keep(connection, _BEGUN, str(now_ms))
        setting.keep(connection, _TO_FILL, json.dumps([[_first_ms(now_ms), now_ms]]))
        setting.keep(connection, _STATIONS, json.dumps(sites))
        _write_log(connection, network, now_ms)


def scene(database: Database) -> Scene:
    """Return the scene of a demo that was begun before."""
    with database.reading() as connection:
        begun_ms = int(setting.load(connection, _BEGUN) or 0)
        stored = setting.load(connection, _STATIONS)
    network, plan = networks.load_network(database)
    file = _network()
    text = path_of(TROUBLES).read_text(encoding="utf-8")
    faults = read_faults(text, TROUBLES, file, begun_ms)
    # A demo begun by an older Tallymast knows its stations by the keys of its sites.
    keys = {site.site_id: site.site.key for one in plan.gateways for site in one.sites}
    stations = keys if stored is None else {int(n): key for n, key in json.loads(stored).items()}
    return Scene(begun_ms, World(file, SEED, faults, LIVELY), plan, network, stations)


def _network() -> Network:
    text = path_of(NETWORK).read_text(encoding="utf-8")
    return network_file.read(text, NETWORK)[1]


def _first_ms(now_ms: int) -> int:
    """Return where the past begins: sixty days ago, at midnight UTC."""
    return now_ms // DAY_MS * DAY_MS - DAYS * DAY_MS


# --- the newest day, before the pages open ----------------------------------------------


def join(database: Database, shown: Scene, now_ms: int) -> None:
    """Write what the sites did since they were last polled, a day at most; note what is older.

    Afterwards every site stands as if it had been polled all the time.
    """
    with database.reading() as connection:
        known = states.load_site_states(connection)
        to_fill = _spans(connection)
    polled = [state.last_poll_ms for state in known.values() if state.last_poll_ms is not None]
    if polled:
        to_fill.append((max(polled) + 1, now_ms))
    newest = to_fill.pop() if to_fill else (now_ms, now_ms)
    begin_ms = max(newest[0], now_ms - DAY_MS)
    found = []
    for gateway, site in shown.sites:
        past = Past(shown.world, site.site, site.layout, gateway.gateway.slow_every_s)
        for columns in past.days(begin_ms, now_ms):
            store_day(database, site.site_id, site.layout, columns)
        if site.site.in_service:
            found.append(_state(gateway, site, past, known.get(site.site_id), begin_ms, now_ms))
    if newest[0] < begin_ms:
        to_fill.append((newest[0], begin_ms))
    with database.writing() as connection:
        states.store_states(connection, found, ())
        _keep_spans(connection, to_fill)


def states_at(shown: Scene, at_ms: int) -> list[SiteState]:
    """Return how every site that was polled stood at an instant of the past."""
    begin_ms = at_ms - _STATE_FROM_MS
    found = []
    for gateway, site in shown.sites:
        if site.site.in_service:
            past = Past(shown.world, site.site, site.layout, gateway.gateway.slow_every_s)
            found.append(_state(gateway, site, past, None, begin_ms, at_ms))
    return found


def _state(
    gateway: GatewayPlan,
    site: SitePlan,
    past: Past,
    before: SiteState | None,
    from_ms: int,
    now_ms: int,
) -> SiteState:
    """Return how a site stands after its past, from its newest polls."""
    state = fitted(
        before or first_state(site.layout, SiteStatus.NEVER_ANSWERED, from_ms), site.layout
    )
    columns = past.polls(max(from_ms, now_ms - _STATE_FROM_MS), now_ms)
    limits = patience(site.site, gateway.gateway)
    for poll in polls_of(_telling(columns), site.site_id, site.layout.id):
        state = next_state(state, poll, site.layout, limits)
    return state


def _telling(columns: PollColumns) -> PollColumns:
    """Return the polls that decide how a site stands: the last whole answer, and the newest."""
    answered = (columns.outcome <= Outcome.RETRIED).nonzero()[0]
    if not len(answered):
        return columns
    whole = columns.got == columns.got.max(initial=0)
    rows = {int(whole.nonzero()[0][-1]), *range(max(0, int(answered[-1]) - 5), len(columns))}
    return columns.take(np.array(sorted(rows)))


# --- older days -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Piece:
    """A UTC day to fill, or its part, and what is left to fill after it."""

    from_ms: int
    to_ms: int
    left: tuple[Span, ...]

    @property
    def span(self) -> Span:
        """From when to when it is."""
        return self.from_ms, self.to_ms


def pieces(database: Database) -> list[Piece]:
    """Return what is to be filled, by UTC day, newest first."""
    with database.reading() as connection:
        spans, kept_ms = sorted(_spans(connection)), kept_from(connection)
    found = []
    while spans:
        first, end = spans.pop()
        first = max(first, kept_ms)  # polls of days before it were given up
        if first >= end:
            continue
        begin_ms = max(first, (end - 1) // DAY_MS * DAY_MS)
        if begin_ms > first:
            spans.append((first, begin_ms))
        found.append(Piece(begin_ms, end, tuple(spans)))
    return found


def fill(
    database: Database, days: Sequence[Piece], patience: Patience | None = None
) -> Iterator[int]:
    """Write missing days, yielding after each how many are done.

    A day that the database refuses time and again is left out, tried once more after the others,
    and stays noted as missing if that fails too. Safe to be killed at any instant: what is not
    noted as done is done again.
    """
    patience = patience or Patience()
    shown = scene(database)
    pasts = [
        (site, Past(shown.world, site.site, site.layout, gateway.gateway.slow_every_s))
        for gateway, site in shown.sites
    ]
    done = 0
    left_out: list[Piece] = []
    for piece in days:
        rest = [*piece.left, *(one.span for one in left_out)]
        work = partial(_write, database, shown, pasts, piece, rest)
        if patience.has_done(f"Writing {day_words(piece)}", work):
            done += 1
            yield done
        else:
            left_out.append(piece)
    for piece in tuple(left_out):
        rest = [one.span for one in left_out if one is not piece]
        work = partial(_write, database, shown, pasts, piece, rest)
        if patience.has_done(f"Writing {day_words(piece)}", work):
            left_out.remove(piece)
            done += 1
            yield done


def day_words(piece: Piece) -> str:
    """Return a piece's UTC day: ``26 Sep``."""
    at = datetime.fromtimestamp(piece.from_ms / 1000, UTC)
    return f"{at.day} {MONTHS[at.month - 1]}"


def _write(
    database: Database,
    shown: Scene,
    pasts: Sequence[tuple[SitePlan, Past]],
    piece: Piece,
    rest: Sequence[Span],
) -> None:
    """Write one piece, and note what is left to fill after it."""
    for site, past in pasts:
        for columns in past.days(piece.from_ms, piece.to_ms):
            store_day(database, site.site_id, site.layout, columns)
    _compute_nights(database, shown, piece.from_ms)
    with database.writing() as connection:
        _keep_spans(connection, sorted(rest))


def _compute_nights(database: Database, shown: Scene, begin_ms: int) -> None:
    """Compute the nights that a newly written UTC day completes: its own and the next."""
    zone = find_zone(shown.network.time_zone)
    day = datetime.fromtimestamp(begin_ms / 1000, zone).date()
    days: list[date] = [day + timedelta(days=n) for n in range(3)]
    compute_nights(database, hour_closer.night_sites(shown.plan), days, zone, wiring.now_ms())


def _spans(connection: Connection) -> list[Span]:
    return [(first, end) for first, end in json.loads(setting.load(connection, _TO_FILL) or "[]")]


def _keep_spans(connection: Connection, spans: Sequence[Span]) -> None:
    setting.keep(connection, _TO_FILL, json.dumps(spans))


# --- what people wrote down -------------------------------------------------------------


def _write_log(connection: Connection, network: Network, begun_ms: int) -> None:
    """Store the demo's notes and episodes."""
    body: dict[str, Any] = tomllib.loads(path_of(LOG).read_text(encoding="utf-8"))
    moments = Moments(begun_ms, find_zone(network.time_zone))
    plan = networks.stored_plan(connection, network)
    sites = {site.site.key: site.site_id for gateway in plan.gateways for site in gateway.sites}
    gateways = {gateway.gateway.key: gateway.gateway_id for gateway in plan.gateways}
    for one in body["note"]:
        notes.add(
            connection,
            sites[one["site"]],
            at_ms=moments.at_ms(one["at"]),
            actor=one["actor"],
            kind=one["kind"],
            text=one["text"],
        )
    for one in body["episode"]:
        episodes.open_episode(
            connection,
            one["kind"],
            from_ms=moments.at_ms(one["from"]),
            to_ms=moments.at_ms(one["to"]) if "to" in one else None,
            planned_end_ms=moments.at_ms(one["until"]) if "until" in one else None,
            site_id=sites[one["site"]] if "site" in one else None,
            gateway_id=gateways[one["gateway"]] if "gateway" in one else None,
            actor=one.get("actor", ""),
            reason=one["reason"],
        )
