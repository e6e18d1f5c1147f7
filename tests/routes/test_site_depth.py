"""The site page in depth: contact over time, outages, older polls, the log book by kind."""

import re
from collections.abc import Iterator

import plotly.graph_objects as go
import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World, begin, words
from tests.routes.drive_world import HEALTH, judged
from tests.routes.test_pages import text_of

from tallymast.domain.model import Outcome
from tallymast.routes.app import create_app
from tallymast.storage import notes

GOOD, AGAIN, NONE = Outcome.FIRST_TRY, Outcome.RETRIED, Outcome.NO_ANSWER
MINUTE, HOUR = 60_000, 3_600_000
SITE = "/sites/quill-tank"
# By hand: from 08:00 to 08:09 ten polls: 6 at the first try, 1 after a retry, 3 missed in a row;
# then from 09:30 on thirty, all at the first try. Between them, hours nobody asked in.
EARLY = [GOOD, GOOD, GOOD, AGAIN, NONE, NONE, NONE, GOOD, GOOD, GOOD]


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    made = begin(tmp_path_factory.mktemp("depth"))
    body = words(12_000, 1287, 0)
    polls = [(NOW_MS - 5 * HOUR + n * MINUTE, one, body) for n, one in enumerate(EARLY)]
    polls += [(NOW_MS - 30 * MINUTE + n * MINUTE, GOOD, body) for n in range(30)]
    made.polls("quill-tank", sorted(polls))
    yield made
    made.database.close()


@pytest.fixture(scope="module")
def client(world: World) -> Iterator[TestClient]:
    with TestClient(create_app(judged(world, {"quill-tank": HEALTH}))) as made:
        yield made


def page(client: TestClient, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200, answer.text
    return text_of(answer.text)


def figure(client: TestClient, **query: str) -> go.Figure:
    answer = client.get(f"{SITE}/contact-chart.json", params=query)
    assert answer.status_code == 200
    return go.Figure(answer.json())  # Plotly's own checks refuse what it does not know


def test_contact_is_drawn_by_hour_with_gaps_where_nobody_asked(client: TestClient) -> None:
    drawn = figure(client, span="24 h")
    all_told, first = drawn.data
    assert (all_told.name, first.name) == ("answered at all", "at the first try")
    # 05:00 to 06:00: 6 and 7 of 10; then nobody asked; 09:00 to 10:00: 30 of 30.
    assert list(first.y) == [60.0, None, 100.0]
    assert list(all_told.y) == [70.0, None, 100.0]
    assert list(first.text) == ["of 10 polls", "of 0 polls", "of 30 polls"]
    assert first.x[0] == "2026-03-08T05:30:00"
    assert first.meta == "main"


def test_the_answer_time_is_that_of_95_of_100(client: TestClient) -> None:
    drawn = figure(client, what="answers")
    (line,) = drawn.data
    assert list(line.y) == [81.3, None, 81.3]  # every answer of this world takes 81.3 ms
    assert drawn.layout.yaxis.title.text == "ms"


@pytest.mark.parametrize("span", ["7 d", "30 d", "1 y"])
def test_every_span_has_a_figure(client: TestClient, span: str) -> None:
    assert len(figure(client, span=span).data) == 2
    assert client.get(f"{SITE}/contact-chart.json?span=2 d").status_code == 422


def test_the_page_leads_to_the_sheet_and_says_what_the_nights_say(client: TestClient) -> None:
    html = client.get(SITE).text
    assert f'href="{SITE}/drive"' in html
    assert "No charge for 9 days; load disconnect (11.5 V) in 5 to 8 days." in text_of(html)
    assert "Its nights are not judged yet." in page(client, "/sites/osier-pond")
    assert f'data-chart="{SITE}/contact-chart.json"' in html


def test_outages_are_listed_with_their_cause(client: TestClient) -> None:
    text = page(client, SITE)
    assert "Outages, 14 days" in text
    assert text.count("no power") >= 12
    assert "Outages, 90 days" in page(client, f"{SITE}?outages=90")
    assert "None on record." in page(client, "/sites/osier-pond")


def rows(html: str) -> list[str]:
    table = html[html.index('<table class="polltable">') :].split("</table>", maxsplit=1)[0]
    return [text_of(one) for one in re.findall(r"<tr><td>.*?</tr>", table, re.DOTALL)]


def test_older_polls_are_a_link_away(client: TestClient) -> None:
    newest = client.get(SITE).text
    assert len(rows(newest)) == 25
    link = re.search(rf'href="({SITE}/polls\?before=\d+)"', newest)
    assert link is not None
    older = client.get(link[1]).text
    assert len(rows(older)) == 15  # 40 in all
    assert "Nothing older is kept." in older
    assert len(rows(client.get(f"{SITE}/polls").text)) == 40


def test_missed_polls_can_be_read_alone(client: TestClient) -> None:
    html = client.get(f"{SITE}/polls?missed=true").text
    assert len(rows(html)) == 3
    assert all("no answer" in one for one in rows(html))
    assert "No missed poll is recorded." in page(client, "/sites/osier-pond/polls?missed=true")
    assert client.get("/sites/nowhere/polls").status_code == 404


def test_a_wrong_note_is_replaced_and_stays_on_record(world: World, client: TestClient) -> None:
    site_id = world.plan("quill-tank").site_id
    client.post(f"{SITE}/notes", data={"text": "Gauge 2.48 m", "kind": "visit"})
    with world.database.reading() as conn:
        (wrong,) = notes.of_site(conn, site_id)
    form = {"text": "Gauge 2.84 m", "kind": "visit", "replaces": str(wrong.id)}
    assert client.post(f"{SITE}/notes", data=form).status_code == 200
    text = page(client, f"{SITE}?log=visit")
    assert "Gauge 2.84 m" in text
    assert "Gauge 2.48 m" not in text
    with world.database.reading() as conn:
        (right,) = notes.of_site(conn, site_id)
        assert (right.replaces_id, right.at_ms) == (wrong.id, wrong.at_ms)
    again = client.post(f"{SITE}/notes", data={**form, "text": "Gauge 2.85 m"})
    assert again.status_code == 409
    foreign = client.post("/sites/osier-pond/notes", data={**form, "replaces": str(right.id)})
    assert foreign.status_code == 409
    better = {"text": "Gauge 2.86 m", "kind": "visit", "replaces": right.id}
    assert client.post(f"/api/v1{SITE}/notes", json=better).status_code == 201
    assert "Gauge 2.86 m" in page(client, SITE)
    told = client.get("/audit").text
    assert "local replaced a note in the log book of Quill Tank: Gauge 2.84 m" in told


def test_the_log_book_is_read_by_kind(client: TestClient) -> None:
    client.post(f"{SITE}/notes", data={"text": "Fence is cut", "kind": "observation"})
    assert "Fence is cut" in page(client, SITE)
    assert "Fence is cut" in page(client, f"{SITE}?log=observation")
    outages = page(client, f"{SITE}?log=outage")
    assert "50 polls missed, 52 min; no power." in outages
    assert "Fence is cut" not in outages
    assert "Nothing of this kind is written down." in page(client, f"{SITE}?log=gateway")
