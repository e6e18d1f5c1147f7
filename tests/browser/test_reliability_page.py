"""Reliability in a real browser: accessible, narrow, on paper, by keyboard, without scripts."""

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.conftest import opening, served
from tests.browser.test_pages import pages_of, violations

from tallymast.routes.app import create_app
from tallymast.routes.services import Services

pytestmark = pytest.mark.browser

SITE = "/reliability/merlin-pad?period=7-days"
COMPARE = "/reliability/compare?site=merlin-pad&site=saddle-repeater&period=7-days"
PAGES = {"all": "/reliability?period=7-days", "site": SITE, "compare": COMPARE}


@pytest.fixture(scope="module")
def base(demo_services: Services) -> Iterator[str]:
    with served(create_app(demo_services)) as address:
        yield address


@pytest.fixture
def start(browser: Browser, base: str) -> Iterator[Callable[..., Page]]:
    yield from opening(browser, base)


@pytest.mark.parametrize(
    ("path", "width", "dark"),
    [
        (PAGES["all"], 1280, False),
        (PAGES["all"], 1280, True),
        (PAGES["all"], 320, False),
        (SITE, 1280, False),
        (SITE, 320, True),
        (COMPARE, 1280, True),
        (COMPARE, 320, False),
    ],
)
def test_axe_finds_nothing(start: Callable[..., Page], path: str, width: int, dark: bool) -> None:
    page = start(path, width=width, dark=dark)
    assert violations(page) == []
    root = "document.documentElement"
    assert page.evaluate(f"{root}.scrollWidth <= {root}.clientWidth")


@pytest.mark.parametrize("width", [768, 1024])
def test_nothing_is_wider_than_the_screen(start: Callable[..., Page], width: int) -> None:
    page = start(PAGES["all"], width=width)
    root = "document.documentElement"
    assert page.evaluate(f"{root}.scrollWidth <= {root}.clientWidth")


def tab_to(page: Page, name: str) -> None:
    """Press the tab key until the element with this text has the focus."""
    for _ in range(120):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent.trim()") == name:
            return
    raise AssertionError(f"{name} cannot be reached by the tab key.")


def test_from_the_round_to_a_sites_outages_by_keyboard_alone(start: Callable[..., Page]) -> None:
    page = start("/")
    tab_to(page, "Reliability")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Sites", exact=True)).to_be_visible()
    tab_to(page, "Saddle Repeater")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Saddle Repeater: reliability")
    expect(page.locator(".outages")).to_contain_text(
        "Common cause: Saddle Repeater and what is behind it"
    )


def test_without_scripts_a_period_is_chosen_and_sites_are_compared(
    start: Callable[..., Page],
) -> None:
    page = start("/reliability", scripts=False)
    page.get_by_label("Period").select_option(label="last 7 days")
    page.locator("select[name=where]").select_option(label="Long Scarp mast")
    page.get_by_role("button", name="Show").click()
    expect(page.locator(".rates tbody tr")).to_have_count(12)
    page.get_by_role("checkbox", name="Compare Kestrel Pad").check()
    page.get_by_role("checkbox", name="Compare Merlin Pad").check()
    page.get_by_role("button", name="Compare the chosen sites").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Merlin Pad, Kestrel Pad")
    expect(page.get_by_role("heading", name="Merlin Pad, by hour")).to_be_visible()


def test_a_station_without_power_is_not_blamed_on_the_radio(start: Callable[..., Page]) -> None:
    page = start(SITE)  # its battery is at its end: dark from the small hours until after sunrise
    expect(page.locator(".outages li").first).to_contain_text("Supply: the station had no power.")


def test_one_cause_is_one_line_and_a_lost_gateway_charges_nobody(
    start: Callable[..., Page],
) -> None:
    page = start(PAGES["all"])
    causes = page.locator(".causes li")
    expect(causes).to_have_count(1)
    for name in ("Saddle Repeater", "Far Lateral", "Yarrow Turnout", "Cress Spring"):
        expect(causes).to_contain_text(name)
    expect(page.locator("#main")).to_contain_text(
        "Long Scarp mast: 47 min, not counted against its 11 sites"
    )


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_month_of_all_sites_prints_on_four_pages(start: Callable[..., Page], paper: str) -> None:
    page = start("/reliability?period=30-days")
    pdf = page.pdf(format=paper, landscape=True)
    assert 1 <= pages_of(pdf) <= 4
    page.emulate_media(media="print")
    expect(page.get_by_role("button").first).to_be_hidden()
    expect(page.locator(".rates")).to_be_visible()
    expect(page.locator(".headline")).to_be_visible()


def test_the_drawing_has_words_for_every_day(start: Callable[..., Page]) -> None:
    page = start(SITE)
    day = page.locator(".grid svg g title").last
    said = day.evaluate("one => one.textContent")
    assert said.startswith("Wed 25 Nov: ")  # the demo's day
    page.get_by_text("The same by hour, as a table").click()
    expect(page.get_by_role("row", name="03:00")).to_be_visible()
