"""The reliability page and its file on small worlds whose figures were worked out by hand."""

import csv
import io
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
from markupsafe import Markup
from starlette.testclient import TestClient
from tests.blank import blank
from tests.routes.conftest import NETWORK, NOW_MS, World, words

from tallymast.domain import network_file
from tallymast.domain.health.comms.model import AnswerTimes, Share
from tallymast.domain.health.comms.periods import hour_of_day
from tallymast.domain.model import HourCounts, Outcome
from tallymast.domain.read_plan import read_plan
from tallymast.domain.record.days import Contract
from tallymast.domain.zones import find_zone
from tallymast.files.shelf import Shelf
from tallymast.live import Live
from tallymast.routes import reliability_shelf
from tallymast.routes.app import create_app
from tallymast.routes.reliability_bars import draw_bars
from tallymast.routes.reliability_crowds import hours_that_stand_out
from tallymast.routes.reliability_grid import draw_grid, places
from tallymast.routes.reliability_periods import Wish, the_period
from tallymast.routes.reliability_report import Change
from tallymast.routes.reliability_rows import change_figure, share_figure
from tallymast.routes.services import NetworkView
from tallymast.storage import network, notes
from tallymast.storage.days import close_days
from tallymast.storage.episodes import open_episode
from tallymast.storage.hours import close_hours
from tallymast.storage.reliability import SiteHours

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
GOOD, LATE, NONE, LOST = Outcome.FIRST_TRY, Outcome.RETRIED, Outcome.NO_ANSWER, Outcome.GATEWAY_LOST
TWO_DAYS = "period=days&from=2026-03-06&to=2026-03-07"

Fates = dict[int, Outcome]


def at(text: str) -> int:
    """Return an instant of UTC, ``2026-03-06 12:00``."""
    return round(datetime.fromisoformat(f"{text}+00:00").timestamp() * 1000)


def polled(
    world: World, key: str, begin: str, end: str, fates: Fates, every_ms: int = 10 * MINUTE
) -> None:
    """Poll a site all the time, answered at the first try but where a fate is told."""
    world.polls(
        key,
        [
            (at_ms, fates.get(at_ms, GOOD), words(12_000, 1287, 0))
            for at_ms in range(at(begin), at(end), every_ms)
        ],
    )


def misses(begin: str, n: int, every_ms: int = 10 * MINUTE, fate: Outcome = NONE) -> Fates:
    return {at(begin) + k * every_ms: fate for k in range(n)}


def closed(world: World) -> None:
    close_hours(world.database, NOW_MS + 10 * HOUR)
    close_days(world.database, NOW_MS + 10 * HOUR)


def four_days(world: World) -> None:
    """Two clean contract days, then two with an hour's outage, a lone miss and a retry.

    Polls every 10 min, days from 07:00 UTC to 07:00: 144 polls a day, 288 a period.
    """
    fates = {
        **misses("2026-03-06 12:00", 6),  # 12:00 to 12:50; answered again at 13:00
        at("2026-03-07 03:00"): NONE,
        at("2026-03-07 05:00"): LATE,
    }
    polled(world, "quill-tank", "2026-03-04 07:00", "2026-03-08 07:00", fates)


@contextmanager
def made(folder: Path, text: str) -> Iterator[World]:
    """Give the small world with another network file."""
    written, whole = network_file.read(text, "other.toml")
    database = blank(folder / "other.sqlite3")
    with database.writing() as conn:
        network.store_network(
            conn, written, whole, actor="local", source="file", at_ms=0, plan_blocks=read_plan
        )
    with database.reading() as conn:
        plan = network.load_plan(conn, whole)
    yield World(database, Live(), NetworkView(whole, plan), Shelf(folder / "exports"))
    database.close()


def table(client: TestClient, query: str) -> dict[str, dict[str, str]]:
    found = client.get(f"/reliability.csv?{query}")
    assert found.status_code == 200, found.text
    rows = csv.DictReader(io.StringIO(found.text, newline=""))
    return {row["site"]: row for row in rows}


def text_of(client: TestClient, path: str) -> str:
    found = client.get(path)
    assert found.status_code == 200, found.text
    return " ".join(Markup(found.text).striptags().split()).replace("\u202f", " ")


# --- figures ----------------------------------------------------------------------------


@pytest.mark.parametrize("is_closed", [False, True], ids=["open", "closed"])
def test_a_periods_figures_are_those_worked_out_by_hand(
    world: World, client: TestClient, is_closed: bool
) -> None:
    four_days(world)
    if is_closed:
        closed(world)
    row = table(client, TWO_DAYS)["quill-tank"]
    # 2 x 144 polls; 6 + 1 missed in 2 runs; one outage of 12:00 to 13:00.
    assert row["polls asked"] == "288"
    assert (row["polls answered"], row["polls missed"]) == ("281", "7")
    assert row["polls answered at first try"] == "280"
    assert row["missed in a row, mean"] == "3.5"
    assert (row["outages"], row["longest outage (s)"]) == ("1", "3600")
    assert row["in service (s)"] == str(48 * 3600)
    assert float(row["available (%)"]) == pytest.approx(100 * 47 / 48, abs=1e-4)
    assert row["mean time between failures (s)"] == str(47 * 3600)
    assert row["mean time to restore (s)"] == "3600"
    assert float(row["answered (%)"]) == pytest.approx(100 * 281 / 288, abs=1e-4)
    assert float(row["answered, low (%)"]) < 100 * 281 / 288 < float(row["answered, high (%)"])
    assert (row["before: polls asked"], row["before: polls missed"]) == ("288", "0")
    assert row["before: answered (%)"] == "100"
    assert row["before: outages"] == "0"
    assert float(row["change of answered (points)"]) == pytest.approx(-100 * 7 / 288, abs=1e-4)
    assert row["begins (UTC)"] == "2026-03-06T07:00:00.000Z"
    assert row["ends (UTC)"] == "2026-03-08T07:00:00.000Z"
    assert row["before begins (UTC)"] == "2026-03-04T07:00:00.000Z"


def test_what_was_missed_before_the_contract_hour_is_the_day_befores(
    world: World, client: TestClient
) -> None:
    edge = misses("2026-03-07 06:50", 1) | misses("2026-03-07 07:00", 2)
    polled(world, "quill-tank", "2026-03-05 07:00", "2026-03-08 07:00", edge)
    closed(world)
    rows = [
        table(client, f"period=days&from={day}&to={day}") for day in ("2026-03-06", "2026-03-07")
    ]
    assert [one["quill-tank"]["polls missed"] for one in rows] == ["1", "2"]
    assert rows[1]["quill-tank"]["before: polls missed"] == "1"


def test_an_outage_over_a_periods_border_counts_its_part_in_each(
    world: World, client: TestClient
) -> None:
    edge = misses("2026-03-07 06:30", 6)  # 06:30 to 07:20, answered at 07:30
    polled(world, "quill-tank", "2026-03-05 07:00", "2026-03-08 07:00", edge)
    closed(world)
    row = table(client, "period=days&from=2026-03-07&to=2026-03-07")["quill-tank"]
    assert (row["outages"], row["longest outage (s)"]) == ("1", "1800")
    assert (row["before: outages"], row["before: longest outage (s)"]) == ("1", "1800")


def test_an_outage_that_ended_after_the_period_does_not_last(
    world: World, client: TestClient
) -> None:
    edge = misses("2026-03-07 06:30", 6)
    polled(world, "quill-tank", "2026-03-05 07:00", "2026-03-08 07:00", edge)
    closed(world)
    page = text_of(client, "/reliability/quill-tank?period=days&from=2026-03-06&to=2026-03-06")
    assert "Sat 7 Mar 06:30 to 07:00: 30 min, 6 missed" in page
    assert "past the end" not in page


def test_a_gateways_loss_charges_its_sites_with_nothing(world: World, client: TestClient) -> None:
    lost = misses("2026-03-07 16:05", 47, MINUTE, LOST)
    polled(world, "quill-tank", "2026-03-07 07:00", "2026-03-08 10:00", lost, MINUTE)
    gateway_id = world.view.gateways[0].gateway_id
    with world.database.writing() as conn:
        open_episode(
            conn,
            "gateway",
            gateway_id=gateway_id,
            from_ms=at("2026-03-07 16:05"),
            to_ms=at("2026-03-07 16:52"),
            reason="Mast could not be reached.",
        )
    row = table(client, "period=days&from=2026-03-07&to=2026-03-07")["quill-tank"]
    # 24 h of a poll a minute without the 47 that were never asked.
    assert row["polls asked"] == str(1440 - 47)
    assert (row["polls missed"], row["outages"], row["available (%)"]) == ("0", "0", "100")
    assert row["in service (s)"] == str((1440 - 47) * 60)
    assert row["gateway lost (s)"] == str(47 * 60)
    page = text_of(client, "/reliability?period=days&from=2026-03-07&to=2026-03-07")
    assert "Mast: 47 min, not counted against its 2 sites" in page


def test_maintenance_is_apart_and_an_outage_inside_it_is_none(
    world: World, client: TestClient
) -> None:
    polled(
        world, "quill-tank", "2026-03-06 07:00", "2026-03-08 07:00", misses("2026-03-06 12:00", 6)
    )
    with world.database.writing() as conn:
        open_episode(
            conn,
            "maintenance",
            site_id=world.plan("quill-tank").site_id,
            from_ms=at("2026-03-06 11:30"),
            to_ms=at("2026-03-06 13:30"),
            reason="Antenna changed.",
        )
    row = table(client, TWO_DAYS)["quill-tank"]
    assert (row["outages"], row["maintenance (s)"]) == ("0", "7200")
    assert row["in service (s)"] == str(46 * 3600)
    assert "Maintenance: 2 h together at Quill Tank." in text_of(client, f"/reliability?{TWO_DAYS}")


# --- what is not known ------------------------------------------------------------------


def test_too_few_polls_are_no_rate_and_nothing_asked_is_no_zero(
    world: World, client: TestClient
) -> None:
    polled(world, "quill-tank", "2026-03-07 07:00", "2026-03-07 12:00", {})
    rows = table(client, TWO_DAYS)
    quill, osier = rows["quill-tank"], rows["osier-pond"]
    assert (quill["polls asked"], quill["answered (%)"], quill["answered, low (%)"]) == (
        "30",
        "",
        "",
    )
    assert osier["polls asked"] == "0"
    for name in ("answered (%)", "available (%)", "outages", "answer time, median (ms)"):
        assert osier[name] == "", name
    page = text_of(client, f"/reliability?{TWO_DAYS}")
    assert "too few polls for a rate 30 of 30" in page
    assert "Too few polls for a rate (under 100, or under 24 h): Quill Tank." in page
    assert "No poll is recorded on 1 of 2 days." in page
    assert "record of 1 of 2 days" in page
    assert "0.0 %" not in page


def test_time_without_a_record_is_not_in_service(world: World, client: TestClient) -> None:
    polled(world, "quill-tank", "2026-03-06 07:00", "2026-03-07 07:00", {})
    row = table(client, TWO_DAYS)["quill-tank"]
    assert (row["days"], row["days with a record"]) == ("2", "1")
    assert row["in service (s)"] == str(24 * 3600)


def test_polls_lost_in_storing_are_told(world: World, client: TestClient) -> None:
    four_days(world)
    reason = "The disk was full: 12 polls are lost."
    with world.database.writing() as conn:
        for day, lost in (("2026-03-07", reason), ("2026-03-05", "Earlier.")):
            begin = at(f"{day} 12:00")
            open_episode(conn, "storage", from_ms=begin, to_ms=begin + HOUR, reason=lost)
    page = text_of(client, f"/reliability?{TWO_DAYS}")
    assert reason in page
    assert "Earlier." not in page


def test_a_site_out_of_service_is_said_to_be_not_polled(world: World, client: TestClient) -> None:
    four_days(world)
    page = text_of(client, f"/reliability?{TWO_DAYS}")
    assert "Teal Pond not polled" in page
    assert "Not polled on purpose: Teal Pond." in page


def test_an_empty_record_says_so_and_says_no_rate(client: TestClient) -> None:
    page = text_of(client, "/reliability")
    assert "there is no poll to count" in page
    assert "%" not in page.partition("Common causes")[0].replace("95 % interval", "")


# --- the page ---------------------------------------------------------------------------


def test_the_whole_is_said_in_one_sentence(world: World, client: TestClient) -> None:
    four_days(world)
    page = text_of(client, f"/reliability?{TWO_DAYS}")
    assert "1 site was asked 288 times between 6 Mar and 7 Mar; 97.6 % answered (" in page
    assert "by hour blocks" in page
    assert "the 2 days before" in page


def test_how_much_of_the_period_before_is_known_is_told(world: World, client: TestClient) -> None:
    polled(world, "quill-tank", "2026-03-05 07:00", "2026-03-08 07:00", {})
    page = text_of(client, f"/reliability?{TWO_DAYS}")
    assert "Of the 2 days before 1 of 2 days have a record." in page


def test_the_running_day_counts_as_far_as_it_has_gone(world: World, client: TestClient) -> None:
    polled(world, "quill-tank", "2026-03-07 07:00", "2026-03-08 10:00", {})
    page = text_of(client, "/reliability?period=7-days")
    # From 2 Mar 07:00 on; 7 Mar has 144 polls, today 18 from 07:00 to 10:00.
    assert "asked 162 times between 2 Mar and 8 Mar" in page
    assert "the last day counts as far as it has gone" in page


def test_a_name_leads_to_the_site_with_the_same_period(world: World, client: TestClient) -> None:
    four_days(world)
    page = client.get(f"/reliability?{TWO_DAYS}").text
    link = "/reliability/quill-tank?period=days&amp;from=2026-03-06&amp;to=2026-03-07"
    assert f'<a href="{link}">Quill Tank</a>' in page
    site = text_of(client, link.replace("&amp;", "&"))
    assert "Quill Tank was asked 288 times between 6 Mar and 7 Mar" in site
    assert "Fri 6 Mar 12:00 to 13:00: 1 h, 6 missed. Alone" in site


def test_log_book_entries_near_an_outage_stand_with_it(world: World, client: TestClient) -> None:
    four_days(world)
    with world.database.writing() as conn:
        site_id = world.plan("quill-tank").site_id
        for when, text in (("2026-03-06 14:10", "Fuse clip <bent>"), ("2026-03-07 14:10", "Other")):
            notes.add(conn, site_id, at_ms=at(when), actor="R. Hale", kind="visit", text=text)
    page = client.get(f"/reliability/quill-tank?{TWO_DAYS}").text
    assert "Visit: Fuse clip &lt;bent&gt;" in page
    assert "Other" not in page


@pytest.mark.parametrize(
    ("order", "first"),
    [("worst", "Quill Tank"), ("name", "Osier &lt;Pond&gt;"), ("outages", "Quill Tank")],
)
def test_the_table_is_sorted_as_asked(
    world: World, client: TestClient, order: str, first: str
) -> None:
    four_days(world)
    polled(world, "osier-pond", "2026-03-06 07:00", "2026-03-08 07:00", {})
    page = client.get(f"/reliability?{TWO_DAYS}&order={order}").text
    body = page.partition("<tbody")[2]
    assert body.partition("</a>")[0].endswith(first)


def test_sites_are_chosen_by_gateway_and_area(world: World, client: TestClient) -> None:
    four_days(world)
    town = client.get(f"/reliability?{TWO_DAYS}&where=area:Town").text
    assert "Quill Tank</a>" in town
    assert "Teal Pond</a>" not in town
    assert "Teal Pond</a>" in client.get(f"/reliability?{TWO_DAYS}&where=gateway:mast").text
    assert client.get("/reliability?where=area:Nowhere").status_code == 404


def test_two_sites_stand_side_by_side(world: World, client: TestClient) -> None:
    four_days(world)
    polled(world, "osier-pond", "2026-03-06 07:00", "2026-03-08 07:00", {})
    found = client.get(f"/reliability/compare?site=quill-tank&site=osier-pond&{TWO_DAYS}").text
    outages = found.partition('<th scope="row">Outages</th>')[2].partition("</tr>")[0]
    assert "".join(Markup(outages).striptags().split()) == "11hnone"
    assert "Quill Tank, by hour" in found


@pytest.mark.parametrize("query", ["", "site=quill-tank", "&".join(["site=quill-tank"] * 3)])
def test_fewer_than_two_sites_are_not_compared(client: TestClient, query: str) -> None:
    found = client.get(f"/reliability/compare?{query}")
    assert found.status_code == 422
    assert "Two to four sites can stand side by side" in found.text


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("period=days", "From is empty"),
        ("from=2026-02-30", "From is &#39;2026-02-30&#39;, which is no day"),
        ("from=2026-03-05&to=2026-03-01", "The first day lies after the last one."),
        ("from=2026-03-09", "The period begins in the future"),
        ("from=2024-01-01", "A period may be 366 days long at most."),
    ],
)
def test_days_that_are_none_are_said_beside_the_form(
    client: TestClient, query: str, said: str
) -> None:
    found = client.get(f"/reliability?{query}")
    assert found.status_code == 422
    assert said in found.text
    assert 'name="from"' in found.text


def test_a_report_is_worked_out_once_a_minute(
    world: World, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    four_days(world)
    seen = []
    read = reliability_shelf.read_report
    monkeypatch.setattr(
        reliability_shelf, "read_report", lambda *asked: seen.append(1) or read(*asked)
    )
    for query in (TWO_DAYS, f"{TWO_DAYS}&order=name", "period=7-days", f"{TWO_DAYS}&order=p95"):
        assert client.get(f"/reliability?{query}").status_code == 200
    assert len(seen) == 2
    world.now_ms += MINUTE
    client.get(f"/reliability?{TWO_DAYS}")
    client.get("/reliability?period=days&from=2026-03-06&to=2026-03-06")
    assert len(seen) == 4


# --- periods ----------------------------------------------------------------------------

DENVER = Contract("America/Denver", 7)


def spans(wish: Wish, now: str) -> list[str]:
    period = the_period(wish, DENVER, at(now))
    instants = (period.before_ms, period.from_ms, period.to_ms)
    return [f"{datetime.fromtimestamp(ms / 1000, UTC):%m-%d %H:%M}" for ms in instants]


def test_the_day_the_clocks_change_on_is_as_long_as_it_is() -> None:
    # US daylight time 2026 begins on 8 March at 2:00 (15 U.S.C. 260a): 07:00 is 14:00 UTC on the
    # 7th and 13:00 UTC on the 8th.
    wish = Wish(period="days", begin="2026-03-07", end="2026-03-07")
    assert spans(wish, "2026-03-20 00:00") == ["03-06 14:00", "03-07 14:00", "03-08 13:00"]


def test_a_month_is_held_against_the_month_before() -> None:
    # March 2026 from 07:00 Denver; on the 1st it is still standard time, UTC-7.
    assert spans(Wish(period="this-month"), "2026-03-20 00:00")[:2] == [
        "02-01 14:00",
        "03-01 14:00",
    ]
    assert spans(Wish(period="last-month"), "2026-03-20 00:00") == [
        "01-01 14:00",
        "02-01 14:00",
        "03-01 14:00",
    ]


def test_before_the_contract_hour_it_is_still_yesterday() -> None:
    # 06:59 on 1 April in Denver (UTC-6): the contract day is that of 31 March.
    assert spans(Wish(period="this-month"), "2026-04-01 12:59") == [
        "02-01 14:00",
        "03-01 14:00",
        "04-01 12:59",
    ]


def test_the_last_days_end_now_and_the_ones_before_are_as_many() -> None:
    assert spans(Wish(period="7-days"), "2026-02-20 00:00") == [
        "02-06 14:00",
        "02-13 14:00",
        "02-20 00:00",
    ]


def test_days_typed_beside_an_unchanged_choice_are_meant() -> None:
    days = {"begin": "2026-02-10", "end": "2026-02-11"}
    assert Wish(period="30-days", was="30-days", **days).name == "days"
    assert Wish(period="7-days", was="days", **days).name == "7-days"
    assert Wish(period="7-days", was="7-days").name == "7-days"


def test_a_day_alone_is_enough_for_a_period() -> None:
    period = the_period(Wish(begin="2026-02-10"), DENVER, at("2026-02-12 20:00"))
    assert (period.first, period.last, period.goes_on) == (
        date(2026, 2, 10),
        date(2026, 2, 12),
        True,
    )


# --- words and drawings -----------------------------------------------------------------


def test_a_share_says_its_interval_and_of_how_many() -> None:
    figure = share_figure(Share(9_920, 10_000, 0.989, 0.994, 800.0))
    assert (figure.words, figure.small, figure.of) == (
        "99.2\u00a0%",
        "98.9 to 99.4",
        "of 10\u202f000",
    )


def test_one_miss_of_many_is_not_a_hundred_per_cent() -> None:
    assert share_figure(Share(99_999, 100_000, 0.9999, 1.0, 9e4)).words == ">\u200999.99\u00a0%"


def test_a_change_whose_interval_holds_nothing_is_not_clear() -> None:
    assert change_figure(Change(0.003, -0.001, 0.007), "March").words == "no clear change"
    clear = change_figure(Change(-0.0123, -0.02, -0.005), "March")
    assert (clear.words, clear.small) == ("\u22121.2 points", "\u22122.0 to \u22120.5")
    assert change_figure(None, "March").words == "not known"


def hourly(begin: str, days: int, bad: tuple[int, ...] = ()) -> SiteHours:
    """A poll a minute; in the bad hours of UTC one of five misses its first try."""
    at_ms = at(begin) + HOUR * np.arange(24 * days)
    cells = np.tile([60, 59, 0], (24 * days, 1))
    cells[np.isin(at_ms // HOUR % 24, bad), 1] = 48
    return SiteHours(at_ms, cells, HourCounts(), {})


def test_hours_stand_out_where_misses_come_back_day_after_day() -> None:
    denver = find_zone("America/Denver")
    # 12 to 14 UTC is 05 to 07 in Denver in winter.
    assert hours_that_stand_out(hourly("2026-01-10 07:00", 12, (12, 13, 14)), denver) == (5, 6, 7)
    assert hours_that_stand_out(hourly("2026-01-10 07:00", 12), denver) == ()


def test_hours_that_stand_out_may_lie_across_midnight() -> None:
    zone = find_zone("UTC")
    assert hours_that_stand_out(hourly("2026-01-10 00:00", 8, (23, 0)), zone) == (23, 0)


@pytest.mark.parametrize(("asked", "days"), [(30, 7), (60, 7), (60, 30), (4, 30)])
@pytest.mark.parametrize("loss", [0.02, 0.08])
def test_chance_alone_seldom_makes_an_hour_stand_out(asked: int, days: int, loss: float) -> None:
    # Independent misses: at most one site in a hundred may be named for nothing. Ours.
    rng, zone = np.random.default_rng(7), find_zone("UTC")
    at_ms = at("2026-01-10 00:00") + HOUR * np.arange(24 * days)
    named = 0
    for _ in range(300):
        first = asked - rng.binomial(asked, loss, 24 * days)
        cells = np.stack([np.full(24 * days, asked), first, np.zeros_like(first)], axis=1)
        named += bool(hours_that_stand_out(SiteHours(at_ms, cells, HourCounts(), {}), zone))
    assert named <= 3


def test_one_bad_day_is_no_crowd() -> None:
    site = hourly("2026-01-10 00:00", 12)
    site.cells[24:30, 1] = 10
    assert hours_that_stand_out(site, find_zone("UTC")) == ()


@pytest.mark.parametrize("zone_name", ["America/Denver", "Australia/Lord_Howe", "Asia/Kathmandu"])
def test_local_hours_are_those_of_a_second_way_over_a_change_of_clocks(zone_name: str) -> None:
    zone = find_zone(zone_name)
    at_ms = at("2026-03-01 00:00") + HOUR * np.arange(24 * 40)
    cells = np.stack([np.arange(len(at_ms)) + 1] * 3, axis=1)
    days, hours = places(at_ms, zone)
    theirs = hour_of_day(at_ms, cells, zone, by="date")
    ours = np.zeros_like(theirs.cells)
    np.add.at(ours, (days - days[0], hours), cells)
    assert (ours == theirs.cells).all()


def test_a_beads_area_is_the_share_and_an_unasked_hour_is_a_gap_with_a_tick() -> None:
    at_ms = at("2026-01-10 00:00") + HOUR * np.arange(3)
    cells = np.array([[60, 0, 60], [60, 45, 0], [60, 60, 0]])
    span = (at("2026-01-10 00:00"), at("2026-01-11 00:00"))
    (line,) = draw_grid(at_ms, cells, span, find_zone("UTC")).lines
    radii = [float(part.partition(" ")[0]) for part in line.beads.split("a")[1::2]]
    assert len(radii) == 2  # nothing missed: no bead
    assert radii[1] ** 2 / radii[0] ** 2 == pytest.approx(0.25, abs=0.01)  # radii have one decimal
    assert line.line.count("M") == 3
    assert line.ticks.count("M") == 21
    assert "most from 00:00" in line.words


def test_periods_over_a_month_are_drawn_by_weekday() -> None:
    site = hourly("2026-01-01 00:00", 60)
    span = (at("2026-01-01 00:00"), at("2026-03-02 00:00"))
    grid = draw_grid(site.at_ms, site.cells, span, find_zone("UTC"))
    assert [line.name for line in grid.lines] == ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]
    # 1 January 2026 was a Thursday; 60 days hold nine of Thursday to Sunday, eight of the others.
    assert "1.7\u00a0% missed at the first try" in grid.lines[3].words
    assert grid.by_hour[0][2] == "3\u202f600"


def test_answer_times_are_drawn_with_what_half_of_them_took() -> None:
    bars = draw_bars({28: 50, 32: 50}, AnswerTimes(140.0, 279.0, 100))
    assert bars is not None
    assert bars.words.startswith("Of 100 answers half took 140 ms or less")
    assert bars.marks[0].x < bars.marks[1].x
    assert draw_bars({}, None) is None


# --- the file ---------------------------------------------------------------------------


def test_no_cell_can_be_taken_for_a_formula(tmp_path: Path) -> None:
    with made(tmp_path, NETWORK.replace('"Quill Tank"', '"=1+1"')) as world:
        client = TestClient(create_app(world.services()))
        assert table(client, TWO_DAYS)["quill-tank"]["name"] == "'=1+1"


def test_headings_are_unlike_each_other_and_the_file_has_a_name(client: TestClient) -> None:
    found = client.get(f"/reliability.csv?{TWO_DAYS}")
    heads = found.text.partition("\r\n")[0].split('","')
    assert len(heads) == len(set(heads))
    name = 'attachment; filename="reliability-2026-03-06-to-2026-03-07.csv"'
    assert found.headers["content-disposition"] == name
    assert found.text.count("\r\n") == 1 + 3
