"""A real Chromium on a real server: one small world served for each test."""

import os
import shutil
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, sync_playwright
from tests.routes.conftest import World, world

from tallymast import serving
from tallymast.routes.app import create_app

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


@pytest.fixture
def base(world: World) -> Iterator[str]:
    """The address of the served world."""
    with serving.listening_socket("127.0.0.1", 0) as listening:
        config = uvicorn.Config(
            create_app(world.services()),
            log_config=None,
            lifespan="off",
            timeout_graceful_shutdown=1,
        )
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        server.should_exit = True
        thread.join()


@dataclass
class Watched:
    """A page, and everything about it that should not happen."""

    page: Page
    wrong: list[str] = field(default_factory=list)


@pytest.fixture
def open_page(browser: Browser, base: str) -> Iterator[Callable[..., Page]]:
    """Open a page; the test fails if it says an error or asks another server."""
    watched: list[Watched] = []

    def start(path: str, width: int = 1280, dark: bool = False, scripts: bool = True) -> Page:
        page = browser.new_page(
            viewport={"width": width, "height": 900},
            color_scheme="dark" if dark else "light",
            java_script_enabled=scripts,
            bypass_csp=False,
        )
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
