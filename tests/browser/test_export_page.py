"""The export page in a real browser: chosen, told, made, downloaded; accessible and narrow."""

import csv
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from tests.browser.test_pages import OpenPage, lively, violations
from tests.routes.conftest import World

from tallymast.exporting import ExportDesk

pytestmark = pytest.mark.browser


@pytest.fixture
def desk(world: World) -> Iterator[ExportDesk]:
    """The desk as it runs beside the pages."""
    made = ExportDesk(
        world.database, world.live, lambda: world.view, lambda: world.now_ms, world.shelf
    )
    made.start()
    yield made
    made.stop()


def choose(page: Page) -> None:
    page.get_by_text("Quill Tank 3 points").click()
    page.get_by_role("checkbox", name="Level LVL, m").check()
    page.locator("select[name=period]").select_option(label="the days below")
    page.get_by_label("From").fill("2026-03-08")
    page.get_by_label("To").fill("2026-03-08")
    page.locator("select[name=resolution]").select_option(label="every poll")


def test_points_are_chosen_made_and_downloaded(
    world: World, open_page: OpenPage, desk: ExportDesk, tmp_path: Path
) -> None:
    lively(world)
    page = open_page("/export")
    choose(page)
    # The world stands at 10:00 UTC; a poll a minute as its network file says.
    expect(page.locator("#size")).to_contain_text(
        "1 point of Quill Tank, 8 Mar 2026, every poll: about 600 rows."
    )
    expect(page.locator("#size")).to_contain_text("about 60\u00a0kB")
    page.get_by_role("button", name="Make the file").click()
    link = page.get_by_role("link", name="Download")
    expect(link).to_be_visible(timeout=15_000)
    expect(page.locator("#exports")).to_contain_text("120 rows.")
    with page.expect_download() as coming:
        link.click()
    assert coming.value.suggested_filename == "quill-tank-2026-03-08-to-2026-03-08-raw.csv"
    coming.value.save_as(tmp_path / "got.csv")
    with (tmp_path / "got.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 120
    assert {row["unit"] for row in rows} == {"m"}


def test_without_scripts_the_same_is_done(world: World, open_page: OpenPage) -> None:
    lively(world)
    page = open_page("/export", scripts=False)
    choose(page)
    page.get_by_role("button", name="Say how long it will be").click()
    expect(page.locator("#size")).to_contain_text("about 600 rows")
    expect(page.get_by_role("checkbox", name="Level LVL, m")).to_be_checked()
    page.get_by_role("button", name="Make the file").click()
    expect(page.locator("#exports")).to_contain_text("Waits for its turn.")
    ExportDesk(
        world.database, world.live, lambda: world.view, lambda: world.now_ms, world.shelf
    ).work()
    page.reload()
    expect(page.get_by_role("link", name="Download")).to_be_visible()


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [1280, 320], ids=["desktop", "phone"])
def test_axe_finds_nothing_and_nothing_is_too_wide(
    world: World, open_page: Callable[..., Page], desk: ExportDesk, width: int, dark: bool
) -> None:
    lively(world)
    page = open_page("/export?site=quill-tank", width=width, dark=dark)
    page.get_by_role("button", name="Make the file").click()
    expect(page.get_by_role("link", name="Download")).to_be_visible(timeout=15_000)
    page.locator("summary").first.click()
    page.locator("summary").nth(1).click()
    assert violations(page) == []
    root = "document.documentElement"
    assert page.evaluate(f"{root}.scrollWidth <= {root}.clientWidth")


def test_it_can_be_walked_by_keyboard(world: World, open_page: OpenPage) -> None:
    page = open_page("/export")
    page.get_by_text("Quill Tank 3 points").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    expect(page.get_by_role("checkbox", name="All points of Quill Tank")).to_be_checked()
    expect(page.locator("#size")).to_contain_text("3 points of Quill Tank")
