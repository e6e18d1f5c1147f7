"""Both pages in a real browser: live, accessible, narrow, dark, on paper, by keyboard, offline."""

import zlib
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from tests.browser.conftest import AXE
from tests.routes.conftest import NOW_MS, World, words

from tallymast.domain.model import Job, JobState, Outcome
from tallymast.storage import jobs

pytestmark = pytest.mark.browser

GOOD = Outcome.FIRST_TRY
OpenPage = Callable[..., Page]
PAGES = ("/", "/sites/quill-tank", "/sites/nowhere")


def lively(world: World) -> None:
    made = [
        (NOW_MS - n * 60_000, GOOD if n % 9 else Outcome.NO_ANSWER, words(12_000 + n, 1287 - n, 0))
        for n in range(120, 0, -1)
    ]
    world.polls("quill-tank", made)
    world.polls("osier-pond", [(NOW_MS - 5000, GOOD, words(19_500, 1120, 1))])


def test_a_new_value_appears_by_itself(world: World, open_page: OpenPage) -> None:
    lively(world)
    page = open_page("/")
    expect(page.locator("#site-quill-tank")).to_contain_text("Level")
    world.polls("quill-tank", [(NOW_MS - 10, GOOD, words(16_000, 1287, 0))])
    expect(page.locator("#site-quill-tank")).to_contain_text("3.75")


def test_a_site_page_is_live_too(world: World, open_page: OpenPage) -> None:
    lively(world)
    page = open_page("/sites/quill-tank")
    world.polls("quill-tank", [(NOW_MS - 10, GOOD, words(16_000, 1199, 1))])
    expect(page.locator("#point-LVL")).to_contain_text("3.75")
    expect(page.locator("#point-HATCH")).to_contain_text("open")
    expect(page.locator("#point-VBAT")).to_contain_text("11.99")


def test_focus_stays_where_it_is_while_values_change(world: World, open_page: OpenPage) -> None:
    lively(world)
    page = open_page("/")
    link = page.locator("#site-osier-pond a")
    link.focus()
    world.polls("osier-pond", [(NOW_MS - 10, GOOD, words(8_000, 1287, 0))])
    expect(page.locator("#site-osier-pond")).to_contain_text("1.25")
    expect(link).to_be_focused()


def test_poll_now_tells_what_becomes_of_it(world: World, open_page: OpenPage) -> None:
    lively(world)
    page = open_page("/sites/quill-tank")
    page.get_by_role("button", name="Poll now").click()
    expect(page.locator("#job")).to_contain_text("Waits for its turn")
    with world.database.reading() as conn:
        (waiting,) = jobs.waiting(conn, jobs.POLLER)
    world.live.publish_job(
        Job(
            waiting.id,
            "poll",
            waiting.site_id,
            None,
            "local",
            NOW_MS,
            JobState.DONE,
            1.0,
            "Quill Tank: answered at the first try in 81 ms.",
        )
    )
    expect(page.locator("#job")).to_contain_text("answered at the first try in 81 ms")


def test_charts_are_drawn_from_this_server_alone(world: World, open_page: OpenPage) -> None:
    lively(world)
    page = open_page("/sites/quill-tank")
    page.locator(".charts").scroll_into_view_if_needed()
    expect(page.locator(".chart .main-svg").first).to_be_visible(timeout=15_000)
    expect(page.locator(".chart path.js-line").first).to_be_attached()
    page.get_by_role("radio", name="7 d", exact=True).check()
    expect(page.locator(".chart .main-svg").first).to_be_visible()
    page.locator(".chart").first.hover()
    assert page.locator("[data-title*='cloud' i], [data-title*='share' i]").count() == 0


def violations(page: Page) -> list[tuple[str, list[Any]]]:
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("async () => (await axe.run()).violations")
    return [(one["id"], [node["target"] for node in one["nodes"]]) for one in found]


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390], ids=["desktop", "phone"])
@pytest.mark.parametrize("path", [*PAGES[:2], "/api/docs"])
def test_axe_finds_nothing(
    world: World, open_page: OpenPage, path: str, width: int, dark: bool
) -> None:
    lively(world)
    page = open_page(path, width=width, dark=dark)
    page.wait_for_load_state("load")
    if path == "/api/docs":
        expect(page.locator("#viewer, .swagger-ui, main").first).to_be_visible()
        page.evaluate("document.querySelectorAll('.swagger-ui').forEach((one) => one.remove())")
    assert violations(page) == []


@pytest.mark.parametrize("width", [320, 390, 768, 1280])
@pytest.mark.parametrize("path", PAGES)
def test_nothing_is_wider_than_the_screen(
    world: World, open_page: OpenPage, path: str, width: int
) -> None:
    lively(world)
    if path == "/sites/nowhere":
        path = "/api/docs" if width >= 768 else "/"
    page = open_page(path, width=width)
    root = "document.documentElement"
    assert page.evaluate(f"{root}.scrollWidth <= {root}.clientWidth")


def test_the_round_can_be_walked_by_keyboard_alone(world: World, open_page: OpenPage) -> None:
    lively(world)
    page = open_page("/")
    for _ in range(30):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.getAttribute('href')") == "/sites/quill-tank":
            break
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Quill Tank")
    for _ in range(20):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Poll now":
            break
    page.keyboard.press("Enter")
    expect(page.locator("#job")).to_contain_text("Waits for its turn")


def test_without_scripts_everything_can_be_read(world: World, open_page: OpenPage) -> None:
    lively(world)
    page = open_page("/sites/quill-tank", scripts=False)
    expect(page.locator("#point-LVL")).to_contain_text("m")
    page.get_by_role("button", name="Poll now").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Quill Tank")


def test_the_round_prints_on_few_pages(world: World, open_page: OpenPage) -> None:
    lively(world)
    page = open_page("/")
    pdf = page.pdf(prefer_css_page_size=True)
    assert pages_of(pdf) <= 2
    assert pdf.startswith(b"%PDF")


def pages_of(pdf: bytes) -> int:
    return pdf.count(b"/Type /Page") - pdf.count(b"/Type /Pages")


def test_the_page_says_so_when_it_is_no_longer_live(world: World, open_page: OpenPage) -> None:
    lively(world)
    page = open_page("/")
    expect(page.locator("#site-quill-tank")).to_contain_text("Level")
    # Read in the same turn: the stream's next beat takes the words away again.
    said = page.evaluate(
        """() => {
          document.dispatchEvent(new CustomEvent('htmx:sse:error', {bubbles: true, detail: {}}));
          return document.querySelector('[role="alert"]:not([hidden])').textContent;
        }"""
    )
    assert said.startswith("Not live")


def test_the_round_is_small(world: World, open_page: OpenPage) -> None:
    lively(world)
    page = open_page("/")
    html = page.content().encode()
    assert len(zlib.compress(html, 6)) < 30_000
    assert page.evaluate("document.querySelectorAll('*').length") < 1500
