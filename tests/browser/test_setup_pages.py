"""The setup pages in a real browser: accessible, narrow, by keyboard, on paper, nothing lost."""

import re
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect
from tests.browser.test_pages import violations
from tests.routes.conftest import World

from tallymast.domain import network_file
from tallymast.domain.model import JobState
from tallymast.storage import jobs, network

pytestmark = pytest.mark.browser

OpenPage = Callable[..., Page]
SITE, POINT = "/setup/sites/quill-tank", "/setup/profiles/tank/points/LVL"
PATHS = (
    "/setup",
    "/setup/network",
    "/setup/gateways/mast",
    "/setup/profiles/tank",
    POINT,
    "/setup/sites/new",
    SITE,
    f"{SITE}/points/LVL",
)


def written(world: World) -> dict[str, object]:
    with world.database.reading() as conn:
        return network.load_written(conn)


def is_wide(page: Page) -> bool:
    root = "document.documentElement"
    return bool(page.evaluate(f"{root}.scrollWidth > {root}.clientWidth"))


@pytest.mark.parametrize(("width", "dark"), [(1280, False), (320, True)], ids=["desk", "phone"])
def test_axe_finds_nothing_and_nothing_is_wider_than_the_screen(
    open_page: OpenPage, width: int, dark: bool
) -> None:
    page = open_page("/setup", width=width, dark=dark)
    for path in PATHS:
        page.goto(re.sub(r"/setup.*", path, page.url))
        for details in page.locator("details").all():
            details.evaluate("one => { one.open = true; }")
        assert not is_wide(page), path
        if path in ("/setup", POINT, SITE):  # every part of the others stands on one of these
            assert violations(page) == [], path


def test_a_site_is_entered_by_keyboard_and_checked_while_one_types(
    world: World, open_page: OpenPage
) -> None:
    page = open_page("/setup/sites/new")
    name, unit = page.get_by_label("Name"), page.get_by_label("Unit address")
    name.focus()
    page.keyboard.type("Alder Weir")
    unit.fill("2")
    page.get_by_label("Poll every").focus()
    told = page.locator("#f-unit-told")
    expect(told).to_contain_text("Osier <Pond> already")
    expect(unit).to_have_attribute("aria-invalid", "true")
    expect(page.get_by_label("Poll every")).to_be_focused()
    expect(page.locator("#check-told")).to_have_text("1 thing to mend.")
    unit.fill("9")
    page.get_by_label("Poll every").focus()
    expect(told).to_have_text("")
    expect(page.locator("#f-key-echo")).to_have_text("It will be alder-weir.")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Alder Weir")
    assert len(written(world)["site"]) == 3  # type: ignore[arg-type]


def test_a_sentence_that_comes_moves_nothing_one_looks_at(open_page: OpenPage) -> None:
    page = open_page("/setup/sites/new", width=390)
    page.get_by_label("Name").fill("Alder")
    page.get_by_label("Unit address").fill("2")
    below = page.get_by_label("Poll every")
    below.focus()
    before = below.bounding_box()
    expect(page.locator("#f-unit-told")).to_contain_text("already")
    after = below.bounding_box()
    assert before is not None
    assert after is not None
    assert abs(after["y"] - before["y"]) <= 1  # a pixel: scrolling goes by whole ones


def test_what_was_typed_is_offered_back_and_no_code_is_kept(open_page: OpenPage) -> None:
    page = open_page(SITE)
    page.get_by_label("Area", exact=True).fill("North line")
    page.get_by_label("Lock 1 is on").fill("bank gate")
    page.get_by_label("Its code").first.fill("73-11-88")
    kept = page.evaluate("JSON.stringify(sessionStorage)")
    assert "North line" in kept
    assert "73-11-88" not in kept
    page.reload()
    offer = page.locator("#typed-before")
    expect(offer).to_contain_text(re.compile(r"You typed here at \d\d:\d\d and did not store it"))
    expect(page.get_by_label("Area", exact=True)).to_have_value("Town")
    page.get_by_role("button", name="Put it back").click()
    expect(page.get_by_label("Area", exact=True)).to_have_value("North line")
    page.get_by_role("button", name="See what this changes").click()
    page.get_by_role("button", name="Make this change").click()
    expect(page.get_by_role("status").first).to_contain_text("Stored as revision 2")
    expect(offer).to_be_hidden()
    assert page.evaluate("sessionStorage.length") == 0


def test_only_the_groups_of_a_points_kind_are_shown(open_page: OpenPage) -> None:
    page = open_page("/setup/profiles/tank/points/new")
    page.get_by_label("Kind").select_option("discrete-input")
    expect(page.get_by_role("heading", name="Words of the contact")).to_be_visible()
    expect(page.get_by_role("heading", name="Scale and unit")).to_be_hidden()
    page.get_by_label("Kind").select_option("totalizer")
    expect(page.get_by_role("heading", name="Scale and unit")).to_be_visible()
    expect(page.get_by_role("heading", name="Words of the contact")).to_be_hidden()
    page.get_by_label("Register", exact=True).fill("0x10")
    page.get_by_label("Register, its table").select_option("holding")
    both = "holding register 16 on the wire, 40017 in lists numbered from 1"
    expect(page.locator("#f-register-echo")).to_have_text(both)


def test_a_draft_is_tried_without_leaving_the_form(world: World, open_page: OpenPage) -> None:
    page = open_page(POINT)
    page.get_by_label("mean these values: upper").fill("6")
    page.get_by_label("At the site").select_option("quill-tank")
    page.get_by_role("button", name="Try it there").click()
    expect(page.locator("#tried")).to_contain_text("Waits for its turn")
    with world.database.writing() as conn:
        made = jobs.newest(conn, "try", 1)[0]
        jobs.add_rows(
            conn, made.id, [(0, {"block": 0, "heard": "answer", "words": "2EE004DB0001"})]
        )
        jobs.update(conn, made.id, JobState.DONE, 1.0, "", world.now_ms)
    # 12 000 µA is half of 4 to 20 mA, half of 0 to 6 m.
    expect(page.locator("#tried")).to_contain_text("3.00\u00a0m")
    expect(page.get_by_label("mean these values: upper")).to_have_value("6")
    assert violations(page) == []


def test_without_scripts_everything_goes_by_post(world: World, open_page: OpenPage) -> None:
    page = open_page(POINT, scripts=False)
    page.get_by_label("mean these values: upper").fill("6")
    page.get_by_label("At the site").select_option("quill-tank")
    page.get_by_role("button", name="Try it there").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Quill Tank, unit 1")
    page.get_by_role("button", name="Back to the form, with what was typed").click()
    expect(page.get_by_label("mean these values: upper")).to_have_value("6")
    page.get_by_role("button", name="See what this changes").click()
    page.get_by_role("button", name="Make this change").click()
    expect(page.get_by_role("status").first).to_contain_text("Stored as revision 2")
    found = network_file.build(written(world), "").profiles[0].points[0]
    assert found.value == (0.0, 6.0)


def test_on_paper_a_form_is_a_list_one_can_read(open_page: OpenPage) -> None:
    page = open_page(SITE)
    page.emulate_media(media="print")
    expect(page.locator("form.setup")).to_be_hidden()
    paper = page.locator(".paper")
    expect(paper).to_be_visible()
    expect(paper).to_contain_text("Quill Tank")
    expect(paper).to_contain_text("33 Ah")
    expect(paper).to_contain_text("usual 2 s")
    expect(page.get_by_role("table")).to_be_visible()
