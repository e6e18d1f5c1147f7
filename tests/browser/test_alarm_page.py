"""The page of alarms in a real browser: in nobody's way, by keyboard, narrow, and heard."""

from collections.abc import Iterator
from dataclasses import replace

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.conftest import opening, served
from tests.browser.test_pages import OpenPage, violations
from tests.routes.alarm_world import (
    HATCH,
    HIGH,
    LOW,
    MINUTE,
    SILENT,
    A,
    B,
    D,
    Told,
    entry,
    normal,
    raised,
    told,
)
from tests.routes.conftest import NOW_MS, World

from tallymast.domain.alarms.model import Condition, Event
from tallymast.routes.app import create_app

pytestmark = pytest.mark.browser


@pytest.fixture
def alarms(world: World) -> Told:
    """One of each: new, unknown, over, suppressed; and how long nobody looked."""
    made = told(world)
    made.stands(HIGH, raised(12, "4.62 m"), entry(HIGH, Event.RAISED, 12, A, B))
    lost = replace(raised(90, "0.8 m"), condition=Condition.UNKNOWN, seen_ms=NOW_MS - 12 * MINUTE)
    made.stands(LOW, lost)
    over = replace(raised(40, "shut", D), condition=Condition.NORMAL, cleared_ms=NOW_MS - MINUTE)
    made.stands(HATCH, over)
    made.stands(SILENT, replace(normal(), suppressed_by="suppressed: Mast cannot be reached"))
    made.blind = "Nobody looked for 2 h 10 min."
    return made


@pytest.fixture
def base(alarms: Told) -> Iterator[str]:
    with served(create_app(alarms.services())) as address:
        yield address


@pytest.fixture
def open_page(browser: Browser, base: str) -> Iterator[OpenPage]:
    yield from opening(browser, base)


def rows(page: Page) -> list[str]:
    found: list[str] = page.evaluate(
        "[...document.querySelectorAll('#alarm-list > li')].map((row) => row.id)"
    )
    return found


def box(page: Page, alarms: Told, alarm: object) -> str:
    return f"#alarm-{alarms.number(alarm)} input"  # type: ignore[arg-type]


def test_axe_finds_nothing_and_nothing_is_too_wide(alarms: Told, open_page: OpenPage) -> None:
    one = f"/alarms/{alarms.number(HIGH)}"
    root = "document.documentElement"
    for path in ("/alarms", "/alarms/journal", "/alarms/figures", "/setup/alarms", one):
        page = open_page(path, width=320)
        for fold in page.locator("main summary").all():
            fold.click()
        assert page.evaluate(f"{root}.scrollWidth <= {root}.clientWidth"), path
        assert violations(page) == [], path
    page = open_page("/alarms", dark=True)
    assert violations(page) == []


def test_a_new_alarm_comes_by_itself_and_is_told(alarms: Told, open_page: OpenPage) -> None:
    page = open_page("/alarms")
    alarms.stands(SILENT, raised(0, "silent"))
    expect(page.locator(f"#alarm-{alarms.number(SILENT)}")).to_contain_text("Comm fail")
    expect(page.locator("#alarm-said")).to_have_text("1 new alarm: Osier <Pond>: Comm fail.")
    assert rows(page)[0] == f"alarm-{alarms.number(SILENT)}"
    expect(page.locator("#alarm-head")).to_contain_text("4 alarms")


def test_a_list_in_use_stays_as_it_is_until_asked(alarms: Told, open_page: OpenPage) -> None:
    page = open_page("/alarms")
    before = rows(page)
    page.locator(box(page, alarms, LOW)).check()
    page.locator("[name=note]").fill("on my way")
    page.locator(box(page, alarms, LOW)).focus()
    alarms.stands(SILENT, raised(0, "silent"))
    alarms.stands(HIGH, normal())
    alarms.stands(LOW, raised(90, "0.9 m"))
    show = page.get_by_role("button", name="Show them")
    expect(show).to_be_visible()
    expect(page.locator("#alarm-said")).to_contain_text("1 new alarm")
    expect(page.locator(f"#alarm-{alarms.number(LOW)}")).to_contain_text("0.9 m")
    expect(page.locator(f"#alarm-{alarms.number(HIGH)}")).to_contain_text("No longer in this list")
    assert rows(page) == before
    expect(page.locator(box(page, alarms, LOW))).to_be_focused()
    expect(page.locator("[name=note]")).to_have_value("on my way")
    show.click()
    expect(page.locator(box(page, alarms, LOW))).to_be_checked()
    expect(page.locator("[name=note]")).to_have_value("on my way")
    order = [f"alarm-{alarms.number(one)}" for one in (SILENT, LOW, HATCH)]
    assert rows(page) == order


def test_it_is_walked_and_acknowledged_by_keys(alarms: Told, open_page: OpenPage) -> None:
    page = open_page("/alarms")
    page.keyboard.press("a")  # the focus is not in the list: nothing happens
    page.locator(box(page, alarms, LOW)).focus()
    page.keyboard.press("j")
    expect(page.locator(box(page, alarms, HIGH))).to_be_focused()
    page.keyboard.press("ArrowUp")
    expect(page.locator(box(page, alarms, LOW))).to_be_focused()
    page.keyboard.press("a")
    low = page.locator(f"#alarm-{alarms.number(LOW)}")
    expect(low).to_contain_text("Acknowledged by local")
    expect(page.locator(box(page, alarms, LOW))).to_be_focused()
    expect(page.locator(f"#alarm-{alarms.number(HIGH)}")).to_contain_text("Unacknowledged")


def test_a_selection_is_shelved_with_a_reason_or_refused(alarms: Told, open_page: OpenPage) -> None:
    page = open_page("/alarms")
    page.locator(box(page, alarms, HIGH)).check()
    page.locator(box(page, alarms, LOW)).check()
    page.get_by_text("Shelve or take out of service").click()
    page.locator("[name=note]").fill("both being cleaned")
    page.get_by_role("button", name="Shelve selected").click()
    expect(page.locator("#alarm-held")).to_contain_text("by local: both being cleaned")
    expect(page.locator("[name=note]")).to_have_value("")


def test_it_works_without_scripts(alarms: Told, open_page: OpenPage) -> None:
    page = open_page("/alarms", scripts=False)
    page.locator(box(page, alarms, HIGH)).check()
    page.locator("[name=note]").fill("pump stopped")
    page.get_by_role("button", name="Acknowledge selected").click()
    expect(page.locator(f"#alarm-{alarms.number(HIGH)}")).to_contain_text("Acknowledged by local")
    page.goto(page.url + f"/{alarms.number(HIGH)}")
    expect(page.locator(".entries")).to_contain_text("pump stopped")


def test_sound_is_off_until_asked_for_and_remembered(alarms: Told, open_page: OpenPage) -> None:
    page = open_page("/alarms")
    button = page.get_by_role("button", name="Sound", exact=True)
    expect(button).to_have_attribute("aria-pressed", "false")
    expect(page.locator("#sound-said")).to_have_text("Off: no tone here.")
    assert button.get_attribute("data-tones") is None
    button.click()
    expect(button).to_have_attribute("aria-pressed", "true")
    expect(button).to_have_attribute("data-tones", "1")
    expect(page.locator("#sound-said")).to_contain_text("On: a short tone")
    page.reload()
    expect(button).to_have_attribute("aria-pressed", "true")
    expect(page.locator("#sound-said")).to_contain_text("keeps the sound back until you click")
    button.click()
    expect(button).to_have_attribute("aria-pressed", "false")


def test_on_paper_nothing_is_left_that_needs_a_click(alarms: Told, open_page: OpenPage) -> None:
    page = open_page("/alarms")
    page.emulate_media(media="print")
    expect(page.locator("#acts")).to_be_hidden()
    expect(page.locator("#sound")).to_be_hidden()
    expect(page.locator("#alarm-list")).to_contain_text("4.62 m, limit 4.50 m")
