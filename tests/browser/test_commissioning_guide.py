"""The guide, the label and the search in a real browser: phone, dark, paper, without scripts."""

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Page, expect
from tests.browser.conftest import served
from tests.browser.test_pages import pages_of, violations
from tests.routes.commissioning.found_world import (
    FIRST,
    MISSED,
    RETRIED,
    TEXT,
    fits,
    heard,
    link_test,
    newest_job,
    open_record,
    row,
)
from tests.routes.conftest import World, begin

from tallymast.domain.model import JobState
from tallymast.routes.app import create_app
from tallymast.storage import jobs

pytestmark = pytest.mark.browser
OpenPage = Callable[..., Page]
GUIDE = "/sites/quill-tank/commissioning"
FIND = "/gateways/mast/find"
PATHS = (GUIDE, "/sites/booster/commissioning", FIND, "/sites/far-lateral/label")
NARROW = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    made = begin(tmp_path_factory.mktemp("found"), TEXT)
    link_test(made, [RETRIED, FIRST] * 25, ago_ms=9_000_000)
    link_test(made, [FIRST] * 44 + [RETRIED, MISSED, RETRIED, *[FIRST] * 3])
    with made.database.writing() as conn:
        jobs.ask(
            conn,
            "scan",
            gateway_id=made.view.gateways[0].gateway_id,
            actor="tess",
            at_ms=made.now_ms - 90_000,
            params={"units": [8, 12, 33, 34], "profiles": {"tank": [["input", 0, 2]]}},
        )
    found = [
        row(8, "answer", site="far-lateral", profiles=fits(tank=(1, 1))),
        row(12, "garbled"),
        row(33, "answer", profiles=fits(tank=(1, 1), pump=(2, 1))),
        row(34, "refusal"),
    ]
    heard(made, found)
    open_record(made)
    yield made
    made.database.close()


@pytest.fixture(scope="module")
def base(world: World) -> Iterator[str]:
    with served(create_app(world.services())) as address:
        yield address


@pytest.mark.parametrize("path", PATHS)
def test_axe_finds_nothing_and_nothing_is_wider_than_a_phone(
    open_page: OpenPage, path: str
) -> None:
    page = open_page(path, width=320, dark=True)
    assert page.evaluate(NARROW)
    assert violations(page) == []
    page.set_viewport_size({"width": 1280, "height": 900})
    page.emulate_media(color_scheme="light")
    assert violations(page) == []


def test_what_to_do_next_is_seen_first_and_buttons_are_large(open_page: OpenPage) -> None:
    page = open_page(GUIDE, width=360)
    expect(page.locator(".nextstep")).to_be_in_viewport(ratio=1)
    for name in ("The new station is off: ask", "It is on: ask", "Test the link"):
        box = page.get_by_role("button", name=name).bounding_box()
        assert box is not None
        assert box["height"] >= 44
        assert box["width"] >= 250


def test_the_on_side_is_up_and_black_on_white_paper(open_page: OpenPage) -> None:
    page = open_page("/sites/quill-tank/label", dark=True)
    page.emulate_media(media="print", color_scheme="light")
    knobs = page.locator(".switches .knob")
    expect(knobs).to_have_count(8)
    tops = [float(one.get_attribute("y") or 0) for one in knobs.all()]
    # 19 = 16 + 2 + 1: the first, second and fifth stand at the ON side, which is up.
    assert [top < 40 for top in tops] == [True, True, False, False, True, False, False, False]
    style = "one => getComputedStyle(one).fill"
    assert page.locator(".switches .knob").first.evaluate(style) == "rgb(0, 0, 0)"
    assert page.locator(".switches .slot").first.evaluate(style) == "rgb(255, 255, 255)"


@pytest.mark.parametrize("key", ["quill-tank", "far-lateral"])
def test_the_label_is_one_label_of_100_by_62_mm(open_page: OpenPage, key: str) -> None:
    page = open_page(f"/sites/{key}/label")
    pdf = page.pdf(prefer_css_page_size=True)
    assert pages_of(pdf) == 1
    # 100 mm are 283.46 points, 62 mm 175.75; Chromium rounds to whole pixels of 0.75 points.
    assert b"/MediaBox [0 0 28" in pdf
    assert b" 175." in pdf
    page.emulate_media(media="print")
    inner = page.locator(".label").evaluate("one => one.scrollHeight - one.clientHeight")
    assert inner <= 0


def test_on_plain_paper_the_label_has_cut_marks(open_page: OpenPage) -> None:
    page = open_page("/sites/quill-tank/label?paper=plain")
    assert pages_of(page.pdf(prefer_css_page_size=True, format="A4")) == 1
    page.emulate_media(media="print")
    expect(page.locator(".cutmark").first).to_be_visible()
    box = page.locator(".label").bounding_box()
    assert box is not None
    assert (box["width"], box["height"]) == pytest.approx((377.95, 234.33), abs=1)  # 96 to an inch


def test_the_guide_prints_as_a_checklist(open_page: OpenPage) -> None:
    page = open_page(GUIDE)
    page.emulate_media(media="print")
    assert not any(one.is_visible() for one in page.get_by_role("button").all())
    expect(page.get_by_text("Ombrel Basin Water, as of 8 Mar 2026 10:00")).to_be_visible()
    expect(page.get_by_role("table", name="Switches for unit address 19")).to_be_visible()
    tick = "one => getComputedStyle(one, '::before').content"
    assert page.locator(".todo li").first.evaluate(tick) == '"\u25a1"'
    assert pages_of(page.pdf(format="A4")) <= 3


def test_an_address_is_asked_with_one_tap_and_the_answer_appears(
    world: World, open_page: OpenPage
) -> None:
    page = open_page(GUIDE, width=390)
    page.get_by_role("button", name="The new station is off: ask").click()
    expect(page.locator("#address .heard")).to_contain_text("unit 19 is asked")
    page.get_by_role("combobox", name="Polls").select_option("200")
    page.get_by_text("Before anything is touched").click()
    heard(world, [row(19, "garbled", site="quill-tank")])
    expect(page.locator("#address .heard")).to_contain_text("Two answer at once")
    expect(page.locator(".steplist li").first).to_contain_text("two answer at once")
    expect(page.get_by_role("combobox", name="Polls")).to_have_value("200")
    expect(page.get_by_text("a screen is never a lock-out")).to_be_hidden()  # it stays shut
    assert page.locator("#guide").get_attribute("hx-get") is None


def test_without_scripts_a_link_is_tested_and_taken_into_the_record(
    world: World, open_page: OpenPage
) -> None:
    page = open_page(GUIDE, scripts=False)
    page.get_by_role("combobox", name="Polls").select_option("20")
    page.get_by_role("button", name="Test the link").click()
    expect(page.locator("#link .said")).to_contain_text("Waits for its turn")
    assert page.locator("noscript meta[http-equiv=refresh]").count() == 1
    test = newest_job(world, "link-test")
    with world.database.writing() as conn:
        jobs.update(conn, test.id, JobState.FAILED, 0.0, "The gateway was lost.", world.now_ms)
    page.goto(page.url.partition("#")[0])
    expect(page.locator("#link")).to_contain_text("It ended early: The gateway was lost.")
    page.get_by_role("button", name="Take the address into the record").click()
    expect(page.locator("#address")).to_contain_text("There already; this replaces it.")


def test_how_long_a_scan_takes_follows_what_is_typed(open_page: OpenPage) -> None:
    page = open_page(FIND)
    page.get_by_label("to unit").fill("7")
    page.get_by_label("to unit").press("Tab")
    # 7 x (2.0 + 0.1) s at a fifth of the airtime = 73.5 s.
    expect(page.locator("#length")).to_contain_text("7 addresses (1 to 7): at most 1 min")
    page.get_by_label("From unit").fill("9")
    page.get_by_label("From unit").press("Tab")
    expect(page.locator("#length")).to_contain_text("9 to 7 is no range of them")


def test_a_scan_is_begun_watched_and_stopped(world: World, open_page: OpenPage) -> None:
    page = open_page(FIND)
    page.get_by_role("button", name="Begin the scan").click()
    expect(page.locator("#scan")).to_contain_text("waits for its turn")
    heard(world, [row(3, "answer", profiles=fits(tank=(1, 1)))], JobState.RUNNING)
    stranger = page.get_by_role("row").filter(has_text="a stranger")
    expect(stranger).to_contain_text("Tank fits")
    link = stranger.get_by_role("link", name="Enter it as a new site")
    expect(link).to_have_attribute("href", "/setup/sites/new?gateway=mast&unit=3&profile=tank")
    page.get_by_role("button", name="Stop the scan").click()
    with world.database.reading() as conn:
        assert newest_job(world, "scan").id in jobs.to_stop(conn)
