"""Rounds of days gone by, and what one shift tells the next, on their pages."""

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World, words

from tallymast.domain.model import Outcome
from tallymast.domain.rounds import KeptLine, KeptRound
from tallymast.storage import rounds

DAY = 20_520  # 2026-03-08
OLD = KeptLine("silent-osier-pond", "Osier Pond does not answer.", act=True, sites=("osier-pond",))
STAYS = KeptLine(
    "outside-quill-tank-LVL", "Quill Tank: level low.", act=False, sites=("quill-tank",)
)


def keep(world: World, day: int, *lines: KeptLine) -> None:
    with world.database.writing() as conn:
        kept = KeptRound(day, NOW_MS - 86_400_000, "1 of 3 sites need nobody.", "", "", lines)
        rounds.keep(conn, kept)


def low_level(world: World) -> None:
    """Quill Tank's level is at 0.625 m, below its low limit of 1 m."""
    body = words(6000, 1280, 0)
    world.polls("quill-tank", [(NOW_MS - 10_000, Outcome.FIRST_TRY, body)])


def test_the_round_says_what_is_new_and_what_is_over(world: World, client: TestClient) -> None:
    low_level(world)
    keep(world, DAY - 1, OLD)
    text = client.get("/").text
    assert "1 new cause, marked above; 1 over; 0 as before." in text
    assert '<b class="new">new</b>' in text
    assert "Osier Pond does not answer." in text


def test_what_was_there_before_is_not_called_new(world: World, client: TestClient) -> None:
    low_level(world)
    keep(world, DAY - 1, STAYS)
    text = client.get("/").text
    assert "0 new causes; 0 over; 1 as before." in text
    assert '<b class="new">' not in text


def test_without_a_round_before_nothing_is_compared(world: World, client: TestClient) -> None:
    low_level(world)
    text = client.get("/").text
    assert "as before" not in text


def test_a_days_round_is_shown_as_it_was_said(world: World, client: TestClient) -> None:
    keep(world, DAY - 2, OLD)
    keep(world, DAY - 1, OLD, STAYS)
    text = client.get("/rounds/2026-03-07").text
    assert "Round of Saturday 7 March 2026" in text
    assert "Osier Pond does not answer." in text
    assert "1 new cause, 0 over, 1 as before." in text
    assert '<a href="/sites/osier-pond">' in text
    listed = client.get("/rounds").text
    assert listed.index("2026-03-07") < listed.index("2026-03-06")


@pytest.mark.parametrize("day", ["2026-03-01", "1999-12-31"])
def test_a_day_without_a_round_says_so(client: TestClient, day: str) -> None:
    answer = client.get(f"/rounds/{day}", headers={"accept": "text/html"})
    assert answer.status_code == 404
    assert f"No round is kept of {day}." in answer.text


def test_what_is_handed_over_stands_on_the_round(world: World, client: TestClient) -> None:
    asked = {"text": "Hatch at <Quill> is open on purpose until noon."}
    answer = client.post("/handover", data=asked, follow_redirects=False)
    assert answer.status_code == 303
    world.now_ms += 120_000
    text = client.get("/").text
    assert "Hatch at &lt;Quill&gt; is open on purpose until noon." in text
    world.now_ms += 2 * 86_400_000
    assert "Hatch at" not in client.get("/").text


@pytest.mark.parametrize("text", ["", "  ", "ab"])
def test_an_empty_word_is_refused(world: World, client: TestClient, text: str) -> None:
    assert client.post("/handover", data={"text": text}).status_code == 422
    with world.database.reading() as conn:
        assert rounds.handovers(conn, 0, NOW_MS + 1) == []
