"""How fast and how large the pages are, on a database that holds a year of many sites.

The last week of every site is simulated, a poll a minute, and stored as it always is; the weeks
before repeat it: their rollups all, their polls for the last five weeks (older polls are read by
no page). So all tables but that of old polls have the size of a year, while building them takes
minutes. The newest instant is a midnight UTC: no hour is open, and nothing polls beside.

Measured is a request through the whole application, without a socket: routing, judging,
rendering and compressing. The clock runs on, so every Morning round looks at every site; one
site was polled since the last request or, in a measure of its own, all were. The last 24 h and
the nights are read from the database by the first request and then kept for a minute, as
always. A chart is one site's supply, after one request that loads what charts need.
The first paint is a browser's own figure with an empty cache, over the loopback address.
"""

import asyncio
import copy
import os
import re
import shutil
import statistics
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import uvicorn
from fastapi import FastAPI
from sqlalchemy import Connection, Table, select

from tallymast import assets, hour_closer, serving
from tallymast.benches import counted_months
from tallymast.domain import network_file
from tallymast.domain.contact import first_state, next_state, patience
from tallymast.domain.errors import ConfigError
from tallymast.domain.model import (
    GatewayState,
    GatewayStatus,
    Network,
    Poll,
    PollDone,
    PollPlan,
    SitePlan,
    SiteState,
    SiteStatus,
)
from tallymast.domain.read_plan import read_plan
from tallymast.domain.record.chunks import PollColumns, polls_of
from tallymast.domain.record.months import month_before, name_of
from tallymast.domain.zones import find_zone
from tallymast.live import Live
from tallymast.routes.app import create_app
from tallymast.routes.charts import SPANS
from tallymast.routes.services import NetworkView, PollerCondition, Services
from tallymast.simulator.faults import Faults
from tallymast.simulator.history import Past, World
from tallymast.simulator.radio_path import LIVELY
from tallymast.storage import network as stored_network
from tallymast.storage import schema
from tallymast.storage.batch import store_polls
from tallymast.storage.changes import insert_many
from tallymast.storage.chunks import DAY, HOUR_MS, Chunk, packed, put_chunks
from tallymast.storage.days import close_days
from tallymast.storage.engine import Database, open_database
from tallymast.storage.history import store_day
from tallymast.storage.nights import compute_nights
from tallymast.storage.point_hours import pack_days
from tallymast.storage.writer import StorageStatus

NETWORK = "ombrel-basin.toml"
DAY_MS = 86_400_000
SIMULATED_DAYS = 7
OPEN_MS = 50 * 60_000  # of the hour that goes on
POLLS_DAYS = 35
NIGHTS = 30
MOST_UNITS = 247  # MODBUS over Serial Line V1.02, 2.2: unit addresses of one line
TIMES = 40
VISITS = 5
_ASSET = re.compile(r'(?:href|src)="(/static/[^"]+)"')


def run(sites: int = 64, days: int = 365) -> dict[str, object]:
    """Build the database and measure.

    Returns:
        ``round_ms`` median of the Morning round, one site changed before each request, and
        ``round_cold_ms`` the first, ``round_all_ms`` with every site changed; ``chart_ms`` the
        slowest span's median, ``charts`` each;
        ``month_ms`` the page of volumes of a month, the slower of a whole one and the present one;
        ``reliability_ms`` None while there is no such page; ``round_bytes`` what a first visit
        transfers, ``page_bytes`` of it the page, ``dom_nodes`` its elements;
        ``first_paint_ms`` median of cold visits, None without a browser.

    Raises:
        ConfigError: no sites or no days.

    """
    if sites < 1 or days < 1:
        raise ConfigError("bench pages needs at least one site and one day.")
    with tempfile.TemporaryDirectory() as folder:
        database = open_database(Path(folder) / "tallymast.sqlite3")
        try:
            return _measure(_built(database, sites, days), Path(folder))
        finally:
            database.close()


# --- the database -----------------------------------------------------------------------


@dataclass(frozen=True)
class Built:
    """A filled database, what is polled, and how every site stands."""

    database: Database
    network: Network
    plan: PollPlan
    states: dict[int, SiteState]
    last: dict[int, PollColumns]
    now_ms: int


def _built(database: Database, sites: int, days: int) -> Built:
    written = _written(sites)
    network = network_file.build(written, NETWORK)
    with database.writing() as conn:
        stored_network.store_network(
            conn, written, network, actor="local", source="file", at_ms=0, plan_blocks=read_plan
        )
    with database.reading() as conn:
        plan = stored_network.load_plan(conn, network)
    now_ms = time.time_ns() // 1_000_000 // DAY_MS * DAY_MS
    states, last, hot = {}, {}, list[Poll]()
    every = [(gateway, site) for gateway in plan.gateways for site in gateway.sites]
    for n, (gateway, site) in enumerate(every, start=1):
        print(f"\rbuilding {days} days of site {n} of {len(every)}", end="", file=sys.stderr)
        past = Past(World(network, 1, Faults(), LIVELY), site.site, site.layout)
        begin_ms = now_ms - min(days, SIMULATED_DAYS) * DAY_MS
        week = list(past.days(begin_ms, now_ms))
        for columns in week:
            store_day(database, site.site_id, site.layout, columns)
        _repeat(database, site, week, now_ms, days)
        columns = week[-1]
        limits = patience(site.site, gateway.gateway)
        state = first_state(site.layout, SiteStatus.NEVER_ANSWERED, now_ms)
        late = past.polls(now_ms, now_ms + OPEN_MS)
        newest = polls_of(late, site.site_id, site.layout.id)
        hot += newest
        for poll in newest:
            state = next_state(state, poll, site.layout, limits)
        states[site.site_id], last[site.site_id] = state, columns
    print("\ncomputing nights", file=sys.stderr)
    _compute_nights(database, network, plan, now_ms)
    print("adding up days, packing hours", file=sys.stderr)
    close_days(database, now_ms + 3 * HOUR_MS)
    pack_days(database, now_ms + 3 * HOUR_MS)
    with database.writing() as conn:
        store_polls(conn, hot)  # the hour that goes on
    counted_months.fill(
        database, [(gateway.gateway, site) for gateway, site in every], now_ms, days
    )
    return Built(database, network, plan, states, last, now_ms + OPEN_MS)


def _compute_nights(database: Database, network: Network, plan: PollPlan, now_ms: int) -> None:
    zone = find_zone(network.time_zone)
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    nights = [today - timedelta(days=back) for back in range(NIGHTS)]
    compute_nights(database, hour_closer.night_sites(plan), nights, zone, now_ms)


def _written(sites: int) -> network_file.Written:
    """Return the demo's network with so many sites, all in service and polled each minute.

    Where a line has no more unit addresses, its gateway comes again under another address.
    """
    text = (assets.demo_data() / NETWORK).read_text(encoding="utf-8")
    written = copy.deepcopy(network_file.parse(text, NETWORK))
    first: list[dict[str, Any]] = written["site"]
    masts: dict[str, dict[str, Any]] = {one["key"]: one for one in written["gateway"]}
    made, gateways = [], {}
    units: Counter[str] = Counter()
    for n in range(sites):
        one = copy.deepcopy(first[n % len(first)])
        for key in ("via", "in_service"):
            one.pop(key, None)
        number = n // len(first) + 1
        mast = masts[one["gateway"]]
        line, unit = divmod(units[mast["key"]], MOST_UNITS)
        units[mast["key"]] += 1
        gateway = _again(mast, line)
        gateways[gateway["key"]] = gateway
        made.append(
            one
            | {"key": f"{one['key']}-{number}", "name": f"{one['name']} {number}"}
            | {"unit": unit + 1, "gateway": gateway["key"], "poll_every_s": 60}
        )
    return {**written, "site": made, "gateway": list(gateways.values())}


def _again(gateway: dict[str, Any], line: int) -> dict[str, Any]:
    """Return a gateway as its line number ``line``; line 0 is itself."""
    if line == 0:
        return gateway
    host, _, port = gateway["address"].rpartition(":")
    return gateway | {
        "key": f"{gateway['key']}-{line + 1}",
        "name": f"{gateway['name']} {line + 1}",
        "address": f"{host}:{int(port) + 100 * line}",
    }


def _repeat(
    database: Database, site: SitePlan, week: Sequence[PollColumns], now_ms: int, days: int
) -> None:
    """Repeat a site's last week for the weeks before it, back to the first of ``days``."""
    first_ms = now_ms - days * DAY_MS
    with database.writing() as conn:
        points = select(schema.point.c.id).where(schema.point.c.site_id == site.site_id)
        _copy_rows(conn, schema.comm_hour, schema.comm_hour.c.site_id == site.site_id, first_ms)
        _copy_rows(conn, schema.point_hour, schema.point_hour.c.point_id.in_(points), first_ms)
        for back in range(len(week), min(days, POLLS_DAYS)):
            columns = week[-1 - back % len(week)]
            shift_ms = back // len(week) * len(week) * DAY_MS
            moved = replace(columns, at_ms=columns.at_ms - shift_ms)
            start_ms = now_ms - (back + 1) * DAY_MS
            chunk = Chunk(site.site_id, start_ms, DAY, site.layout.id, moved)
            put_chunks(conn, site.site_id, packed([chunk]))


def _copy_rows(conn: Connection, table: Table, where: Any, first_ms: int) -> None:
    """Copy a week's rows into every week before it, as far back as ``first_ms``."""
    place = [column.name for column in table.columns].index("hour_ms")
    rows = [tuple(row) for row in conn.execute(select(table).where(where))]
    week_ms = SIMULATED_DAYS * DAY_MS
    while rows := [
        (*row[:place], row[place] - week_ms, *row[place + 1 :])
        for row in rows
        if row[place] - week_ms >= first_ms
    ]:
        insert_many(conn, table, rows)


# --- measuring --------------------------------------------------------------------------


def _measure(built: Built, folder: Path) -> dict[str, object]:
    live = Live()
    live.publish_sites(built.states.values())
    for gateway in built.plan.gateways:
        live.publish_gateway(
            GatewayState(gateway.gateway_id, GatewayStatus.CONNECTED, built.now_ms, cycle_s=12.0)
        )
    app = create_app(_services(built, live))
    found = asyncio.run(_timed(app, built, live))
    found["first_paint_ms"] = _first_paint(app)
    found["database_bytes"] = sum(one.stat().st_size for one in folder.iterdir())
    return found


def _services(built: Built, live: Live) -> Services:
    view, began = NetworkView(built.network, built.plan), time.monotonic()
    return Services(
        database=built.database,
        live=live,
        network=lambda: view,
        now_ms=lambda: built.now_ms + round(1000 * (time.monotonic() - began)),
        version="bench",
        storage_condition=lambda: StorageStatus("ok", 0, 0, 0),
        poller_condition=lambda: PollerCondition("polling"),
        hosts=("127.0.0.1",),
    )


async def _timed(app: FastAPI, built: Built, live: Live) -> dict[str, object]:
    transport = httpx.ASGITransport(app=app)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
        page, cold_ms = await _once(client, "/")
        turn = _changes(built, live)
        round_ms = await _median(client, "/", lambda: next(turn))
        every = len(built.states)
        round_all_ms = await _median(client, "/", lambda: [next(turn) for _ in range(every)])
        charts = await _charts(client, built)
        reliability_ms = await _reliability(client)
        month_ms = await _month(client, built)
        sizes = [await _transferred(client, one) for one in sorted(set(_ASSET.findall(page.text)))]
        page_bytes = await _transferred(client, "/")
    return {
        "round_ms": round(round_ms, 2),
        "round_cold_ms": round(cold_ms, 2),
        "round_all_ms": round(round_all_ms, 2),
        "chart_ms": round(max(charts.values()), 2),
        "charts": {span: round(ms, 2) for span, ms in charts.items()},
        "reliability_ms": reliability_ms,
        "month_ms": month_ms,
        "round_bytes": page_bytes + sum(sizes),
        "page_bytes": page_bytes,
        "dom_nodes": len(re.findall(r"<[a-z]", page.text)),
        "sites": len(built.states),
    }


def _changes(built: Built, live: Live) -> Iterator[None]:
    """Publish a poll of one site after another, so that one row has to be made anew."""
    plans = [(gateway, site) for gateway in built.plan.gateways for site in gateway.sites]
    shown = 0
    while True:
        gateway, site = plans[shown % len(plans)]
        shown += 1
        columns = built.last[site.site_id].take(slice(-1, None))
        (poll,) = polls_of(columns, site.site_id, site.layout.id)
        limits = patience(site.site, gateway.gateway)
        poll = replace(poll, at_ms=built.now_ms - 1000 + shown)
        state = next_state(built.states[site.site_id], poll, site.layout, limits)
        live.publish_poll(PollDone(poll, state))
        yield


async def _charts(client: httpx.AsyncClient, built: Built) -> dict[str, float]:
    site = built.plan.gateways[0].sites[0].site.key
    found = {}
    for span in SPANS:
        address = f"/sites/{site}/charts/VBAT.json?span={span.replace(' ', '%20')}"
        await client.get(address)
        found[span] = await _median(client, address)
    return found


async def _reliability(client: httpx.AsyncClient) -> float | None:
    """Return the median of the reliability page [ms], None while there is no such page."""
    if (await client.get("/reliability")).status_code == httpx.codes.NOT_FOUND:
        return None
    return round(await _median(client, "/reliability"), 2)


async def _month(client: httpx.AsyncClient, built: Built) -> float:
    """Return the median of the page of volumes [ms]: a whole month, or the one that goes on."""
    month = month_before(datetime.fromtimestamp(built.now_ms / 1000, UTC).date())
    found = [await _median(client, f"/volumes?month={name_of(month)}")]
    return round(max(*found, await _median(client, "/volumes")), 2)


async def _median(
    client: httpx.AsyncClient, address: str, before: Callable[[], object] = lambda: None
) -> float:
    taken = []
    for _ in range(TIMES):
        before()
        taken.append((await _once(client, address))[1])
    return statistics.median(taken)


async def _once(client: httpx.AsyncClient, address: str) -> tuple[httpx.Response, float]:
    began = time.perf_counter()
    answer = await client.get(address)
    taken_ms = 1000 * (time.perf_counter() - began)
    answer.raise_for_status()
    return answer, taken_ms


async def _transferred(client: httpx.AsyncClient, address: str) -> int:
    """Return the bytes of an answer's body as they go over the wire."""
    async with client.stream("GET", address) as answer:
        async for _ in answer.aiter_raw():
            pass
        return answer.num_bytes_downloaded


# --- in a browser -----------------------------------------------------------------------


def _first_paint(app: FastAPI) -> float | None:
    """Return the median first contentful paint of cold visits [ms], None without a browser."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return None
    chromium = os.environ.get("TALLYMAST_CHROMIUM") or shutil.which("chromium")
    if chromium is None:
        return None
    script = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime"
    with _served(app) as base, sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-gpu", "--no-first-run"]
        )
        paints = []
        for _ in range(VISITS):
            page = browser.new_context().new_page()
            page.goto(base, wait_until="load")
            page.wait_for_timeout(200)
            paints.append(page.evaluate(script))
            page.context.close()
        browser.close()
    painted = [float(one) for one in paints if one is not None]
    return round(statistics.median(painted), 1) if painted else None


@contextmanager
def _served(app: FastAPI) -> Iterator[str]:
    with serving.listening_socket("127.0.0.1", 0) as listening:
        config = uvicorn.Config(app, log_config=None, lifespan="off", timeout_graceful_shutdown=1)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join()
