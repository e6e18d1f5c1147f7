"""What people keep for volumes in a real browser: accessible, on a phone, in the dark, by form."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from tests.browser.test_pages import violations
from tests.routes.conftest import NOW_MS, World
from tests.routes.volumes_kept.metered_world import DAY, compute, metered, point_id

pytestmark = pytest.mark.browser
KEPT = "/volumes/kestrel/TOT1/kept"


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = metered(tmp_path, NOW_MS - 11 * DAY)  # from 25 February on
    yield made
    made.database.close()


def test_a_factor_a_close_and_a_permit_are_written_on_a_phone_without_scripts(
    world: World, open_page: Callable[..., Page]
) -> None:
    page = open_page(KEPT, width=320, dark=True, scripts=False)
    base = page.url.removesuffix(KEPT)
    page.goto(f"{base}/volumes/close")
    page.get_by_role("button", name="Close February 2026 for 1 point").click()
    expect(page.get_by_text("version 1")).to_be_visible()
    page.goto(base + KEPT)
    page.get_by_text("Another factor from a date on…").click()
    page.get_by_role("textbox", name="Factor").fill("0.11")
    page.get_by_label("Unit of volume").select_option("m³")
    page.get_by_label("From (the network's own time)").first.fill("2026-02-27T07:00")
    page.get_by_label("Why").first.fill("Meter test 14")
    page.get_by_role("button", name="Show what it changes").click()
    expect(page.get_by_text("1 closed month would not change.")).to_be_visible()
    _fits(page)
    page.get_by_role("button", name="Enter this factor").click()
    compute(world)
    page.goto(f"{base}/volumes/permits")
    page.get_by_label("Name or number").fill("Small licence")
    page.get_by_label("May be taken").fill("11000")
    page.get_by_label("Kestrel Pad, Total").check()
    page.get_by_role("button", name="Enter the permit").click()
    expect(page.get_by_text("may be used up", exact=True)).to_be_visible()
    page.close()
    page = open_page(KEPT, width=320, dark=True)
    for path in _paths(world):
        page.goto(base + path)
        page.wait_for_load_state("load")
        assert violations(page) == [], path
        _fits(page)


def _paths(world: World) -> tuple[str, ...]:
    close = f"/volumes/close?month=2026-02&point={point_id(world)}"
    return (
        KEPT,
        close,
        "/volumes/permits",
        "/volumes/balances",
        "/volumes/flow?site=kestrel",
    )


def _fits(page: Page) -> None:
    wider = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(wider) <= 0, page.url
