"""Files sent in, mended, looked at and taken back, in a real browser."""

from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.test_pages import violations
from tests.routes.conftest import World
from tests.routes.setup.test_changes import made, quill, written

pytestmark = pytest.mark.browser

BROKEN = "key,unit,poll_every_s\nquill-tank,1,30\nosier-pond,300,soon\n"


def send(page: Page, tmp_path: Path, text: str, name: str = "sites.csv") -> None:
    """Choose a file and send it."""
    (tmp_path / name).write_text(text, encoding="utf-8")
    page.get_by_label("File: TOML, CSV or XLSX").set_input_files(tmp_path / name)
    page.get_by_role("button", name="Look at what it changes").click()


def test_a_broken_import_is_mended_from_the_preview(
    open_page: Callable[..., Page], world: World, tmp_path: Path
) -> None:
    page = open_page("/setup/import")
    send(page, tmp_path, BROKEN)
    expect(page.get_by_role("heading", level=1)).to_have_text(
        "sites.csv: 2 things are to be mended"
    )
    page.get_by_label("sites.csv, row 3, column B (unit)").fill("2")
    page.get_by_label("sites.csv, row 3, column C (poll_every_s)").fill("45")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("sites.csv: what this changes")
    expect(page.get_by_text("Site osier-pond: poll_every_s was 60, is 45.")).to_be_visible()
    assert [one["poll_every_s"] for one in written(world)["site"][:2]] == [60, 60]
    page.get_by_role("button", name="Make this change").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Revision 2")
    assert [one["poll_every_s"] for one in written(world)["site"][:2]] == [30, 45]


def test_a_file_is_discarded_and_leaves_nothing(
    open_page: Callable[..., Page], world: World, tmp_path: Path
) -> None:
    before = written(world)
    page = open_page("/setup/import")
    send(page, tmp_path, BROKEN)
    page.get_by_role("button", name="Discard it").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(
        "Import a network file, sites or points"
    )
    expect(page.get_by_text("Sent, and not used yet")).to_have_count(0)
    assert written(world) == before


def test_a_change_is_taken_back_from_the_list(open_page: Callable[..., Page], world: World) -> None:
    before = written(world)
    made(world, quill(poll_every_s=30))
    page = open_page("/setup/revisions", scripts=False)
    page.get_by_role("link", name="Revision 2").click()
    page.get_by_role("button", name="Take this change back …").click()
    expect(page.get_by_text("Site quill-tank: poll_every_s was 30, is 60.")).to_be_visible()
    expect(page.get_by_role("row", name="Mast")).to_contain_text("180")  # 120 + 60 polls an hour
    page.get_by_role("button", name="Make this change").click()
    expect(page.get_by_text("It took back revision 2.")).to_be_visible()
    assert written(world) == before


def pages(open_page: Callable[..., Page], tmp_path: Path, **how: object) -> list[Page]:
    """One of each kind of page."""
    found = [
        open_page(path, **how)
        for path in ("/setup/import", "/setup/export", "/setup/revisions", "/setup/revisions/2")
    ]
    for text, name in (
        (BROKEN, "sites.csv"),
        ("key,unit,poll_every_s\nquill-tank,7,3600\nosier-pond,2,0.1\n", "good.csv"),
        ('title = "x"\n[[gateway]]\nkey = "mast"\naddress = 5\n', "net.toml"),
    ):
        page = open_page("/setup/import", **how)
        send(page, tmp_path, text, name)
        found.append(page)
    return found


def test_pages_are_accessible_and_narrow_enough_on_a_dark_phone(
    open_page: Callable[..., Page], world: World, tmp_path: Path
) -> None:
    made(world, quill(poll_every_s=30, lock=[{"where": "gate", "code": "7731"}]))
    for page in pages(open_page, tmp_path, width=320, dark=True):
        assert violations(page) == [], page.url
        root = "document.documentElement"
        assert not page.evaluate(f"{root}.scrollWidth > {root}.clientWidth"), page.url


def test_the_preview_is_accessible_by_day_too(
    open_page: Callable[..., Page], tmp_path: Path
) -> None:
    page = open_page("/setup/import")
    send(page, tmp_path, "key,unit,poll_every_s\nosier-pond,7,0.1\n")
    expect(page.get_by_role("heading", name="Polls and airtime")).to_be_visible()
    assert violations(page) == []


def test_a_change_that_cannot_go_back_alone_is_accessible_too(
    browser: Browser, base: str, world: World
) -> None:
    made(world, quill(poll_every_s=30))
    made(world, quill(poll_every_s=20))
    page = browser.new_page(viewport={"width": 320, "height": 800})  # it answers 409: no mistake
    page.goto(f"{base}/setup/revisions/2")
    page.get_by_role("button", name="Take this change back …").click()
    expect(page.get_by_role("button", name="Take revision 3 back first …")).to_be_visible()
    assert violations(page) == []
    page.close()


def test_on_paper_the_preview_has_no_buttons_and_nothing_folded(
    open_page: Callable[..., Page], tmp_path: Path
) -> None:
    page = open_page("/setup/import")
    rows = "".join(f"s{n},mast,{n},tank\n" for n in range(10, 30))
    send(page, tmp_path, "key,gateway,unit,profile\n" + rows)
    hidden = page.get_by_text("Site s29 is new.")
    expect(hidden).to_be_hidden()
    page.emulate_media(media="print")
    expect(hidden).to_be_visible()
    expect(page.get_by_role("button", name="Make this change")).to_be_hidden()
