"""The history of findings in a real browser: accessible, narrow, by keyboard, without scripts."""

import pytest
from playwright.sync_api import expect
from tests.browser.test_pages import OpenPage, violations
from tests.domain.health.diagnosis.told import DAY
from tests.routes.conftest import NOW_MS, World
from tests.routes.test_findings import OSIER, QUILL, end, fell, name, say

from tallymast.domain.health.diagnosis.experience import Verdict

pytestmark = pytest.mark.browser

PAGE, SITE = "/findings", "/sites/quill-tank"


@pytest.fixture
def named(world: World) -> World:
    """A finding that is over and confirmed, one shared by two sites, and one of the gateway."""
    over = name(world, fell(days=40), NOW_MS - 40 * DAY)
    end(world, over, NOW_MS - 38 * DAY)
    say(world, over, Verdict.CONFIRMED, "connector", "Crimped anew; the cable will do a year.")
    name(world, fell(site_ids=(QUILL, OSIER)))
    name(world, fell(cause="backhaul", title="The gateway's own way to this place", site_ids=()))
    return world


LOOKS = (
    (PAGE, 1280, False),
    (PAGE, 1280, True),
    (PAGE, 390, False),
    (PAGE, 390, True),
    (SITE, 1280, True),
    (SITE, 390, False),
)


@pytest.mark.parametrize(("path", "width", "dark"), LOOKS)
def test_axe_finds_nothing(
    named: World, open_page: OpenPage, path: str, width: int, dark: bool
) -> None:
    page = open_page(path, width=width, dark=dark)
    page.wait_for_load_state("load")
    page.locator("summary", has_text="Say what a visit found").first.click()
    expect(page.locator(".wordform").first).to_be_visible()
    assert violations(page) == []


@pytest.mark.parametrize("path", [PAGE, SITE])
def test_nothing_is_wider_than_the_screen(named: World, open_page: OpenPage, path: str) -> None:
    page = open_page(path, width=320)
    page.locator("summary", has_text="Say what a visit found").first.click()
    root = "document.documentElement"
    for width in (320, 390, 768, 1280):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate(f"{root}.scrollWidth <= {root}.clientWidth"), width


def test_a_word_is_said_by_keyboard_alone(named: World, open_page: OpenPage) -> None:
    page = open_page(PAGE)
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.tagName") == "SUMMARY":
            break
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.press("ArrowDown")  # among the three verdicts: something else
    page.keyboard.press("Tab")
    page.keyboard.type("modem asleep")
    page.keyboard.press("Enter")
    expect(page.locator(".findings")).to_contain_text("Something else (modem asleep)")


def test_a_word_is_said_without_scripts(named: World, open_page: OpenPage) -> None:
    page = open_page(SITE, scripts=False)
    page.locator("#findings-title ~ ol summary").first.click()
    form = page.locator(".wordform").first
    form.get_by_label("Nothing", exact=True).check()
    form.get_by_role("button", name="Write it down").click()
    expect(page.locator("#findings-title ~ ol li").first).to_contain_text("Nothing found")
    expect(page.locator("#log-title ~ ol")).to_contain_text("surge arrester: nothing found.")
