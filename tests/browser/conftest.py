"""A real Chromium on a real server: one small world served for each test."""

import os
import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import uvicorn
from fastapi import FastAPI
from playwright.sync_api import Browser, BrowserContext, Page, ViewportSize, sync_playwright
from tests.routes.conftest import World, world

from tallymast import serving
from tallymast.beginnings import Beginnings, newest_standings
from tallymast.demo import demonstration
from tallymast.demo import rounds as demo_rounds
from tallymast.domain.health.diagnosis.diagnose import diagnose
from tallymast.domain.health.nights import night_of, sunrise_ms
from tallymast.domain.model import GatewayState, GatewayStatus
from tallymast.judging import evidence, judge
from tallymast.live import Live
from tallymast.routes.app import create_app
from tallymast.routes.services import NetworkView, PollerCondition, Services
from tallymast.simulator.history import Past
from tallymast.simulator.supply import SitePower
from tallymast.simulator.weather import Weather
from tallymast.storage import states
from tallymast.storage.days import close_days
from tallymast.storage.engine import Database, open_database
from tallymast.storage.history import store_day
from tallymast.storage.nights import keep_nights
from tallymast.storage.writer import StorageStatus

__all__ = ["world"]  # the same small world as behind the API tests

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
AXE = Path(__file__).parent / "vendor" / "axe-core-4.14.1.min.js"


def chromium() -> str:
    """Return the system's Chromium; skip with one line (in CI: fail) where there is none."""
    named = os.environ.get("TALLYMAST_CHROMIUM")
    found = named or next((path for name in NAMES if (path := shutil.which(name))), None)
    if found is None:
        what = "no Chromium is on PATH or named in TALLYMAST_CHROMIUM"
        if os.environ.get("TALLYMAST_CI") == "1":
            pytest.fail(f"{what}, and CI may not skip this")
        pytest.skip(what)
    return found


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        made = play.chromium.launch(executable_path=chromium(), args=FLAGS)
        yield made
        made.close()


@contextmanager
def served(app: FastAPI) -> Iterator[str]:
    """Serve an application on a free port for a block; give its address."""
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


@pytest.fixture
def base(world: World) -> Iterator[str]:
    """The address of the served world."""
    with served(create_app(world.services())) as address:
        yield address


@dataclass
class Watched:
    """A page, and everything about it that should not happen."""

    page: Page
    wrong: list[str] = field(default_factory=list)


@pytest.fixture
def open_page(browser: Browser, base: str) -> Iterator[Callable[..., Page]]:
    """Open a page; the test fails if it says an error or asks another server."""
    yield from opening(browser, base)


@dataclass
class Screen:
    """What a page is looked at on."""

    size: ViewportSize
    colours: Literal["light", "dark"]
    scripts: bool

    def page(self, browser: Browser) -> Page:
        """A page that shares nothing with any other."""
        return browser.new_page(
            viewport=self.size,
            color_scheme=self.colours,
            java_script_enabled=self.scripts,
            bypass_csp=False,
        )

    def page_in(self, context: BrowserContext) -> Page:
        """A page that shares cache and stores with others of a context, where scripts run."""
        assert self.scripts
        page = context.new_page()
        page.set_viewport_size(self.size)
        page.emulate_media(color_scheme=self.colours)
        return page


def opening(
    browser: Browser, base: str, context: BrowserContext | None = None
) -> Iterator[Callable[..., Page]]:
    """Give a function that opens pages; afterwards nothing may have gone wrong on them."""
    watched: list[Watched] = []

    def start(path: str, width: int = 1280, dark: bool = False, scripts: bool = True) -> Page:
        screen = Screen({"width": width, "height": 900}, "dark" if dark else "light", scripts)
        page = screen.page(browser) if context is None else screen.page_in(context)
        one = Watched(page)
        watched.append(one)
        page.on("pageerror", lambda error: one.wrong.append(f"error: {error}"))
        page.on(
            "console",
            lambda said: (
                one.wrong.append(f"console: {said.text}")
                if said.type in ("error", "warning")
                else None
            ),
        )
        page.on(
            "request",
            lambda asked: (
                one.wrong.append(f"asked {asked.url}")
                if not asked.url.startswith((base, "data:", "blob:"))
                else None
            ),
        )
        page.goto(base + path)
        return page

    yield start
    for one in watched:
        one.page.close()
    assert not [line for one in watched for line in one.wrong]


# --- the whole demo, standing still ------------------------------------------------------

DEMO_NOW_MS = round(
    datetime(2026, 11, 25, 8, 2, tzinfo=ZoneInfo("America/Denver")).timestamp() * 1000
)


# Of all sites so many days are written poll by poll; of those whose weeks are told, 30 days.
DEMO_DAYS, DEMO_WEEKS = 3, 30
TOLD = (
    "tern-flat",
    "rook-valve",
    "merlin-pad",
    "gannet-turnout",
    "plover-turnout",
    "osier-pond",
    "hobby-pad",
    "vetch-water",
)


@pytest.fixture(scope="session")
def demo_services(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Services]:
    """What the demo's pages are handed at one instant: 24 sites, eight troubles, three weeks."""
    database = open_database(tmp_path_factory.mktemp("demo") / "tallymast.sqlite3")
    scene = demonstration.begin(database, DEMO_NOW_MS)
    demonstration.join(database, scene, DEMO_NOW_MS)
    for _ in demonstration.fill(database, demonstration.pieces(database)[:DEMO_DAYS]):
        pass
    older_weeks(database, scene)
    close_days(database, DEMO_NOW_MS)
    older_nights(database, scene)
    for _ in demo_rounds.keep_rounds(database, scene, days=1):
        pass
    live = Live()
    with database.reading() as connection:
        live.publish_sites(states.load_site_states(connection).values())
    for gateway in scene.plan.gateways:
        live.publish_gateway(
            GatewayState(gateway.gateway_id, GatewayStatus.CONNECTED, DEMO_NOW_MS, cycle_s=12.5)
        )
    view = NetworkView(scene.world.network, scene.plan)
    judged = judge(database, view, DEMO_NOW_MS)
    beginnings = Beginnings(database, live, lambda: view)
    standings = newest_standings(live, view, DEMO_NOW_MS)
    beginnings.look(DEMO_NOW_MS, standings.values())
    causes = diagnose(evidence(view, live, standings, judged, DEMO_NOW_MS))
    yield Services(
        database=database,
        live=live,
        network=lambda: view,
        now_ms=lambda: DEMO_NOW_MS,
        version="0.0-test",
        storage_condition=lambda: StorageStatus("ok", 0, 0, 0),
        poller_condition=lambda: PollerCondition("polling"),
        hosts=("testserver", "127.0.0.1"),
        health=lambda: judged.sites,
        losses=lambda: judged.losses,
        causes=lambda: causes,
        judged_ms=lambda: judged.at_ms,
        began=lambda: beginnings.known,
    )
    database.close()


def older_weeks(database: Database, scene: demonstration.Scene) -> None:
    """Write the weeks of the sites whose weeks are told."""
    end_ms = DEMO_NOW_MS // 86_400_000 * 86_400_000 - (DEMO_DAYS - 1) * 86_400_000
    for gateway, plan in scene.sites:
        if plan.site.key in TOLD:
            past = Past(scene.world, plan.site, plan.layout, gateway.gateway.slow_every_s)
            for columns in past.days(end_ms - (DEMO_WEEKS - DEMO_DAYS) * 86_400_000, end_ms):
                store_day(database, plan.site_id, plan.layout, columns)


def older_nights(database: Database, scene: demonstration.Scene) -> None:
    """Store the nights before the days that are written, from the simulator's voltmeters."""
    world, zone = scene.world, ZoneInfo(scene.world.network.time_zone)
    today = datetime.fromtimestamp(DEMO_NOW_MS / 1000, zone).date()
    for _, plan in scene.sites:
        site = plan.site
        if site.point("VBAT") is None or site.latitude is None or site.longitude is None:
            continue
        if site.key in ("fennel-dosing", "teal-pond"):  # they were not there
            continue
        weather = Weather(world.seed, site.latitude, site.longitude)
        power = SitePower(site, weather, world.seed, world.faults)
        nights = []
        for back in range(DEMO_DAYS - 1, 45):
            day = today - timedelta(days=back)
            risen_ms = sunrise_ms(day, site.latitude, site.longitude, zone)
            at_ms = np.arange(risen_ms - 86_400_000, risen_ms, 300_000, dtype=np.int64)
            read = np.where(power.is_on(at_ms / 1000), power.voltage(at_ms / 1000), np.nan)
            nights.append(night_of(day, risen_ms, at_ms, read))
        with database.writing() as connection:
            keep_nights(connection, plan.site_id, nights)


@pytest.fixture(scope="session")
def demo_base(demo_services: Services) -> Iterator[str]:
    """The address of the served demo."""
    with served(create_app(demo_services)) as address:
        yield address


@pytest.fixture
def open_demo(browser: Browser, demo_base: str) -> Iterator[Callable[..., Page]]:
    """Open a page of the demo; as strict as ``open_page``."""
    yield from opening(browser, demo_base)


@pytest.fixture(scope="session")
def warm(browser: Browser) -> Iterator[BrowserContext]:
    """A context whose pages share a cache: a fresh one reads every script and font anew."""
    context = browser.new_context()
    yield context
    context.close()


@pytest.fixture
def look_at_demo(
    browser: Browser, demo_base: str, warm: BrowserContext
) -> Iterator[Callable[..., Page]]:
    """As ``open_demo``, for tests that look at a page and do nothing on it."""
    yield from opening(browser, demo_base, warm)
