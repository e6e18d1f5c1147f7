"""Choosing and ordering the round's sites: the rules, and what an address may ask for."""

import re
from dataclasses import dataclass, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markupsafe import Markup
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World, words

from tallymast.domain.model import Outcome
from tallymast.routes.ages import Aged
from tallymast.routes.round_order import NO_NEED, NOT_ASKED, Asked, asked, fits, ordered, said
from tallymast.routes.round_table import table


@dataclass(frozen=True)
class One:
    """A row, by hand."""

    key: str
    name: str
    area: str = "Town"
    mast: str = "North mast"
    traits: str = ""
    rank: int = NO_NEED
    left: int | None = None
    last_answer_ms: int | None = None


TANK = One("hill-tank", "Hill Tank", left=80, last_answer_ms=500)
WELL_10 = One("well-10", "Well 10", "West", rank=7, traits="needs", left=-4, last_answer_ms=300)
WELL_2 = One("well-2", "Well 2", "West", rank=3, traits="needs silent", last_answer_ms=100)
POND = One("pond", "Étang", traits="paused", rank=NOT_ASKED, left=20, last_answer_ms=1)
NEW = One("new", "new tank", mast="South mast", left=80)
ROWS = [TANK, WELL_10, WELL_2, POND, NEW]


def keys(rows: list[One]) -> list[str]:
    return [row.key for row in rows]


def found(**wanted: str) -> list[str]:
    return [row.key for row in ROWS if fits(row, asked(**wanted))]


def test_every_word_must_be_found_somewhere_in_name_key_area_or_gateway() -> None:
    assert found(find="tank") == ["hill-tank", "new"]
    assert found(find="  TANK   south ") == ["new"]
    assert found(find="west") == ["well-10", "well-2"]
    assert found(find="etang") == ["pond"]
    assert found(find="tank west") == []
    assert found() == keys(ROWS)


def test_sites_are_chosen_by_what_is_so_and_by_area() -> None:
    assert found(show="needs") == ["well-10", "well-2"]
    assert found(show="silent") == ["well-2"]
    assert found(show="supply") == []
    assert found(show="all", area="Town") == ["hill-tank", "pond", "new"]
    assert found(show="needs", area="Town") == []


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        ("file", ["hill-tank", "well-10", "well-2", "pond", "new"]),
        # The gravest finding has the smallest rank; who is not asked comes after who is well.
        ("worst", ["well-2", "well-10", "hill-tank", "new", "pond"]),
        ("name", ["pond", "hill-tank", "new", "well-2", "well-10"]),
        # A supply that is not known is not low: it stands at the end.
        ("supply", ["well-10", "pond", "hill-tank", "new", "well-2"]),
        # Never answered is longest ago; who is not asked on purpose comes last.
        ("contact", ["new", "well-2", "well-10", "hill-tank", "pond"]),
    ],
)
def test_each_order_puts_first_what_its_name_says(order: str, expected: list[str]) -> None:
    assert keys(ordered(ROWS, order)) == expected


@given(st.lists(st.integers(0, 3), min_size=1, max_size=20))
def test_equal_rows_stay_in_file_order(ranks: list[int]) -> None:
    rows = [replace(TANK, key=f"{n:02}", rank=rank) for n, rank in enumerate(ranks)]
    sorted_rows = ordered(rows, "worst")
    pairs = [(row.rank, row.key) for row in sorted_rows]
    assert pairs == sorted(pairs)


@settings(max_examples=40)
@given(st.text(max_size=100), st.text(max_size=9), st.text(max_size=9), st.text(max_size=9))
def test_no_address_is_refused(find: str, show: str, area: str, order: str) -> None:
    wanted = asked(find, show, area, order)
    assert wanted.show in ("all", "needs", "silent", "supply")
    assert wanted.order in ("file", "worst", "name", "supply", "contact")
    assert len(wanted.find) <= 80
    assert all(isinstance(fits(row, wanted), bool) for row in ROWS)


def test_it_says_how_many_of_how_many_and_by_what() -> None:
    assert said(Asked(), 5, 5) == "5 sites."
    assert said(Asked(), 1, 1) == "1 site."
    chosen = asked("tank", "needs", "West", "supply")
    assert said(chosen, 2, 64) == (
        "2 of 64 sites: needs somebody, in West, found by \u201ctank\u201d, least supply first."
    )
    assert said(asked("xyz"), 0, 64) == "No site of 64 fits: found by \u201cxyz\u201d."
    assert said(asked(order="name"), 64, 64) == "64 sites: by name."


# --- the page it makes ---------------------------------------------------------------------


def rows_of(html: str) -> list[tuple[str, bool]]:
    """The rows in the page's order: key, and whether it is hidden."""
    return [
        (key, bool(hidden)) for hidden, key in re.findall(r'<tr( hidden)? id="site-([^"]+)"', html)
    ]


def test_a_row_that_is_not_asked_for_is_there_and_hidden(world: World, client: TestClient) -> None:
    html = client.get("/", params={"find": "OSIER"}).text
    assert rows_of(html) == [("quill-tank", True), ("osier-pond", False), ("teal-pond", True)]
    assert "1 of 3 sites: found by" in html
    html = client.get("/", params={"find": "nowhere at all"}).text
    assert {hidden for _, hidden in rows_of(html)} == {True}
    assert "No site of 3 fits" in html
    assert "Clear the search" in html


def test_in_another_order_the_heads_are_hidden(world: World, client: TestClient) -> None:
    html = client.get("/", params={"order": "name"}).text
    assert [key for key, _ in rows_of(html)] == ["osier-pond", "quill-tank", "teal-pond"]
    body = re.search(r'<tbody[^>]* data-mast="mast"[^>]*>', html)
    assert body is not None
    assert body[0].endswith("hidden>")
    assert 'data-sites="quill-tank osier-pond teal-pond"' in body[0]
    again = client.get("/", params={"order": "nonsense"}).text
    assert [key for key, _ in rows_of(again)] == ["quill-tank", "osier-pond", "teal-pond"]


def test_what_was_searched_for_is_never_markup(client: TestClient) -> None:
    html = client.get("/", params={"find": '"><script>', "area": "<b>"}).text
    assert "<script>" not in html.replace("<script src", "")
    assert "<b>&" not in html
    assert "in &lt;b&gt;" in html


def test_the_page_says_ages_as_of_now_though_its_rows_are_older(
    world: World, client: TestClient
) -> None:
    world.polls("quill-tank", [(NOW_MS - 8000, Outcome.FIRST_TRY, words(12_000, 1287, 0))])
    assert ">8 s ago</time>" in client.get("/").text
    world.now_ms += 30_000
    html = client.get("/").text
    row = html[html.index('id="site-quill-tank"') : html.index('id="site-osier-pond"')]
    assert ">38 s ago</time>" in row
    assert "8 s ago" not in row.replace("38 s ago", "")


def test_yesterdays_contact_is_written_with_its_day(world: World, client: TestClient) -> None:
    # NOW_MS is 2026-03-08 10:00 UTC, a Sunday; the small world's zone is UTC.
    world.polls("quill-tank", [(NOW_MS - 8000, Outcome.FIRST_TRY, words(12_000, 1287, 0))])
    assert ">09:59:52</small>" in client.get("/").text
    world.now_ms += 24 * 3_600_000
    assert ">Sun 8 Mar 09:59:52</small>" in client.get("/").text


def test_a_value_that_grows_old_is_said_to_be_without_a_new_poll(
    world: World, client: TestClient
) -> None:
    world.polls("quill-tank", [(NOW_MS, Outcome.FIRST_TRY, words(12_000, 1287, 0))])
    limit_ms = 180_000  # three periods of 60 s (common practice, no published source)
    world.now_ms = NOW_MS + limit_ms
    assert ">stale<" not in client.get("/").text
    world.now_ms += 1
    assert ">stale<" in client.get("/").text


def test_ages_are_written_when_markup_is_shown() -> None:
    begun = '<time data-age="ago" datetime="1970-01-01T00:01:00.000Z">'
    lasts = '<time data-age="for" datetime="1970-01-01T00:00:00.500Z">'
    html = Markup(f"<p>{begun}0 s ago</time>, <b>{lasts}59 s</time></b></p>")
    shown = Aged(html).at(3_661_000)  # an hour, a minute and a second
    assert shown == f"<p>{begun}1 h ago</time>, <b>{lasts}1 h 1 min</time></b></p>"
    assert Aged(Markup("<p>nothing</p>")).at(5) == "<p>nothing</p>"


@pytest.mark.parametrize(("sites", "many"), [(24, False), (100, False), (101, True)])
def test_only_of_many_sites_a_phone_leaves_far_rows_undrawn(
    world: World, client: TestClient, sites: int, many: bool
) -> None:
    # Rows that are not drawn are missing in a picture of the whole page.
    view = client.app.state.round_board.shown(0, {})[1]  # type: ignore[attr-defined]
    (group,) = view.groups
    rows = tuple(replace(group.rows[0], key=f"site-{n}") for n in range(sites))
    made = table([replace(group, rows=rows)], Asked(), lambda name: Markup("<tr>"))
    assert made.many is many
