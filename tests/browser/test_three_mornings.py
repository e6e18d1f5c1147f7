"""Three people's mornings on the demo, walked through as they would: one by keyboard alone."""

import csv
import io
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.test_demo_pages import walk_to
from tests.browser.test_pages import OpenPage, pages_of

pytestmark = pytest.mark.browser


def pressed(page: Page, *keys: str) -> None:
    for key in keys:
        page.keyboard.press(key)


def test_the_operators_morning_by_keyboard_alone(open_demo: OpenPage) -> None:
    page = open_demo("/")
    # Who needs me today? The first lines say it, worst first, with what is new.
    expect(page.locator(".headline")).to_contain_text(
        "of 24 sites need nobody; 1 is out of season."
    )
    expect(page.locator("#findings li").first).to_contain_text("Saddle Repeater")
    expect(page.locator("#findings li").first.locator(".new")).to_have_text("new")
    # Look at one that is named, and come back.
    walk_to(page, "/sites/tern-flat")
    pressed(page, "Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Tern Flat")
    expect(page.locator("#site_findings")).to_contain_text("no charge for 9 days")
    walk_to(page, "/")
    pressed(page, "Enter")
    expect(page.locator("#all")).to_be_visible()
    # Find a site by a piece of its name and go there.
    pressed(page, "Control+/")
    page.keyboard.type("kestrel")
    expect(page.locator("#shown")).to_contain_text("1 of 24 sites")
    pressed(page, "Enter")
    expect(page.locator("#site-kestrel-pad a").first).to_be_focused()
    # Tell the next shift.
    page.goto(page.url)
    page.get_by_text("Hand something over").focus()
    pressed(page, "Enter", "Tab")
    page.keyboard.type("R. Hale takes a panel cable to Tern Flat on Thursday.")
    pressed(page, "Tab", "Enter")
    expect(page.locator("#handed")).to_contain_text("R. Hale takes a panel cable")
    # What did it look like yesterday?
    walk_to(page, "/rounds")
    pressed(page, "Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Rounds kept")
    walk_to(page, "/rounds/2026-11-24")
    pressed(page, "Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Round of Tuesday 24 November 2026")
    expect(page.locator(".findings").first).to_contain_text("Tern Flat: no charge for 8 days")


def test_the_technicians_morning_on_a_phone(
    open_demo: OpenPage, browser: Browser, tmp_path: Path
) -> None:
    page = open_demo("/", width=390)
    page.set_viewport_size({"width": 390, "height": 844})
    page.get_by_role("link", name="Merlin Pad").first.click()
    page.get_by_role("link", name="Before you drive").click()
    # Within five seconds: the call and its reason stand on the first screen.
    expect(page.locator(".call")).to_be_in_viewport(ratio=1)
    expect(page.locator(".call")).to_contain_text("Drive")
    sheet = page.locator("main")
    expect(sheet).to_contain_text("Goes dark about 03:00 and returns within an hour of sunrise")
    expect(sheet).to_contain_text("contact normally returns by 07:4")
    expect(sheet).to_contain_text("battery 33 Ah AGM, 12 V")
    expect(sheet).to_contain_text("personal gas monitor")
    for form in ("A4", "Letter"):
        assert pages_of(page.pdf(format=form)) == 1
    # The file goes along where there is no coverage: nothing is asked of any server.
    with page.expect_download() as waiting:
        page.get_by_role("link", name="As a file").click()
    name = waiting.value.suggested_filename
    assert name == "drive-merlin-pad-2026-11-25.html"
    file = tmp_path / name
    waiting.value.save_as(file)
    offline = browser.new_page()
    asked: list[str] = []
    offline.on("request", lambda one: asked.append(one.url))
    offline.goto(file.as_uri())
    expect(offline.locator("main")).to_contain_text("Goes dark about 03:00")
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    offline.close()


def test_the_supervisors_morning(open_demo: OpenPage) -> None:
    page = open_demo("/")
    page.get_by_role("link", name="Reliability").click()
    page.get_by_label("Period").select_option(label="last 7 days")
    page.get_by_role("button", name="Show").click()
    # The whole network in one sentence, with its sample and its interval.
    lead = page.locator(".headline, .lead").first
    expect(lead).to_contain_text("sites were asked")
    expect(lead).to_contain_text("by hour blocks")
    body = page.locator("main")
    expect(body).to_contain_text("47 min, not counted against its 11 sites")
    expect(body).to_contain_text("Saddle Repeater and what is behind it")
    # One site: then and before, its hours, its outages.
    page.get_by_role("link", name="Merlin Pad").first.click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Merlin Pad")
    expect(body).to_contain_text("Supply: the station had no power")
    # Every share stands with what it is of.
    page.go_back()
    for cell in page.locator("tbody td").all_inner_texts():
        if "\u00a0%" in cell and "not" not in cell:
            assert "of " in cell, cell
    # And as a file.
    answer = page.request.get(page.url.replace("/reliability", "/reliability.csv", 1))
    rows = list(csv.reader(io.StringIO(answer.text())))
    assert len(rows) == 25
    assert len({len(row) for row in rows}) == 1
