"""Ordering an output in a real browser: the whole way, narrow, dark, without scripts, on paper."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from starlette.testclient import TestClient
from tests.browser.conftest import opening, served
from tests.browser.test_pages import pages_of, violations
from tests.routes.orders.pump_world import PUMP, Bench, pump_world

from tallymast.domain.orders.model import OrderState, Told
from tallymast.routes.app import create_app
from tallymast.storage import order_proofs, orders

pytestmark = pytest.mark.browser


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    world = pump_world(tmp_path)
    yield Bench(world, TestClient(create_app(world.services())))
    world.database.close()


@pytest.fixture
def start(bench: Bench, browser: Browser) -> Iterator[Callable[..., Page]]:
    with served(create_app(bench.world.services())) as base:
        yield from opening(browser, base)


def read_back(bench: Bench, number: int) -> None:
    """The station has done it, and it was read back."""
    at_ms = bench.world.now_ms
    told = Told(OrderState.CONFIRMED, at_ms, "Read back: on.", readback=1.0, readback_ms=at_ms)
    with bench.world.database.writing() as conn:
        orders.claim(conn, number, "w", at_ms)
        orders.tell(conn, number, told)
        order_proofs.wait(conn, number, at_ms)


def is_sound(page: Page) -> None:
    """Nothing is too wide, and axe finds nothing."""
    root = "document.documentElement"
    assert page.evaluate(f"{root}.scrollWidth <= {root}.clientWidth"), page.url
    assert violations(page) == [], page.url


def test_a_pump_is_ordered_on_and_followed(bench: Bench, start: Callable[..., Page]) -> None:
    page = start("/sites/dunlin-booster", width=320, dark=True)
    page.get_by_role("link", name="Operate Pump, START").click()
    is_sound(page)
    page.get_by_role("button", name="On…").click()
    expect(page.locator("#asks")).to_contain_text("Asking Dunlin Booster for its value now")
    assert bench.orders() == ()
    bench.answer()
    press = page.get_by_role("button", name="Switch Pump ON at Dunlin Booster")
    expect(press).to_be_visible()
    expect(page.locator(".facts")).to_contain_text("nobody is signed in")
    is_sound(page)
    press.click()
    expect(page.locator("#order")).to_contain_text("waits to be sent")
    (made,) = bench.orders()
    read_back(bench, made.id)
    expect(page.locator("#order")).to_contain_text("output on (read back 10:00:01)")
    expect(page.locator("#order")).to_contain_text("waited for")
    is_sound(page)
    with bench.world.database.writing() as conn:
        found = orders.order(conn, made.id)
        assert found is not None
        said = "running (feedback, seen after 2 s)"
        order_proofs.prove(conn, found, order_proofs.Proof.PROVEN, bench.world.now_ms, said)
    expect(page.locator("#order .two")).to_contain_text("proven: running (feedback")
    assert pages_of(page.pdf(prefer_css_page_size=True)) == 1
    page.get_by_role("link", name="Orders", exact=True).first.click()
    expect(page.locator(".orderlist")).to_contain_text("Dunlin Booster: Pump START on")
    is_sound(page)


LONGEST = ("belt is off and its guard stands aside, " * 8)[:300]  # as long as it may be
FITS = """() => {
  const fits = (one) => one.scrollHeight <= one.clientHeight + 1;
  const [paper, reason] = [".tagpaper", ".tagwhy"].map((one) => document.querySelector(one));
  return { paper: fits(paper), reason: fits(reason) };
}"""


def test_without_scripts_and_with_a_tag(bench: Bench, start: Callable[..., Page]) -> None:
    page = start(PUMP, scripts=False)
    page.get_by_role("button", name="On…").click()
    bench.answer()
    page.goto(page.url)  # as the page does by itself every two seconds
    button = page.get_by_role("button", name="Switch Pump ON at Dunlin Booster")
    expect(button).to_be_visible()
    bench.world.now_ms += 61_000
    page.goto(page.url)  # as it does by itself after a minute
    expect(button).to_have_count(0)
    expect(page.get_by_role("button", name="Ask Dunlin Booster again")).to_be_visible()
    page.goto(page.url.partition("/outputs/")[0] + "/tags")
    page.get_by_label("Why nobody may operate it").fill(LONGEST)
    page.get_by_role("button", name="Hang it").click()
    narrow = start("/sites/dunlin-booster/tags", width=320)
    is_sound(narrow)
    narrow.get_by_role("link", name="Print it").click()
    expect(narrow.locator(".tagpaper")).to_contain_text("This is not a lock-out")
    narrow.emulate_media(media="print")
    assert narrow.evaluate(FITS) == {"paper": True, "reason": True}
    assert pages_of(narrow.pdf(prefer_css_page_size=True)) == 1
