"""Volumes in a real browser: narrow, dark, without scripts, on paper, and one header for all."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.conftest import opening, served
from tests.browser.test_pages import pages_of, violations
from tests.routes.volumes.meter_world import DAY, HOUR, MARCH_2, Meters, dark, meters, restarted

from tallymast.domain.totals.segments import Segment
from tallymast.routes.app import create_app

pytestmark = pytest.mark.browser


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Meters]:
    found = meters(tmp_path)
    odd = dark(Segment(MARCH_2 + 19 * HOUR, MARCH_2 + 20 * HOUR, 40.0), 41, 4920.0)
    lost = restarted(MARCH_2 + 19 * HOUR + 14 * 60_000, 41, 4920.0)
    found.hours("hobby-pad", MARCH_2, MARCH_2 + DAY, odd, events=(lost,))
    found.hours("hobby-pad", MARCH_2 + 2 * DAY, MARCH_2 + 3 * DAY + 5 * HOUR)
    found.hours("kestrel-pad", MARCH_2, MARCH_2 + 3 * DAY + 5 * HOUR)
    yield found
    found.world.database.close()


@pytest.fixture
def start(made: Meters, browser: Browser) -> Iterator[Callable[..., Page]]:
    with served(create_app(made.world.services())) as base:
        yield from opening(browser, base)


def is_sound(page: Page) -> None:
    """Nothing is too wide, and axe finds nothing."""
    root = "document.documentElement"
    assert page.evaluate(f"{root}.scrollWidth <= {root}.clientWidth"), page.url
    assert violations(page) == [], page.url


def test_from_the_month_to_the_hour_that_is_not_known(start: Callable[..., Page]) -> None:
    page = start("/volumes", width=320, dark=True, scripts=True)
    is_sound(page)
    row = page.get_by_role("row").filter(has=page.get_by_role("link", name="Hobby Pad")).first
    expect(row).to_contain_text("2 of 5 days known, 1 in part, 2 unknown")
    row.get_by_role("link", name="Hobby Pad").click()
    expect(page.locator("h1")).to_contain_text("Hobby Pad, Total: March 2026")
    is_sound(page)
    page.get_by_role("link", name="Mon 2 Mar").click()
    expect(page.locator("main")).to_contain_text("Counter restarted 02:14–02:55")
    is_sound(page)
    assert pages_of(page.pdf(format="A4")) <= 2
    page.goto(page.url.partition("/volumes")[0] + "/sites/hobby-pad")
    expect(page.locator("#counted-title")).to_be_visible()
    assert violations(page) == []


@pytest.mark.parametrize("width", [1280, 768])
def test_the_head_holds_every_page_in_few_rows(start: Callable[..., Page], width: int) -> None:
    page = start("/volumes", width=width)
    tops = page.evaluate(
        "[...document.querySelectorAll('.top nav a')].map(a => a.getBoundingClientRect().top)"
    )
    assert len(set(tops)) == 1 if width == 1280 else len(set(tops)) <= 2
    is_sound(page)
