"""Who is told, in a real browser: from nobody to a message, its log, and its link pressed."""

from collections.abc import Iterator
from dataclasses import replace

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.conftest import opening, served
from tests.browser.test_pages import OpenPage, violations
from tests.routes.alarm_world import HIGH, MINUTE, raised
from tests.routes.conftest import NOW_MS
from tests.routes.people.conftest import kept
from tests.routes.telling.conftest import GATE, Telling, telling

from tallymast.domain.people import Role
from tallymast.domain.telling.model import Delivery, Occurrence, Try, TryOutcome
from tallymast.storage import contacts, messages

__all__ = ["kept", "telling"]
pytestmark = pytest.mark.browser

WIDE = "document.documentElement.scrollWidth > document.documentElement.clientWidth"


@pytest.fixture
def base(telling: Telling) -> Iterator[str]:
    with served(telling.guarded.app) as address:
        yield address


@pytest.fixture
def open_page(browser: Browser, base: str) -> Iterator[OpenPage]:
    yield from opening(browser, base)


def looked_at(page: Page) -> None:
    """Nothing for axe to find, and nothing wider than a phone or a tablet."""
    assert violations(page) == [], page.url
    for width in (320, 390, 768):
        page.set_viewport_size({"width": width, "height": 800})
        assert not page.evaluate(WIDE), (page.url, width)


def test_from_nobody_is_told_to_an_alarm_acknowledged_by_its_link(
    telling: Telling, open_page: OpenPage, base: str, browser: Browser
) -> None:
    telling.alarms.stands(HIGH, raised(12, "4.62 m"))
    page = open_page("/sign-in", width=320, dark=True)
    key = telling.guarded.session(Role.SUPERVISOR)
    page.context.add_cookies([{"name": "tallymast", "value": key, "url": base}])
    page.goto(f"{base}/alarms")
    page.get_by_role("link", name="Who is told").click()
    expect(page.locator(".lead")).to_contain_text("Nobody is told of alarms yet")
    page.get_by_label("Name, such as").fill("mail.district.example")
    page.get_by_label("Sender's address").fill("tallymast@district.example")
    page.get_by_role("button", name="Store the mail server").click()
    expect(page.get_by_role("status")).to_contain_text("The mail server is stored")
    page.get_by_role("link", name="Add somebody told by mail").click()
    page.get_by_label("Name, as it stands").fill("Ana Brook")
    mistaken = browser.new_page()  # not watched: a browser says of a refusal that it failed
    mistaken.context.add_cookies([{"name": "tallymast", "value": key, "url": base}])
    mistaken.goto(page.url)
    mistaken.get_by_role("button", name="Enter this contact").click()
    expect(mistaken.get_by_role("alert")).to_contain_text("Not stored yet; what you typed is kept.")
    looked_at(mistaken)
    mistaken.close()
    page.get_by_label("Mail address").fill("ana@district.example")
    page.get_by_role("button", name="Enter this contact").click()
    expect(page.locator(".contacts")).to_contain_text("Urgent and high at once")
    looked_at(page)
    page.get_by_role("button", name="Send a trial message to Ana Brook").click()
    expect(page.get_by_role("status")).to_contain_text("waiting")
    number = int(page.url.rpartition("/")[2])
    one = Try(number, 1, NOW_MS + 900, TryOutcome.HANDED, "250 queued as 7")
    with telling.guarded.world.database.writing() as conn:
        messages.tried(conn, one, Delivery.HANDED, 0)
    expect(page.get_by_role("status")).to_contain_text("handed over")  # by itself
    expect(page.locator("#message-now")).to_contain_text("250 queued as 7")
    looked_at(page)
    page.get_by_role("link", name="All messages").click()
    expect(page.locator(".messages")).to_contain_text("Ana Brook")
    looked_at(page)
    with telling.guarded.world.database.reading() as conn:
        (ana,) = contacts.in_use(conn)
    told = telling.message(ana, Occurrence(HIGH.key, NOW_MS - 12 * MINUTE))
    link = open_page(telling.link(told), width=320, dark=True, scripts=False)
    expect(link.get_by_role("listitem")).to_contain_text("4.62 m")
    assert not link.evaluate(WIDE)
    link.get_by_role("button", name="Acknowledge as Ana Brook").focus()
    link.keyboard.press("Enter")
    expect(link.get_by_role("heading")).to_have_text("Acknowledged")
    page.goto(f"{base}/alarms/{telling.alarms.number(HIGH)}")
    expect(page.locator(".lead")).to_contain_text("Acknowledged")
    expect(page.get_by_text("by link")).to_be_visible()
    expect(page.locator("main")).to_contain_text("Ana Brook by mail: waiting")
    looked_at(page)


def test_a_links_page_is_clean_and_on_paper_without_its_button(
    telling: Telling, open_page: OpenPage
) -> None:
    telling.alarms.stands(HIGH, raised(12, "4.62 m"))
    told = telling.message(telling.contact(), Occurrence(HIGH.key, NOW_MS - 12 * MINUTE))
    page = open_page(telling.link(told), width=390)
    looked_at(page)
    page.emulate_media(media="print")
    expect(page.get_by_role("button")).to_be_hidden()
    expect(page.get_by_text("4.62 m")).to_be_visible()


def test_a_webhooks_page_says_where_its_secret_lies_and_nothing_is_too_wide(
    telling: Telling, open_page: OpenPage, base: str
) -> None:
    long = "Pager desk of the northern canal office and its night watch"
    desk, bare = telling.contact(GATE), telling.contact(replace(GATE, name=long, secret=""))
    page = open_page("/sign-in", width=320, dark=True)
    key = telling.guarded.session(Role.SUPERVISOR)
    page.context.add_cookies([{"name": "tallymast", "value": key, "url": base}])
    for number, said in ((desk.id, "is not shown again"), (bare.id, "nothing is sent")):
        page.goto(f"{base}/setup/telling/contacts/{number}")
        expect(page.locator("#secret")).to_contain_text(said)
        looked_at(page)
    page.goto(f"{base}/setup/telling")
    expect(page.locator(".lacking")).to_contain_text("Nothing signs what is sent to Pager desk of")
    looked_at(page)
