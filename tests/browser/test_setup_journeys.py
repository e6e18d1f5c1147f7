"""A new site from the box to a signed record, and a site changed while everybody is polled.

Real programs on real sockets: the simulated radio answers, `tallymast serve` polls and serves,
a person works in Chromium. Nothing is restarted on the way.
"""

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browser.conftest import opening
from tests.browser.test_check_out import HEAD, POINTS, TAGS, Hand
from tests.journeys.conftest import READY, Command, run, watch

from tallymast.domain import network_file
from tallymast.simulator.radio_network import RadioNetwork
from tallymast.simulator.stations import Station

__all__ = ["run"]

pytestmark = pytest.mark.browser

PATIENT_MS = 60_000  # how long something a radio does may take
SECOND_GATEWAY = """
[[gateway]]
key = "hill"
name = "Hill"
transport = "rtu-over-tcp"
address = "127.0.0.1:5021"
min_gap_ms = 0
reply_timeout_s = 0.5
"""
SITE = """
[[site]]
key = "{key}"
name = "{name}"
gateway = "{gateway}"
unit = {unit}
profile = "tank"
poll_every_s = 1
"""


def network(addresses: dict[str, str], *sites: tuple[str, str, int]) -> str:
    """Two gateways, the profile of eight points, and sites as (name, gateway, unit)."""
    head = HEAD.replace("127.0.0.1:5020", addresses.get("mast", "127.0.0.1:5020"))
    head = head.replace("\n[[profile]]", "min_gap_ms = 0\nreply_timeout_s = 0.5\n\n[[profile]]")
    second = SECOND_GATEWAY.replace("127.0.0.1:5021", addresses.get("hill", "127.0.0.1:5021"))
    points = []
    for register, (tag, name, kind, more, unit) in enumerate(POINTS):
        layout = "int16" if tag == "RSSI" else "bool" if "words" in more else "uint16"
        points.append(
            f'[[profile.point]]\ntag = "{tag}"\nname = "{name}"\nkind = "{kind}"\n'
            f'table = "input"\nregister = {register}\nlayout = "{layout}"\n'
            f'unit = "{unit}"\n{more}\n'
        )
    places = [
        SITE.format(key=name.lower().replace(" ", "-"), name=name, gateway=gateway, unit=unit)
        for name, gateway, unit in sites
    ]
    first, _, profile = head.partition("\n[[profile]]")
    return "".join([first, second, "\n[[profile]]", profile, *points, *places])


@dataclass
class Served:
    """A running network: its simulated stations, its pages' address, its database file."""

    radio: RadioNetwork
    base: str
    file: Path

    def rows(self, query: str) -> list[tuple[object, ...]]:
        """Ask the file, by nothing of ours."""
        with closing(sqlite3.connect(self.file)) as connection:
            return connection.execute(query).fetchall()


@pytest.fixture
def serve(run: Callable[..., Command], tmp_path: Path) -> Iterator[Callable[..., Served]]:
    """Simulate stations, and serve a network that knows some of them."""
    radios: list[RadioNetwork] = []

    def begin(stations: list[tuple[str, str, int]], known: list[tuple[str, str, int]]) -> Served:
        _, whole = network_file.read(network({}, *stations), "radio.toml")
        radio = RadioNetwork(whole)
        radios.append(radio)
        there = {key: f"{host}:{port}" for key, (host, port) in radio.start().items()}
        file = tmp_path / "network.toml"
        file.write_text(network(there, *known), encoding="utf-8")
        command = run("serve", "--network", file, "--data-dir", tmp_path, "--port", "0")
        return Served(radio, command.wait_for(READY), tmp_path / "tallymast.sqlite3")

    yield begin
    for radio in radios:
        radio.stop()


@pytest.fixture
def start(browser: Browser) -> Iterator[Callable[[str], Page]]:
    """Open a page of a server; nothing may go wrong on it."""
    opened: list[Iterator[Callable[..., Page]]] = []

    def begin(base: str) -> Page:
        opener = opening(browser, base)
        opened.append(opener)
        return next(opener)("/setup", width=412)

    yield begin
    for one in opened:
        with pytest.raises(StopIteration):
            next(one)


def answered(client: httpx.Client, key: str) -> bool:
    found = client.get(f"/api/v1/sites/{key}")
    return found.status_code == 200 and bool(found.json()["last_answer_at"])


def prove(hand: Hand, station: Station) -> None:
    """Go through all eight points; a second person's hands are at the simulated terminals."""
    for tag in ("LVL", "AI2"):
        for milliamps in (4, 8, 12, 16, 20):
            station.hold(tag, 1000 * milliamps)
            hand.press(f"Take {milliamps}\u00a0mA, {tag}")
            row = hand.page.locator(f"#row-{tag} .slots").first.locator("tbody tr")
            expect(row.nth(milliamps // 4 - 1)).to_contain_text("pass", timeout=PATIENT_MS)
        hand.press(f"Pass {tag}")
    station.hold("VBAT", 1260)
    hand.type("Hand meter", "12.60", "#row-VBAT")
    hand.press("Take VBAT beside the typed value")
    expect(hand.page.locator("#row-VBAT .others")).to_contain_text("pass", timeout=PATIENT_MS)
    for tag in ("HATCH", "FLOAT"):
        for state in (0, 1):
            station.hold(tag, state)
            hand.press(f"Look now: {tag}")
            seen = hand.page.locator(f"#seen-{tag} li").nth(state)
            expect(seen).not_to_contain_text("not seen", timeout=PATIENT_MS)
    for tag, at, more in (("TOT", 48_112, 10), ("RESTARTS", 3, 1)):
        station.hold(tag, at)
        hand.press(f"Take where it stands: {tag}")
        expect(hand.page.locator(f"#row-{tag}")).to_contain_text("Stood at", timeout=PATIENT_MS)
        station.hold(tag, at + more)
        hand.press(f"Take {tag} beside the typed value")
        row = hand.page.locator(f"#row-{tag} .others")
        expect(row).to_contain_text("pass", timeout=PATIENT_MS)
    for tag in TAGS[2:]:
        hand.press(f"Pass {tag}")
    for tag in TAGS:
        verdict = hand.page.locator(f"#row-{tag} .verdict")
        expect(verdict).to_contain_text("pass", timeout=PATIENT_MS)


def test_a_new_site_goes_from_setup_to_a_signed_record(
    serve: Callable[..., Served], start: Callable[[str], Page]
) -> None:
    north, new = ("North", "mast", 1), ("Fetch Weir", "mast", 7)
    served = serve([north, new], [north])
    page = start(served.base)
    hand = Hand(page)

    page.get_by_role("link", name="Add a site behind Mast").click()
    hand.type("Name", "Fetch Weir")
    hand.type("Unit address", "7")
    page.get_by_role("button", name="See what this changes").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Fetch Weir")
    page.get_by_role("button", name="Make this change").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Commissioning Fetch Weir")

    page.get_by_role("button", name="Find it at unit 7").click()
    fits = page.get_by_text("tank fits, as configured: 1 of 1 block")
    expect(fits.first).to_be_visible(timeout=PATIENT_MS)
    page.locator("select[name=polls]").select_option("20")
    page.get_by_role("button", name="Test the link").click()
    tested = page.get_by_text("20 of 20 polls")
    expect(tested.first).to_be_visible(timeout=PATIENT_MS)

    page.get_by_role("link", name="To the point check-out").click()
    hand.type("Who is at the site", "R. Hale")
    hand.type("Who is at base", "M. Okoro")
    hand.press("Begin the check-out")
    prove(hand, served.radio.station("fetch-weir"))
    page.get_by_role("link", name="Record and signature").click()
    hand.type("Your name", "R. Hale")
    hand.press("Sign, and seal it")
    expect(page.locator(".lead")).to_contain_text("8 pass, 0 fail, 0 not tested")
    page.goto(f"{served.base}/sites/fetch-weir")
    expect(page.locator("main")).to_contain_text("All 8 points proven")

    assert hand.typed == 6  # of at most 25: two of the site, two names, one voltage, a signature
    sealed = served.rows("SELECT state, signed_name, at_site, at_base FROM proof")
    assert sealed == [("signed", "R. Hale", "R. Hale", "M. Okoro")]
    lost = served.rows("SELECT count(*) FROM poll WHERE outcome > 1")
    assert lost == [(0,)]  # nobody lost a poll for it


def test_a_site_is_renamed_rescaled_and_moved_while_everybody_is_polled(
    serve: Callable[..., Served], start: Callable[[str], Page]
) -> None:
    north, weir = ("North", "mast", 1), ("Fetch Weir", "mast", 7)
    moved = ("Over There", "hill", 3)
    served = serve([north, weir, moved], [north, weir])
    served.radio.station("fetch-weir").hold("LVL", 12_000)
    served.radio.station("over-there").hold("LVL", 12_000)
    watch(served.base, lambda client: answered(client, "fetch-weir"))
    page = start(served.base)

    # its name and its key, in one change
    page.goto(f"{served.base}/setup/sites/fetch-weir")
    page.get_by_label("Name", exact=True).fill("Lower Weir")
    page.get_by_role("heading", name="Key and retirement").click()
    page.get_by_label("Key", exact=True).fill("lower-weir")
    change(page)
    watch(served.base, lambda client: answered(client, "lower-weir"))

    # its level now spans 0 to 10 m
    page.goto(f"{served.base}/setup/sites/lower-weir/points/LVL")
    page.locator("[name='value.to']").fill("10")
    page.locator("[name='value.from']").fill("0")
    page.get_by_role("button", name="See what this changes").click()
    expect(page.locator("main")).to_contain_text("older readings keep")
    page.get_by_role("button", name="Make this change").click()
    expect(page.locator("[data-stored]")).to_be_visible()
    watch(served.base, lambda client: level(client) == 5.0)

    # and it is behind the other mast, at another address
    page.goto(f"{served.base}/setup/sites/lower-weir")
    page.get_by_label("Gateway").select_option("hill")
    page.get_by_label("Unit address").fill("3")
    change(page)
    watch(served.base, lambda client: gateway_of(client) == "hill" and level(client) == 5.0)
    before = count(served)
    watch(served.base, lambda _: count(served) >= before + 3)

    # one site all the while: every poll under one number, none missed, none of the others either
    numbers = served.rows("SELECT id, key FROM site ORDER BY id")
    assert [key for _, key in numbers] == ["north", "lower-weir"]
    assert served.rows("SELECT DISTINCT site_id FROM poll ORDER BY site_id") == [(1,), (2,)]
    assert served.rows("SELECT count(*) FROM poll WHERE outcome > 1") == [(0,)]
    # the wire said 12 mA all the time; the layouts say what it meant when
    spans = [
        next(point["value"] for point in json.loads(body)["points"] if point["tag"] == "LVL")
        for (body,) in served.rows(
            "SELECT DISTINCT l.body FROM poll p JOIN layout l ON l.id = p.layout_id "
            "WHERE p.site_id = 2 ORDER BY l.id"
        )
    ]
    assert spans == [[0, 5], [0, 10]]
    items = httpx.get(f"{served.base}/api/v1/sites/lower-weir/points/LVL/readings").json()["items"]
    values = [one["value"] for one in items if one["value"] is not None]
    assert set(values) == {2.5, 5.0}
    assert values == sorted(values)


def change(page: Page) -> None:
    page.get_by_role("button", name="See what this changes").click()
    page.get_by_role("button", name="Make this change").click()
    expect(page.locator("[data-stored]")).to_be_visible()


def level(client: httpx.Client) -> object:
    points = client.get("/api/v1/sites/lower-weir").json()["points"]
    return next(one["value"] for one in points if one["tag"] == "LVL")


def gateway_of(client: httpx.Client) -> object:
    return client.get("/api/v1/sites/lower-weir").json()["gateway"]


def count(served: Served) -> int:
    found = served.rows("SELECT count(*) FROM poll WHERE site_id = 2")[0][0]
    assert isinstance(found, int)
    return found
