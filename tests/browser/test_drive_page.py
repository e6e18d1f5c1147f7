"""Before you drive in a real browser: phone, paper, dark, keyboard, and the file on a disk."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.conftest import served
from tests.browser.test_pages import pages_of, violations
from tests.routes.conftest import World, begin
from tests.routes.drive_world import CODES, FULL, HEALTH, fill, judged

from tallymast.domain.model import JobState
from tallymast.routes.app import create_app
from tallymast.storage import jobs

pytestmark = pytest.mark.browser
DRIVE = "/sites/quill-tank/drive"
OpenPage = Callable[..., Page]
NARROW = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    made = begin(tmp_path_factory.mktemp("drive"), FULL)
    fill(made)
    yield made
    made.database.close()


@pytest.fixture(scope="module")
def base(world: World) -> Iterator[str]:
    with served(create_app(judged(world, {"quill-tank": HEALTH}))) as address:
        yield address


def test_the_advice_is_seen_first_on_a_phone(open_page: OpenPage) -> None:
    page = open_page(DRIVE, width=390)
    page.set_viewport_size({"width": 390, "height": 844})
    call = page.locator(".call")
    expect(call).to_be_in_viewport(ratio=1)
    expect(call).to_contain_text("Drive: not charging")
    expect(page.locator(".asof b")).to_be_in_viewport()


@pytest.mark.parametrize("form", ["A4", "Letter"])
def test_the_fullest_sheet_is_one_page_of_paper(open_page: OpenPage, form: str) -> None:
    page = open_page(DRIVE)
    assert pages_of(page.pdf(format=form)) == 1
    page.emulate_media(media="print")
    expect(page.locator(".blanks")).to_be_visible()
    for text in ("code ••••", "As of 8 Mar 2026 10:00", "Tallymast raises no alarm"):
        expect(page.get_by_text(text).first).to_be_visible()
    assert not any(one.is_visible() for one in page.get_by_role("button").all())


def test_every_kind_of_demo_site_is_one_page_upright(open_demo: OpenPage) -> None:
    for key in ("tern-flat", "thistle-separator", "saddle-repeater", "cress-spring"):
        page = open_demo(f"/sites/{key}/drive")
        for form, box in (("A4", b"[0 0 595"), ("Letter", b"[0 0 612 792")):
            pdf = page.pdf(format=form)
            assert pages_of(pdf) == 1, key
            assert b"/MediaBox " + box in pdf, key
        page.close()


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing_and_nothing_is_wider_than_a_phone(
    open_page: OpenPage, dark: bool
) -> None:
    page = open_page(DRIVE, width=320, dark=dark)
    assert page.evaluate(NARROW)
    assert violations(page) == []
    page.set_viewport_size({"width": 1280, "height": 900})
    assert violations(page) == []


def test_a_desk_test_is_asked_for_and_watched_by_keyboard(
    world: World, open_page: OpenPage
) -> None:
    page = open_page(DRIVE)
    expect(page.locator("#desk")).to_contain_text("19 of 20 polls answered")
    button = page.get_by_role("button", name="Desk test, 20 polls")
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Desk test, 20 polls":
            break
    expect(button).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#desk")).to_contain_text("Waits for its turn")
    with world.database.writing() as conn:
        (waiting,) = jobs.waiting(conn, jobs.POLLER)
        said = "Quill Tank: 20 of 20 polls answered, 20 at the first try."
        jobs.update(conn, waiting.id, JobState.DONE, 1.0, said, world.now_ms)
    expect(page.locator("#desk")).to_contain_text("20 at the first try")
    expect(page.locator("#desk")).not_to_have_attribute("hx-get", "*")


def test_without_scripts_one_still_says_who_knows(world: World, open_page: OpenPage) -> None:
    page = open_page(DRIVE, scripts=False)
    page.get_by_label("Who goes").fill("R. Hale")
    page.get_by_label("Leaves at").fill("10:05")
    page.get_by_label("Back by").fill("13:00")
    page.get_by_role("textbox", name="Who knows").fill("M. Okoro")
    page.get_by_role("button", name="Write it down").click()
    expect(page.locator(".out")).to_contain_text("R. Hale left 10:05, back by 13:00; M. Okoro")
    page.get_by_role("button", name="R. Hale is back").click()
    expect(page.locator(".out")).to_have_count(0)


def test_the_file_opens_from_a_disk_and_asks_nobody(
    browser: Browser, open_page: OpenPage, tmp_path: Path
) -> None:
    page = open_page(DRIVE)
    with page.expect_download() as begun:
        page.get_by_role("link", name="As a file").click()
    assert begun.value.suggested_filename == "drive-quill-tank-2026-03-08.html"
    kept = tmp_path / "kept.html"
    begun.value.save_as(kept)
    asked: list[str] = []
    alone = browser.new_page(viewport={"width": 390, "height": 844})
    alone.on("request", lambda one: asked.append(one.url))
    alone.on("pageerror", lambda error: asked.append(str(error)))
    alone.goto(kept.as_uri())
    expect(alone.locator(".call")).to_be_in_viewport(ratio=1)
    expect(alone.locator(".filed")).to_contain_text("A copy made 8 Mar 2026 10:00 UTC")
    assert not any(code in alone.content() for code in CODES)
    assert alone.evaluate(NARROW)
    for scheme in ("light", "dark"):
        alone.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        assert violations(alone) == []
    assert pages_of(alone.pdf(format="A4")) == 1
    assert pages_of(alone.pdf(format="Letter")) == 1
    assert asked == [kept.as_uri()]
    alone.close()


@pytest.mark.parametrize("path", ["", "/polls", "?log=outage&outages=90"])
def test_the_site_page_and_its_polls_fit_a_phone_and_axe(open_page: OpenPage, path: str) -> None:
    page = open_page(f"/sites/quill-tank{path}", width=320)
    assert page.evaluate(NARROW)
    assert violations(page) == []


def test_contact_is_drawn_beside_the_points(open_page: OpenPage) -> None:
    page = open_page("/sites/quill-tank")
    chart = page.get_by_role("group", name="Share of polls answered over time")
    chart.scroll_into_view_if_needed()
    expect(chart.locator(".main-svg").first).to_be_visible(timeout=15_000)
    expect(chart.locator("path.point").first).to_be_attached()
    page.get_by_role("radio", name="30 d", exact=True).check()
    expect(chart.locator(".main-svg").first).to_be_visible()
