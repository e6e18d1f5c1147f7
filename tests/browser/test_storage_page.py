"""The storage page in a real browser: a backup from asking to done, accessible, narrow, printed."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.conftest import opening, served
from tests.browser.test_pages import violations
from tests.routes.conftest import World, world

from tallymast.keeping import Keeper
from tallymast.routes.app import create_app

__all__ = ["world"]
pytestmark = pytest.mark.browser


@pytest.fixture
def start(world: World, browser: Browser) -> Iterator[Callable[..., Page]]:
    with served(create_app(world.services())) as base:
        opened = opening(browser, base)
        yield next(opened)
        next(opened, None)


@pytest.fixture
def keeper(world: World, tmp_path: Path) -> Keeper:
    folder = tmp_path / "copies"
    return Keeper(world.database, world.live, folder, lambda: world.view, lambda: world.now_ms)


def test_a_backup_goes_from_asked_for_to_done_while_one_looks(
    start: Callable[..., Page], keeper: Keeper
) -> None:
    page = start("/storage")
    expect(page.get_by_text("There is no backup yet.")).to_be_visible()
    page.get_by_role("button", name="Back up now").click()
    expect(page.get_by_text("A backup is under way")).to_be_visible()
    keeper._look()
    expect(page.get_by_text("is whole")).to_be_visible()
    page.get_by_role("link", name="Load this page anew").click()
    expect(page.get_by_role("cell", name="tallymast-20260308T100000Z.sqlite3")).to_be_visible()
    assert violations(page) == []


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [1280, 320], ids=["desktop", "phone"])
def test_axe_finds_nothing_and_nothing_is_wider_than_the_screen(
    start: Callable[..., Page], keeper: Keeper, width: int, dark: bool
) -> None:
    keeper.take_sizes()
    keeper.back_up()
    page = start("/storage", width=width, dark=dark)
    assert violations(page) == []
    root = "document.documentElement"
    assert not page.evaluate(f"{root}.scrollWidth > {root}.clientWidth")


def test_the_plan_is_changed_by_keyboard(start: Callable[..., Page]) -> None:
    page = start("/storage")
    page.get_by_label("Every day at").focus()
    page.keyboard.press("Control+A")
    page.keyboard.type("04:45")
    page.keyboard.press("Enter")
    expect(page.get_by_text("a backup every day at 04:45")).to_be_visible()


def test_on_paper_there_is_nothing_to_press(start: Callable[..., Page]) -> None:
    page = start("/storage")
    page.emulate_media(media="print")
    assert page.get_by_role("button").count() == 0 or not any(
        one.is_visible() for one in page.get_by_role("button").all()
    )
    expect(page.get_by_role("heading", name="Storage", exact=True)).to_be_visible()
