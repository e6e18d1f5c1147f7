"""Pages of a site's life in a real browser: accessible, narrow, without scripts, by keyboard."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.test_pages import pages_of, violations
from tests.routes.conftest import NOW_MS, World, begin
from tests.routes.life.world import COUNTING, answered, fit

from tallymast.storage import count_events, hand_readings, hardware, tasks
from tallymast.storage.hand_readings import HandReading

pytestmark = pytest.mark.browser
OpenPage = Callable[..., Page]

SEASON = 'key = "quill-tank"\nseason = { out_from = "11-01", back = "03-15" }\n'
GONE = 'key = "osier-pond"\nretired = 2026-03-01\n'
PATHS = (
    "/hardware?add=antenna",
    "/hardware/1",
    "/sites/quill-tank/hardware?add=fuse",
    "/tasks",
    "/sites/quill-tank/replace",
    "/sites/quill-tank/hand-meter",
    "/sites/quill-tank/return",
    "/retired",
    "/sites/osier-pond",
    "/sites/quill-tank",
)


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    text = COUNTING.replace('key = "quill-tank"\n', SEASON).replace('key = "osier-pond"\n', GONE)
    made = begin(tmp_path, text)
    answered(made, (30, 1284, 48_112), (2, 1284, 7))
    site_id = made.plan("quill-tank").site_id
    fit(made, "station", "Meter station", serial="MB-1")
    fit(made, "battery", detail={"capacity_ah": 33.0, "fitted": "2020-01-01"})
    fit(made, "station", "Meter station", key=None, serial="MB-9", place="shelf B")
    with made.database.writing() as conn:
        for day in (20_500, 20_600):
            tasks.add(
                conn,
                site_id=site_id,
                what="Calibrate level transmitter",
                due_day=day,
                every_months=12,
                at_ms=NOW_MS,
                actor="me",
            )
        read = HandReading(0, site_id, "VBAT", NOW_MS, 12.9, 12.84, NOW_MS, 0.0, 0.0, None, "me")
        hand_readings.add(conn, read)
    yield made
    made.database.close()


def test_axe_finds_nothing_and_nothing_is_wider_than_a_phone(open_page: OpenPage) -> None:
    for how in ({"width": 320, "dark": True}, {}):
        page = open_page("/tasks", **how)
        for path in PATHS:
            page.goto(_base(page) + path)
            _is_well(page, path)


def _base(page: Page) -> str:
    return "/".join(page.url.split("/")[:3])


def _is_well(page: Page, path: str) -> None:
    page.wait_for_load_state("load")
    assert violations(page) == [], path
    wider = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(wider) <= 0, path


def test_a_station_is_replaced_without_scripts(world: World, open_page: OpenPage) -> None:
    page = open_page("/sites/quill-tank/replace", scripts=False)
    page.get_by_label("Exchanged at (the network's own time)").fill("2026-03-08T09:40:00")
    page.get_by_role("button", name="Look again").click()
    expect(page.get_by_text("add 48\u202f105 to the new register")).to_be_visible()
    page.get_by_label("From the store").select_option(label="Meter station MB-9, shelf B")
    page.get_by_role("button", name="Write down the replacement").click()
    expect(page.get_by_role("heading", name="Counts over a replacement")).to_be_visible()
    with world.database.reading() as conn:
        site_id = world.plan("quill-tank").site_id
        found = hardware.station_of(conn, site_id)
        ((_, counted),) = count_events.of_site(conn, site_id)
    assert found is not None
    assert found.serial == "MB-9"
    assert counted.add == 48_105  # 48 112 - 7


def test_a_part_is_entered_by_keyboard_and_a_mistake_keeps_it(browser: Browser, base: str) -> None:
    page = browser.new_page()  # of its own: the refusal is an error on a watched one's console
    page.goto(f"{base}/sites/quill-tank/hardware?add=antenna")
    page.get_by_label("Type, as yagi or omni").focus()
    page.keyboard.type("yagi")
    page.keyboard.press("Tab")
    page.keyboard.type("six")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("six is not a number")
    gain = page.get_by_label("Gain, dBi")
    expect(gain).to_have_value("six")
    expect(page.get_by_label("Type, as yagi or omni")).to_have_value("yagi")
    gain.fill("6")
    gain.press("Enter")
    expect(page.get_by_text("yagi 6\u00a0dBi", exact=True)).to_be_visible()
    page.close()


def test_the_checklist_and_the_tasks_fit_on_paper(open_page: OpenPage) -> None:
    for path in ("/sites/quill-tank/return", "/tasks", "/hardware"):
        page = open_page(path)
        page.emulate_media(media="print")
        assert not page.locator("main button").first.is_visible()
        assert pages_of(page.pdf(format="A4")) == 1, path
