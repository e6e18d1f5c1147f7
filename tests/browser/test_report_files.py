"""Reports in a real browser, from a disk: alone, accessible, narrow, on paper; and their page."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from starlette.testclient import TestClient
from tests.browser.conftest import opening, served
from tests.browser.test_pages import pages_of, violations
from tests.routes.conftest import World, world
from tests.routes.test_reliability import TWO_DAYS, four_days
from tests.routes.test_report_files import two_rounds

from tallymast.files.report_shelf import ReportShelf
from tallymast.routes.app import create_app

__all__ = ["world"]
pytestmark = pytest.mark.browser

PATHS = {"reliability": f"/reports/reliability?{TWO_DAYS}", "round": "/reports/round"}
ROOT = "document.documentElement"


def on_disk(world: World, folder: Path, name: str) -> str:
    """Write a report into a folder and give its address there."""
    with TestClient(create_app(world.services())) as client:
        if name == "round":
            two_rounds(world)
        else:
            four_days(world)
        (folder / f"{name}.html").write_bytes(client.get(PATHS[name]).content)
    return (folder / f"{name}.html").as_uri()


@pytest.mark.parametrize("name", PATHS)
def test_a_report_opens_alone_and_prints_black_on_white(
    world: World, browser: Browser, tmp_path: Path, name: str
) -> None:
    address = on_disk(world, tmp_path, name)
    page = browser.new_page(viewport={"width": 320, "height": 700}, color_scheme="dark")
    asked: list[str] = []
    page.on("request", lambda one: asked.append(one.url))
    page.goto(address)
    assert asked == [address]
    assert not page.evaluate(f"{ROOT}.scrollWidth > {ROOT}.clientWidth")
    assert violations(page) == []
    page.set_viewport_size({"width": 1280, "height": 900})
    assert violations(page) == []
    for paper in ("A4", "Letter"):
        assert pages_of(page.pdf(format=paper)) <= 3
    page.emulate_media(media="print", color_scheme="dark")
    colours = page.evaluate("(({color, backgroundColor}) => [color, backgroundColor])"
                            "(getComputedStyle(document.body))")  # fmt: skip
    assert colours == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
    page.close()


@pytest.fixture
def start(world: World, browser: Browser, tmp_path: Path) -> Iterator[Callable[..., Page]]:
    four_days(world)
    two_rounds(world)
    shelf = ReportShelf(tmp_path / "reports")
    for number in (1, 2):
        shelf.keep("2026-02", number, {"html": b"<p>", "xlsx": b"PK"}, world.now_ms)
    given = replace(world.services(), reports=shelf, report_trouble=lambda: "The disk is full.")
    with served(create_app(given)) as base:
        yield from opening(browser, base)


@pytest.mark.parametrize(("width", "dark"), [(1280, False), (320, True)])
def test_the_page_of_reports_is_accessible_and_no_wider_than_the_screen(
    start: Callable[..., Page], width: int, dark: bool
) -> None:
    page = start("/reports", width=width, dark=dark)
    assert violations(page) == []
    assert not page.evaluate(f"{ROOT}.scrollWidth > {ROOT}.clientWidth")
