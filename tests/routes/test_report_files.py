"""Reports read back: alone, the page's numbers, nothing unknown as 0, nobody's text as markup."""

import csv
import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NETWORK, NOW_MS, World
from tests.routes.test_reliability import (
    DAY,
    HOUR,
    LOST,
    MINUTE,
    TWO_DAYS,
    at,
    closed,
    four_days,
    made,
    misses,
    polled,
    table,
)

from tallymast.domain.rounds import KeptLine, KeptRound
from tallymast.routes.app import create_app
from tallymast.storage import rounds
from tallymast.storage.episodes import open_episode

REPORT = f"/reports/reliability?{TWO_DAYS}"
FETCHES = {"src", "srcset", "poster", "action", "data", "background", "formaction", "ping"}
NEEDLESS = {"link", "script", "img", "iframe", "object", "embed", "form", "a", "base", "audio"}


class Parts(HTMLParser):
    """What stands in a page: elements, what would be fetched, cells of each table row, style."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.fetched: list[str] = []
        self.rows: list[list[str]] = []
        self.style = self.words = self._in = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self._in = tag if tag in ("style", "tr") else self._in
        for name, value in attrs:
            is_inside = name in ("href", "xlink:href") and (value or "").startswith("#")
            if name in FETCHES or (name.endswith("href") and not is_inside):
                self.fetched.append(f"{tag} {name}={value}")
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th") and self.rows:
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        if tag in ("style", "tr"):
            self._in = ""
        if tag in ("p", "li"):
            self.words += " "

    def handle_data(self, words: str) -> None:
        if self._in == "style":
            self.style += words
            return
        self.words += words
        if self._in == "tr" and self.rows[-1]:
            self.rows[-1][-1] += words

    @property
    def text(self) -> str:
        return plain(self.words)

    def row(self, name: str) -> list[str]:
        return next(cells for row in self.rows if (cells := [*map(plain, row)])[0].startswith(name))


def plain(text: str) -> str:
    return " ".join(text.replace("\u202f", " ").split())


def html_of(client: TestClient, path: str) -> Parts:
    found = client.get(path)
    assert found.status_code == 200, found.text
    assert found.headers["content-type"] == "text/html; charset=utf-8"
    assert found.headers["content-disposition"].startswith("attachment; filename=")
    return Parts(found.text)


def book_of(client: TestClient, path: str) -> openpyxl.Workbook:
    found = client.get(path)
    assert found.status_code == 200, found.text
    return openpyxl.load_workbook(io.BytesIO(found.content))


def lines_of(book: openpyxl.Workbook, name: str) -> list[dict[str, object]]:
    heads, *rows = book[name].values
    return [dict(zip(map(str, heads), row, strict=True)) for row in rows]


@contextmanager
def other(tmp_path: Path, text: str) -> Iterator[tuple[World, TestClient]]:
    with made(tmp_path, text) as world, TestClient(create_app(world.services())) as client:
        yield world, client


# --- reliability ------------------------------------------------------------------------


@pytest.mark.parametrize("path", [REPORT, "/reports/round"])
def test_a_report_needs_nothing_but_itself(world: World, client: TestClient, path: str) -> None:
    four_days(world)
    keep_round(world)
    text = client.get(path).text
    parts = Parts(text)
    assert parts.fetched == []
    assert parts.tags & NEEDLESS == set()
    assert not re.search(r"https?:|//[a-z]", text)
    assert not re.search(r"url\(|@import", parts.style)
    assert len(text.encode()) < 100_000
    # On paper it is black on white whatever the screen prefers; the paper is the reader's own.
    assert "color-scheme: light;" in parts.style
    assert re.search(r"@page \{ size: (landscape|portrait); \}", parts.style)


def test_a_report_has_the_figures_worked_out_by_hand(world: World, client: TestClient) -> None:
    four_days(world)
    closed(world)
    parts = html_of(client, REPORT)
    row = parts.row("Quill Tank")
    # 288 asked, 281 answered, 280 at the first try; one outage of 12:00 to 13:00 in 48 hours.
    assert "97.6 %" in row[1]
    assert "of 288" in row[1]
    assert re.search(r"\d\d\.\d to \d\d\.\d", row[1])  # its interval
    assert "97.2 %" in row[2]
    assert row[4] == "Outages 1 1 h"
    assert "97.9 %" in row[5]  # 47 of 48 hours
    assert row[6] == "Fails every 47 h back in 1 h"
    assert "Fri 6 Mar 12:00 to 13:00: 1 h, 6 missed. Alone: nothing else fell silent with it." in (
        parts.text
    )
    assert "Polling was recorded in 48 of 48 hours (100 %)." in parts.text
    assert parts.row("Outages")[1:] == ["1 at 1 site, together 1 h", "none at 1 site"]
    assert parts.row("Sites available")[1].startswith("97.92 %")
    assert "From 6 Mar 2026 07:00 UTC (UTC+00:00) to 8 Mar 2026 07:00 UTC" in parts.text


def test_a_report_says_what_the_page_says(world: World, client: TestClient) -> None:
    four_days(world)
    page = Parts(client.get(f"/reliability?{TWO_DAYS}").text)
    report = html_of(client, REPORT)
    for name in ("Quill Tank", "Osier <Pond>", "Teal Pond"):
        assert report.row(name) == page.row(name)[:-1]  # without the box to compare
    assert plain(
        client.get(f"/reliability?{TWO_DAYS}").text.split('headline">')[1].split("<")[0]
    ) in (report.text)


def test_the_spreadsheet_holds_the_files_figures(world: World, client: TestClient) -> None:
    four_days(world)
    book = book_of(client, f"{REPORT}&format=xlsx")
    assert book.sheetnames == [
        "About", "Sites", "Outages", "Common causes", "Gateways lost", "Hours",
    ]  # fmt: skip
    as_csv = table(client, TWO_DAYS)
    sites = {str(row["site"]): row for row in lines_of(book, "Sites")}
    assert sites.keys() == as_csv.keys()
    for key, row in sites.items():
        for head, cell in row.items():
            word = as_csv[key][head]
            same = float(word) if isinstance(cell, int | float) else word or None
            assert (cell.isoformat() if isinstance(cell, datetime) else cell) == same, head
    assert sites["quill-tank"]["polls answered"] == 281
    # Osier was never asked: no share, no interval, no availability, and none of them 0.
    assert {sites["osier-pond"][head] for head in ("answered (%)", "available (%)", "outages")} == {
        None
    }
    (outage,) = lines_of(book, "Outages")
    assert outage["from (UTC)"] == datetime(2026, 3, 6, 12)
    assert outage["to (UTC)"] == datetime(2026, 3, 6, 13)
    assert (outage["lasted (s)"], outage["polls missed"]) == (3600, 6)
    hours = lines_of(book, "Hours")
    assert len(hours) == 48
    assert sum(int(str(row["polls asked"])) for row in hours) == 288
    assert client.get(f"{REPORT}&format=csv").content == (
        client.get(f"/reliability.csv?{TWO_DAYS}").content
    )


def test_a_lost_gateway_is_told_and_charged_to_nobody(world: World, client: TestClient) -> None:
    lost = misses("2026-03-07 16:05", 47, MINUTE, LOST)
    polled(world, "quill-tank", "2026-03-06 07:00", "2026-03-08 07:00", lost, MINUTE)
    with world.database.writing() as conn:
        open_episode(
            conn,
            "gateway",
            gateway_id=world.view.gateways[0].gateway_id,
            from_ms=at("2026-03-07 16:05"),
            to_ms=at("2026-03-07 16:52"),
            reason="Mast could not be reached.",
        )
    said = "Mast: Sat 7 Mar 16:05 to 16:52 (47 min), not counted against its 2 sites."
    assert said in html_of(client, REPORT).text
    (row,) = lines_of(book_of(client, f"{REPORT}&format=xlsx"), "Gateways lost")
    assert (row["gateway"], row["lost (s)"], row["lasts"]) == ("Mast", 47 * 60, "no")


def test_what_nobody_recorded_is_told(world: World, client: TestClient) -> None:
    polled(world, "quill-tank", "2026-03-06 07:00", "2026-03-07 03:00", {})
    polled(world, "quill-tank", "2026-03-07 09:00", "2026-03-08 07:00", {})
    text = html_of(client, REPORT).text
    assert "recorded in 42 of 48 hours (87.5 %); not: Sat 7 Mar 03:00 to 09:00." in text


def test_an_hour_that_comes_twice_is_told_apart(tmp_path: Path) -> None:
    # In Denver 01:00 to 02:00 came twice on 1 November 2026: 07:00 UTC in MDT, 08:00 UTC in MST.
    denver = NETWORK.replace('time_zone = "UTC"', 'time_zone = "America/Denver"')
    gone = misses("2026-11-01 07:30", 6)
    with other(tmp_path, denver) as (world, client):
        world.now_ms = at("2026-11-03 00:00")
        polled(world, "quill-tank", "2026-10-31 13:00", "2026-11-02 14:00", gone)
        path = "/reports/reliability?period=days&from=2026-10-31&to=2026-11-01"
        text = html_of(client, path).text
        assert "Sun 1 Nov 01:30 MDT to 01:30 MST: 1 h, 6 missed." in text
        assert "From 31 Oct 2026 07:00 MDT (UTC-06:00) to 2 Nov 2026 07:00 MST (UTC-07:00)" in text
        (row,) = lines_of(book_of(client, f"{path}&format=xlsx"), "Outages")
    assert row["from (America/Denver)"] == "2026-11-01T01:30:00.000-06:00"
    assert row["to (America/Denver)"] == "2026-11-01T01:30:00.000-07:00"


def test_names_are_neither_markup_nor_formulas(tmp_path: Path) -> None:
    text = NETWORK.replace('title = "Two tanks"', 'title = "</style><script>alert(1)</script>"')
    with other(tmp_path, text.replace('name = "Quill Tank"', 'name = "=1+1"')) as (world, client):
        four_days(world)
        report = client.get(REPORT).text
        assert "script" not in Parts(report).tags
        assert "&lt;/style&gt;&lt;script&gt;" in report
        assert "Osier &lt;Pond&gt;" in report
        book = book_of(client, f"{REPORT}&format=xlsx")
        cell = next(row[1] for row in book["Sites"].iter_rows() if row[0].value == "quill-tank")
        assert (cell.value, cell.data_type) == ("=1+1", "s")
        assert table(client, TWO_DAYS)["quill-tank"]["name"] == "'=1+1"


def test_findings_of_the_period_stand_in_it(world: World) -> None:
    four_days(world)
    asked: list[tuple[int, int]] = []

    def found(from_ms: int, to_ms: int) -> list[str]:
        asked.append((from_ms, to_ms))
        return ["Quill Tank: <b>antenna</b>, since 6 March; confirmed by Tess."]

    with TestClient(create_app(replace(world.services(), findings_between=found))) as client:
        text = client.get(REPORT).text
        assert "Quill Tank: &lt;b&gt;antenna&lt;/b&gt;, since 6 March; confirmed by Tess." in text
        rows = [*book_of(client, f"{REPORT}&format=xlsx")["About"].values]
    assert [row[1] for row in rows if row[0] == "Found"] == [found(0, 0)[0]]
    assert asked[0] == (at("2026-03-06 07:00"), at("2026-03-08 07:00"))


def test_a_month_is_held_against_the_month_before(world: World, client: TestClient) -> None:
    world.now_ms = at("2026-03-02 10:00")
    polled(world, "quill-tank", "2026-01-30 07:00", "2026-02-03 07:00", {}, HOUR)
    found = client.get("/reports/reliability")
    name = 'filename="reliability-2026-02-01-to-2026-02-28.html"'
    assert found.headers["content-disposition"] == f"attachment; {name}"
    parts = Parts(found.text)
    assert "Reliability, February 2026" in parts.text
    assert "against Jan 2026, from 1 Jan 2026 07:00" in parts.text
    # 28 days were asked for; of two of them there is a record.
    assert "No poll is recorded on 26 of 28 days." in parts.text


@pytest.mark.parametrize(
    ("query", "part"),
    [
        ("period=days&from=2026-03-07&to=2026-03-06", "The first day lies after the last one."),
        ("period=days&from=2026-13-07", "is no day"),
        ("period=days&from=2027-01-01", "begins in the future"),
    ],
)
def test_a_period_that_means_nothing_is_a_sentence(
    client: TestClient, query: str, part: str
) -> None:
    found = client.get(f"/reports/reliability?{query}", headers={"accept": "text/html"})
    assert found.status_code == 422
    assert part in found.text


# --- rounds -----------------------------------------------------------------------------

TODAY = 20_520  # 2026-03-08, counted from 1970-01-01
OVER = KeptLine("a", "Osier Pond does not answer.", act=True, sites=("osier-pond",))
STAYS = KeptLine("b", "Quill Tank: level < 1 m.", act=False, sites=("quill-tank",))


def keep_round(world: World, day: int = TODAY, *lines: KeptLine, looked: str = "") -> None:
    at_ms = day * DAY + 7 * HOUR
    with world.database.writing() as conn:
        kept = KeptRound(day, at_ms, "1 of 3 sites need nobody.", looked, "", lines)
        rounds.keep(conn, kept)


def hand_over(world: World, when: str, text: str) -> None:
    with world.database.writing() as conn:
        rounds.hand_over(conn, at_ms=at(when), actor="opal", text=text)


def two_rounds(world: World) -> None:
    polled(
        world,
        "quill-tank",
        "2026-03-07 07:00",
        "2026-03-08 07:00",
        misses("2026-03-08 01:00", 6),
    )
    keep_round(world, TODAY - 1, OVER, STAYS)
    keep_round(world, TODAY, STAYS, looked="1 contact")
    hand_over(world, "2026-03-05 12:00", "long ago")
    hand_over(world, "2026-03-07 20:00", "hatch <open> on purpose")
    hand_over(world, "2026-03-08 08:00", "=after the round")


def test_the_newest_round_with_its_day(world: World, client: TestClient) -> None:
    two_rounds(world)
    parts = html_of(client, "/reports/round")
    text = parts.text
    assert "Morning round, Sunday 8 March 2026" in text
    assert "7 March" not in text.split("Worth watching")[0]
    assert "Quill Tank: level < 1 m. Since" in text  # its site is named in it
    assert "Since the round of Saturday 7 March: 0 new causes, 1 over, 1 as before." in text
    assert "Over: Osier Pond does not answer." in text
    assert "hatch <open> on purpose opal, Sat 7 Mar 20:00" in text
    assert "Since then =after the round opal, Sun 8 Mar 08:00" in text
    assert "long ago" not in text
    assert "Looked at: 1 contact." in text
    # 144 polls in 24 hours, six of them missed; of the others nothing is known, which is not 0.
    assert parts.row("Quill Tank")[2] == "95.8 % 138 of 144"
    assert parts.row("Osier <Pond>")[2:] == ["none asked", "unknown", "not given"]
    assert parts.row("Quill Tank")[4] == "11.50 V"


def test_some_rounds_follow_each_other_on_sheets_of_their_own(
    world: World, client: TestClient
) -> None:
    two_rounds(world)
    found = client.get("/reports/round?from=2026-03-07&to=2026-03-08")
    assert 'filename="round-2026-03-07-to-2026-03-08.html"' in found.headers["content-disposition"]
    assert found.text.count('<article class="round">') == 2
    assert ".round + .round { break-before: page" in found.text
    assert found.text.index("Saturday 7 March 2026") < found.text.index("Sunday 8 March 2026</h1>")
    assert found.text.count("hatch &lt;open&gt; on purpose") == 1


def test_rounds_as_tables(world: World, client: TestClient) -> None:
    two_rounds(world)
    path = "/reports/round?from=2026-03-07&to=2026-03-08"
    rows = list(csv.DictReader(io.StringIO(client.get(f"{path}&format=csv").text, newline="")))
    said = [(row["day"], row["part"], row["text"], row["by"]) for row in rows]
    assert ("2026-03-07", "that day", "Osier Pond does not answer.", "") in said
    assert ("2026-03-08", "over since the round before", "Osier Pond does not answer.", "") in said
    assert ("2026-03-08", "handed over since", "'=after the round", "opal") in said
    assert rows[0]["at (UTC)"] == "2026-03-07T07:00:00.000Z"
    book = book_of(client, f"{path}&format=xlsx")
    assert book.sheetnames == ["About", "Said", "Contact"]
    assert len(lines_of(book, "Said")) == len(rows)
    sites = {(row["day"], row["site"]): row for row in lines_of(book, "Contact")}
    quill = sites["2026-03-08", "quill-tank"]
    assert (quill["polls asked, 24 h"], quill["polls missed, 24 h"]) == (144, 6)
    assert (quill["pre-dawn (V)"], quill["disconnect (V)"]) == (None, 11.5)


@pytest.mark.parametrize(
    ("query", "status", "part"),
    [
        ("", 404, "No round is kept of these days."),
        ("?from=2026-03-01&to=2026-03-02", 404, "No round is kept of these days."),
        ("?from=2026-03-02&to=2026-03-01", 422, "The first day lies after the last one."),
        ("?from=soon", 422, "From is &#39;soon&#39;, which is no day"),
    ],
)
def test_rounds_that_are_not_there_say_so(
    client: TestClient, query: str, status: int, part: str
) -> None:
    found = client.get(f"/reports/round{query}", headers={"accept": "text/html"})
    assert found.status_code == status
    assert part in found.text


def test_too_many_rounds_for_one_file_are_refused(world: World, client: TestClient) -> None:
    for day in range(TODAY - 70, TODAY):
        keep_round(world, day)
    found = client.get("/reports/round?from=2025-12-01&to=2026-03-08")
    assert found.status_code == 422
    assert "70 rounds are kept of this time; a report holds 62 at most." in found.text


def test_now_is_after_all_of_this() -> None:
    assert at("2026-03-08 10:00") == NOW_MS
