"""The demo's pages in a real browser: eight troubles on 24 sites, in every light and width."""

import re

import pytest
from playwright.sync_api import Page, expect
from tests.browser.conftest import DEMO_NOW_MS
from tests.browser.test_pages import OpenPage, pages_of, violations

from tallymast.domain.model import WireLine
from tallymast.routes.services import Services
from tallymast.storage import wire

pytestmark = pytest.mark.browser

ROUND, SITE, GATEWAY, WIDGETS = "/", "/sites/merlin-pad", "/gateways/long-scarp", "/widgets"
LINE = "/gateways/long-scarp/line"
KEPT = "/rounds/2026-11-24"
PAGES = (ROUND, SITE, GATEWAY, LINE, WIDGETS, KEPT)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390], ids=["desktop", "phone"])
@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_nothing(look_at_demo: OpenPage, path: str, width: int, dark: bool) -> None:
    page = look_at_demo(path, width=width, dark=dark)
    page.wait_for_load_state("load")
    assert violations(page) == []


@pytest.mark.parametrize("width", [320, 390, 768, 1280])
@pytest.mark.parametrize("path", PAGES)
def test_nothing_is_wider_than_the_screen(look_at_demo: OpenPage, path: str, width: int) -> None:
    page = look_at_demo(path, width=width)
    root = "document.documentElement"
    assert page.evaluate(f"{root}.scrollWidth <= {root}.clientWidth")


def test_the_round_prints_on_four_pages_at_most(open_demo: OpenPage) -> None:
    page = open_demo(ROUND)
    assert pages_of(page.pdf(prefer_css_page_size=True)) <= 4


def test_the_round_says_the_troubles_that_single_readings_show(open_demo: OpenPage) -> None:
    page = open_demo(ROUND)
    findings = page.locator("#findings")
    expect(findings).to_contain_text("Saddle Repeater and the 3 sites behind it silent since 04:52")
    expect(findings).to_contain_text("Vetch Water: produced water level UNKNOWN")
    expect(page.locator("#checked")).to_contain_text("out of season until")
    for quiet in ("quill-tank", "sorrel-well", "brome-lift", "scarp-drip", "kestrel-pad"):
        expect(page.locator(f"#site-{quiet} .state")).to_have_text("answering")


def test_the_far_side_hangs_on_its_repeater(open_demo: OpenPage) -> None:
    page = open_demo(ROUND)
    for key in ("far-lateral", "yarrow-turnout", "cress-spring"):
        expect(page.locator(f"#site-{key}")).to_have_class("hop1")
    expect(page.locator("#site-saddle-repeater")).to_have_class("hop0")


def test_the_gateway_page_is_reached_and_left_by_keyboard(open_demo: OpenPage) -> None:
    page = open_demo(ROUND)
    walk_to(page, "/gateways/long-scarp")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Long Scarp mast")
    walk_to(page, "/sites/sedge-well")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Sedge Well")


def walk_to(page: Page, address: str) -> None:
    for _ in range(80):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.getAttribute('href')") == address:
            return
    raise AssertionError(f"{address} cannot be reached by keyboard")


def test_the_names_on_the_plot_do_not_touch(open_demo: OpenPage) -> None:
    for path in ("/gateways/marrowdun", GATEWAY):
        page = open_demo(path)
        boxes = page.eval_on_selector_all(
            ".spot text",
            """all => all.map((one) => {
                const box = one.getBoundingClientRect();
                return [box.left, box.top + 3, box.right, box.bottom - 3];
            })""",
        )
        assert len(boxes) == 12
        for n, one in enumerate(boxes):
            for other in boxes[n + 1 :]:
                apart = (
                    one[2] <= other[0]
                    or other[2] <= one[0]
                    or one[3] <= other[1]
                    or other[3] <= one[1]
                )
                assert apart, (path, one, other)


def test_all_charts_share_one_zoom_and_one_cursor(open_demo: OpenPage) -> None:
    page = open_demo("/sites/rook-valve")
    page.locator(".charts").scroll_into_view_if_needed()
    charts = page.locator(".chart")
    expect(charts.nth(1).locator(".main-svg").first).to_be_visible(timeout=15_000)
    first = charts.nth(0).locator(".nsewdrag").first
    box = first.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] * 0.3, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.move(x + 2, y)
    expect(charts.nth(1).locator(".cursor")).to_be_visible()
    expect(charts.nth(1).locator(".cursor")).to_have_text(re.compile(r"^[\d.]+$"))
    page.mouse.down()
    page.mouse.move(x + 150, y, steps=5)
    page.mouse.up()
    expect(page.get_by_role("button", name="Whole span again")).to_be_visible()
    ranges = "charts => charts.map((one) => one.layout && String(one.layout.xaxis.range))"
    zoomed = page.eval_on_selector_all(".chart", ranges)
    assert zoomed[0] == zoomed[1]
    page.get_by_role("button", name="Whole span again").click()
    expect(page.get_by_role("button", name="Whole span again")).to_be_hidden()
    whole = page.eval_on_selector_all(".chart", ranges)
    assert whole[0] == whole[1] != zoomed[0]


def test_what_drops_is_named_before_polling_ends(open_demo: OpenPage) -> None:
    page = open_demo("/sites/sedge-well")
    page.get_by_text("Somebody works there").click()
    page.get_by_label("Why").fill("pump exchanged")
    page.get_by_role("button", name="End polling").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("End polling of Sedge Well")
    expect(page.locator(".drops")).to_contain_text("goes off after 2 min")
    assert violations(page) == []
    page.get_by_role("link", name="Go on polling").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sedge Well")


def test_the_line_monitor_follows_by_itself(open_demo: OpenPage, demo_services: Services) -> None:
    page = open_demo(LINE)
    plan = demo_services.network().gateway("long-scarp")
    assert plan is not None
    site_id = plan.sites[0].site_id
    body = bytes.fromhex("01 04 00 00 00 01 31 CA")
    line = WireLine(plan.gateway_id, site_id, DEMO_NOW_MS, "sent", body, "read input 0")
    with demo_services.database.writing() as connection:
        wire.store(connection, [line])
    row = page.locator("#line-rows tr").first
    expect(row).to_contain_text("01 04 00 00 00 01 31 ca", timeout=10_000)
    expect(row).to_contain_text("Scarp Drip")


def test_vetch_waters_chart_shows_a_gap_not_zero(open_demo: OpenPage) -> None:
    page = open_demo("/sites/vetch-water")
    level = page.get_by_role("group", name="Produced water level over time")
    level.scroll_into_view_if_needed()
    expect(level).to_contain_text("No reading in this span yet.", timeout=15_000)


def test_the_round_of_24_sites_is_small(open_demo: OpenPage) -> None:
    page = open_demo(ROUND)
    assert page.evaluate("document.querySelectorAll('*').length") < 1500


def test_nothing_moves_by_itself_for_those_who_asked_for_less(open_demo: OpenPage) -> None:
    page = open_demo(ROUND)
    page.emulate_media(reduced_motion="reduce")
    moving = page.evaluate(
        """[...document.querySelectorAll('*')].filter((one) => {
            const style = getComputedStyle(one);
            return style.animationName !== 'none'
                || style.transitionDuration.split(',').some((span) => parseFloat(span) > 0);
        }).length"""
    )
    assert moving == 0
