"""The doors and the people's pages in a real browser: accessible, narrow, by keyboard, on paper."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.conftest import opening, served
from tests.browser.test_pages import violations
from tests.routes.people.conftest import PASSWORD, Guarded, kept, populate

from tallymast.domain.people import Role
from tallymast.storage import people

__all__ = ["kept", "populate"]
pytestmark = pytest.mark.browser

PATHS = ("/sign-in", "/account", "/people", "/audit", "/sites/quill-tank", "/welcome")


@dataclass
class Doors:
    """A served world with people in it, and pages of a browser that is signed in as one."""

    guarded: Guarded
    base: str
    start: Callable[..., Page]

    def open(self, path: str, role: Role | None, **how: object) -> Page:
        page = self.start("/sign-in", **how)
        if role is not None:
            key = self.guarded.session(role)
            page.context.add_cookies([{"name": "tallymast", "value": key, "url": self.base}])
        page.goto(self.base + (self.welcome() if path == "/welcome" else path))
        return page

    def welcome(self) -> str:
        key, now_ms = people.new_key(), self.guarded.world.now_ms
        with self.guarded.world.database.writing() as conn:
            people.add_link(
                conn,
                key,
                "password",
                "vi",
                account_id=self.guarded.ids[Role.VIEWER],
                at_ms=now_ms,
                ends_ms=now_ms + 1000,
            )
        return f"/welcome?key={key}"


@pytest.fixture
def doors(populate: Callable[..., Guarded], browser: Browser) -> Iterator[Doors]:
    guarded = populate()
    with served(guarded.app) as base:
        opened = opening(browser, base)
        yield Doors(guarded, base, next(opened))
        next(opened, None)


def who(path: str) -> Role | None:
    return None if path in ("/sign-in", "/welcome") else Role.SUPERVISOR


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390], ids=["desktop", "phone"])
def test_axe_finds_nothing(doors: Doors, width: int, dark: bool) -> None:
    for path in PATHS:
        page = doors.open(path, who(path), width=width, dark=dark)
        assert violations(page) == [], path
        page.close()


@pytest.mark.parametrize("width", [320, 390, 768])
def test_nothing_is_wider_than_the_screen(doors: Doors, width: int) -> None:
    for path in PATHS:
        page = doors.open(path, who(path), width=width)
        root = "document.documentElement"
        wide = page.evaluate(f"{root}.scrollWidth > {root}.clientWidth")
        assert not wide, path
        page.close()


def test_signing_in_by_keyboard_goes_where_one_wanted(doors: Doors) -> None:
    page = doors.open("/sites/quill-tank", None)
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")
    expect(page.get_by_label("Name")).to_be_focused()
    page.keyboard.type("opal")
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Quill Tank")
    expect(page.get_by_role("link", name="opal")).to_be_visible()
    page.get_by_role("button", name="Poll now").click()
    expect(page.locator("#job")).to_contain_text("Waits for its turn")
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")


def test_without_scripts_one_signs_in_and_writes_a_note(doors: Doors) -> None:
    page = doors.open("/sign-in?to=/sites/quill-tank", None, scripts=False)
    page.get_by_label("Name").fill("opal")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_label("What happened here").fill("Fence is cut by the gate.")
    page.get_by_role("button", name="Write it down").click()
    expect(page.locator(".log")).to_contain_text("Fence is cut by the gate. opal")


def test_an_ended_session_is_told_on_the_open_page(doors: Doors) -> None:
    page = doors.open("/sites/quill-tank", Role.OPERATOR)
    expect(page.get_by_role("button", name="Poll now")).to_be_visible()
    with doors.guarded.world.database.writing() as conn:
        people.end_sessions(conn, doors.guarded.ids[Role.OPERATOR], at_ms=1)
    expect(page.get_by_role("alert")).to_contain_text("Your session has ended", timeout=15_000)


def test_a_refusal_is_said_on_the_open_page(doors: Doors, browser: Browser) -> None:
    page = browser.new_page()  # by itself: a refusal is an error to the browser's console
    key = doors.guarded.session(Role.OPERATOR)
    page.context.add_cookies([{"name": "tallymast", "value": key, "url": doors.base}])
    page.goto(f"{doors.base}/sites/quill-tank")
    with doors.guarded.world.database.writing() as conn:
        people.set_role(conn, doors.guarded.ids[Role.OPERATOR], Role.VIEWER, at_ms=1)
    page.get_by_role("button", name="Poll now").click()
    expect(page.locator("#job")).to_contain_text("does not let you ask for a poll")
    page.close()


def test_a_new_account_is_made_and_its_person_comes_in(doors: Doors) -> None:
    page = doors.open("/people", Role.SUPERVISOR)
    page.locator("#new-title ~ form").get_by_label("Name").fill("Newcomer")
    page.get_by_role("button", name="Make the account").click()
    link = page.locator(".once code").text_content() or ""
    page.context.clear_cookies()
    page.goto(link)
    page.get_by_label("Password").fill("five grebes on the weir")
    page.get_by_label("The same again").fill("five grebes on the weir")
    page.get_by_role("button", name="Keep this password").click()
    expect(page.get_by_role("link", name="newcomer")).to_be_visible()


def test_the_audit_prints_without_its_buttons(doors: Doors) -> None:
    page = doors.open("/audit", Role.SUPERVISOR)
    page.emulate_media(media="print")
    expect(page.get_by_role("button", name="Search")).to_be_hidden()
    expect(page.get_by_role("heading", level=1)).to_be_visible()
