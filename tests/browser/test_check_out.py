"""The check-out in a real browser: eight points with few typed fields, narrow, dark, on paper."""

import re
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from starlette.testclient import TestClient
from tests.browser.conftest import opening, served
from tests.browser.test_drive_page import pages_of
from tests.browser.test_pages import violations
from tests.routes.commissioning.conftest import NAMES, SITE, Bench, answering
from tests.routes.conftest import begin

from tallymast.routes.app import create_app

pytestmark = pytest.mark.browser

HEAD = """
title = "Two tanks"
time_zone = "UTC"

[[gateway]]
key = "mast"
name = "Mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"

[[profile]]
key = "tank"
"""
POINTS = (
    ("LVL", "Level", "analog-input", 'loop = "4-20mA"\nraw = [4000, 20000]\nvalue = [0, 5]', "m"),
    (
        "AI2",
        "Head",
        "analog-input",
        'loop = "4-20mA"\nraw = [4000, 20000]\nvalue = [0, 900]',
        "kPa",
    ),
    ("VBAT", "Supply voltage", "supply-voltage", "raw = [0, 100]\nvalue = [0, 1]", "V"),
    ("HATCH", "Hatch", "discrete-input", 'bit = 0\nwords = ["shut", "open"]', ""),
    ("FLOAT", "High float", "discrete-input", 'bit = 0\nwords = ["dry", "wet"]', ""),
    ("TOT", "Total", "totalizer", "", "pulses"),
    ("RSSI", "Signal", "signal", "", "dBm"),
    ("RESTARTS", "Restarts", "counter", "", ""),
)
TAGS = tuple(point[0] for point in POINTS)
TAIL = """
[[site]]
key = "quill-tank"
name = "Quill Tank"
gateway = "mast"
unit = 1
profile = "tank"
poll_every_s = 60
cautions = ["open water"]
"""


def network() -> str:
    """Eight points in eight registers."""
    made = [HEAD]
    for register, (tag, name, kind, more, unit) in enumerate(POINTS):
        layout = "int16" if tag == "RSSI" else "bool" if "words" in more else "uint16"
        made.append(
            f'[[profile.point]]\ntag = "{tag}"\nname = "{name}"\nkind = "{kind}"\n'
            f'table = "input"\nregister = {register}\nlayout = "{layout}"\n'
            f'unit = "{unit}"\n{more}\n'
        )
    return "\n".join([*made, TAIL])


@dataclass
class Station(Bench):
    """A station with eight registers, as a technician sets them one after the other."""

    values: dict[str, int] = field(
        default_factory=lambda: dict(
            zip(TAGS, (4000, 4000, 1260, 0, 0, 48_112, -79, 3), strict=True)
        )
    )

    def registers(self) -> bytes:
        return b"".join(struct.pack(">H", self.values[tag] & 0xFFFF) for tag in TAGS)


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Station]:
    world = begin(tmp_path, network())
    made = Station(world, TestClient(create_app(world.services())))
    yield answering(made, monkeypatch)  # type: ignore[misc]
    world.database.close()


@pytest.fixture
def start(station: Station, browser: Browser) -> Iterator[Callable[..., Page]]:
    with served(create_app(station.world.services())) as base:
        yield from opening(browser, base)


class Hand:
    """A person at base, who counts what has to be typed."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.typed = 0

    def type(self, label: str, text: str, within: str = "main") -> None:
        self.page.locator(within).get_by_label(label).first.fill(text)
        self.typed += 1

    def press(self, name: str) -> None:
        self.page.get_by_role("button", name=name, exact=True).click()


def prove(hand: Hand, station: Station) -> None:
    """Go through all eight points, as with a radio in the other hand."""
    for tag in ("LVL", "AI2"):
        for milliamps in (4, 8, 12, 16, 20):
            station.values[tag] = 1000 * milliamps
            hand.press(f"Take {milliamps}\u00a0mA, {tag}")
            row = hand.page.locator(f"#row-{tag} .slots").first.locator("tbody tr")
            expect(row.nth(milliamps // 4 - 1)).to_contain_text("pass")
        hand.press(f"Pass {tag}")
        expect(hand.page.locator(f"#row-{tag} .verdict")).to_contain_text("pass")
    hand.type("Hand meter", "12.60", "#row-VBAT")
    hand.press("Take VBAT beside the typed value")
    expect(hand.page.locator("#row-VBAT .others")).to_contain_text("pass")
    for tag in ("HATCH", "FLOAT"):
        for state in (0, 1):
            station.values[tag] = state
            hand.press(f"Look now: {tag}")
            expect(hand.page.locator(f"#seen-{tag} li").nth(state)).to_contain_text(" seen ")
            expect(hand.page.locator(f"#seen-{tag} li").nth(state)).not_to_contain_text("not seen")
    for tag, more in (("TOT", 10), ("RESTARTS", 1)):
        hand.press(f"Take where it stands: {tag}")
        expect(hand.page.locator(f"#row-{tag}")).to_contain_text("Stood at")
        station.values[tag] += more
        hand.press(f"Take {tag} beside the typed value")
        expect(hand.page.locator(f"#row-{tag} .others")).to_contain_text("pass")
    for tag in TAGS[2:]:
        hand.press(f"Pass {tag}")
        expect(hand.page.locator(f"#row-{tag} .verdict")).to_contain_text("pass")


def test_eight_points_are_proven_and_signed_with_four_typed_fields(
    station: Station, start: Callable[..., Page]
) -> None:
    page = start(f"{SITE}/check-out")
    hand = Hand(page)
    hand.type("Who is at the site", "R. Hale")
    hand.type("Who is at base", "M. Okoro")
    hand.press("Begin the check-out")
    prove(hand, station)
    expect(page.locator("#progress")).to_contain_text("8 of 8 points have a result")
    page.get_by_role("link", name="To the record, to sign it").click()
    hand.type("Your name", "R. Hale", "#sign-title ~ form")
    hand.press("Sign, and seal it")
    expect(page.locator(".lead")).to_contain_text("signed by R. Hale")
    page.get_by_role("link", name="Site", exact=True).click()
    expect(page.locator("main")).to_contain_text("All 8 points proven on 8 Mar 2026.")
    assert hand.typed == 4  # two names, the hand meter, the signature


def test_live_values_come_and_what_is_typed_stays(
    station: Station, start: Callable[..., Page]
) -> None:
    station.begin()
    page = start(f"{SITE}/check-out")
    meter = page.locator("#row-VBAT").get_by_label("Hand meter")
    meter.fill("12.5")
    station.values["HATCH"] = 1
    station.late = False
    station.world.live.publish_poll(station._done(station.world.plan("quill-tank"), *LATER))
    expect(page.locator("#now-HATCH")).to_contain_text("open")
    expect(meter).to_have_value("12.5")
    expect(meter).to_be_focused()


LATER = (1_772_964_000_000 - 1, 0)


def test_a_late_answer_is_taken_when_it_comes(station: Station, start: Callable[..., Page]) -> None:
    station.begin()
    station.late = True
    page = start(f"{SITE}/check-out")
    page.get_by_role("button", name="Take 4\u00a0mA, LVL", exact=True).click()
    expect(page.locator("#row-LVL")).to_contain_text("nothing older is taken")
    station.answer()
    expect(page.locator("#row-LVL .slots").first).to_contain_text("pass")
    expect(page.locator("#row-LVL .waits")).to_have_count(0)


def test_it_works_without_scripts(station: Station, start: Callable[..., Page]) -> None:
    page = start(f"{SITE}/check-out", scripts=False)
    hand = Hand(page)
    hand.type("Who is at the site", "R. Hale")
    hand.type("Who is at base", "M. Okoro")
    hand.press("Begin the check-out")
    hand.press("Take 4\u00a0mA, LVL")
    expect(page.locator("#row-LVL .slots").first).to_contain_text("pass")
    hand.press("Pass RSSI")
    expect(page.locator("#row-RSSI .verdict")).to_contain_text("pass")
    station.late = True
    hand.press("Look now: FLOAT")
    station.answer()
    hand.press("Look whether it has come")
    expect(page.locator("#seen-FLOAT")).to_contain_text("dry seen")
    expect(page.locator("#progress")).to_contain_text("1 of 8 points has a result")


def paths(station: Station) -> list[str]:
    """Pages with as much on them as there can be."""
    station.begin()
    station.values["LVL"] = 8100
    station.take("LVL", "up 25")
    station.result("LVL", "fail", "reads high")
    station.post("adjust", tag="LVL", note="zero trimmed")
    station.take("LVL", "down 50")
    station.result("HATCH", "not-tested", "no ladder")
    photo = {"photo": ("a.png", PNG, "image/png")}
    station.client.post("/commissioning/photos/1", files=photo, data={"caption": "Terminals"})
    return [
        f"{SITE}/check-out",
        "/proofs/1",
        f"{SITE}/proofs",
        f"{SITE}/check-out/paper",
        f"{SITE}/check-out/from-paper",
    ]


PNG = bytes.fromhex(  # one grey pixel
    "89504e470d0a1a0a0000000d4948445200000001000000010800000000"
    "3a7e9b550000000a49444154789c636800000082008177487f5b" + "0000000049454e44ae426082"
)


def test_axe_finds_nothing_and_nothing_is_too_wide(
    station: Station, start: Callable[..., Page]
) -> None:
    begun = start(f"{SITE}/check-out", width=320)
    assert violations(begun) == []
    root = "document.documentElement"
    for place, path in enumerate(paths(station)):
        page = start(path, width=390, dark=place % 2 == 0)
        assert violations(page) == [], path
        for width in (320, 768, 1280):
            page.set_viewport_size({"width": width, "height": 900})
            assert not page.evaluate(f"{root}.scrollWidth > {root}.clientWidth"), (path, width)
        page.close()


def test_records_and_forms_are_portrait_sheets(
    station: Station, start: Callable[..., Page]
) -> None:
    paths(station)
    for path, most in (("/proofs/1", 2), (f"{SITE}/check-out/paper", 4)):
        page = start(path)
        body = page.pdf(prefer_css_page_size=True)
        width, height = map(
            float, re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", body).groups()
        )  # type: ignore[union-attr]
        assert height > width
        assert pages_of(body) <= most
        page.emulate_media(media="print")
        root = "document.documentElement"
        assert not page.evaluate(f"{root}.scrollWidth > {root}.clientWidth"), path
        expect(page.get_by_role("link", name="Morning round")).not_to_be_visible()


def test_the_keyboard_alone_takes_and_judges(station: Station, start: Callable[..., Page]) -> None:
    station.begin()
    page = start(f"{SITE}/check-out")
    page.get_by_role("button", name="Take 4\u00a0mA, LVL", exact=True).focus()
    page.keyboard.press("Enter")
    expect(page.locator("#row-LVL .slots").first).to_contain_text("pass")
    note = page.locator("#row-RSSI .judge").get_by_label("Note")
    note.fill("agrees with the radio")
    note.press("Enter")  # a note alone judges nothing
    page.locator("#row-RSSI").get_by_role("button", name="Pass RSSI").focus()
    page.keyboard.press("Space")
    expect(page.locator("#row-RSSI .said")).to_contain_text("agrees with the radio")
    assert len(station.told("proof.verdict")) == 1
    assert NAMES["at_base"] == "M. Okoro"


def test_what_cannot_be_done_is_told_on_the_page(station: Station, browser: Browser) -> None:
    station.begin()
    with served(create_app(station.world.services())) as base:
        page = browser.new_page()
        page.goto(f"{base}{SITE}/check-out")
        station.post("leave", sure="true")
        page.get_by_role("button", name="Pass RSSI").click()
        told = "No check-out of Quill Tank is going on"
        expect(page.locator("#trouble")).to_contain_text(told)
        page.close()
