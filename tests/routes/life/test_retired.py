"""A retired site: its history reads the same as before, and nothing of it is on the boards."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import World, begin
from tests.routes.life.world import COUNTING, answered, fit, rewrite
from tests.routes.test_pages import text_of

from tallymast.routes.app import create_app
from tallymast.storage import notes

RETIRED = COUNTING.replace('key = "quill-tank"\n', 'key = "quill-tank"\nretired = 2026-03-08\n')
HISTORY = (
    "/api/v1/sites/quill-tank/points/LVL/readings?resolution=raw",
    "/api/v1/sites/quill-tank/points/TOT/readings?resolution=hour",
    "/api/v1/sites/quill-tank/polls",
    "/sites/quill-tank/charts/LVL.json",
    "/sites/quill-tank/charts/VBAT.json?span=30 d",
    "/sites/quill-tank/contact-chart.json",
    "/sites/quill-tank/polls",
    "/export?site=quill-tank",
    "/export/size?site=quill-tank&resolution=raw",
    "/api/v1/export?site=quill-tank&resolution=raw&format=csv"
    "&from=2026-03-08T00:00:00Z&to=2026-03-08T10:00:00Z",
)


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path, COUNTING)
    answered(made, (40, 1284, 48_090), (30, 1280, 48_112), (5, 1279, 48_130), (2, 1281, 48_131))
    with made.database.writing() as conn:
        site_id = made.plan("quill-tank").site_id
        text = "Gauge read 2.48 m."
        notes.add(conn, site_id, at_ms=made.now_ms, actor="m.okoro", kind="visit", text=text)
    fit(made, "radio", "Radio", serial="R-7")
    yield made
    made.database.close()


@pytest.fixture
def client(world: World) -> Iterator[TestClient]:
    with TestClient(create_app(world.services())) as made:
        yield made


def test_its_history_reads_the_same_before_and_after(world: World, client: TestClient) -> None:
    before = {path: client.get(path) for path in HISTORY}
    rewrite(world, RETIRED)
    assert world.view.site("quill-tank") is None
    for path in HISTORY:
        after = client.get(path)
        assert (before[path].status_code, after.status_code) == (200, 200), path
        told = [answer.text for answer in (before[path], after)]
        if path.startswith("/export?"):  # in the list of sites it moves to the end
            told = ["".join(sorted(one)) for one in told]
        assert told[0] == told[1], path


def test_its_page_says_since_when_and_shows_what_was_there(
    world: World, client: TestClient
) -> None:
    rewrite(world, RETIRED)
    html = client.get("/sites/quill-tank").text
    text = text_of(html)
    assert "Retired since 8 Mar 2026: nobody polls it" in text
    assert "unit address 1 behind Mast" in text
    assert "Gauge read 2.48 m." in text
    assert "serial R-7" in text
    assert 'data-chart="/sites/quill-tank/charts/LVL.json"' in html
    assert "Poll now" not in text
    assert "R-7" in text_of(client.get("/sites/quill-tank/hardware").text)


def test_it_is_listed_among_the_retired_and_nowhere_else(world: World, client: TestClient) -> None:
    assert "No site is retired." in text_of(client.get("/retired").text)
    rewrite(world, RETIRED)
    assert "Quill Tank, retired since 8 Mar 2026" in text_of(client.get("/retired").text)
    for path in ("/", "/reliability", "/gateways", "/gateways/mast", "/tasks", "/export"):
        assert "Quill Tank" not in client.get(path).text, path


def test_nothing_is_done_at_a_retired_site(world: World, client: TestClient) -> None:
    rewrite(world, RETIRED)
    for path in ("poll", "hardware", "replace", "return", "acts", "notes"):
        fields = {"text": "x y z", "kind": "visit", "serial": "R-9"}
        answer = client.post(f"/sites/quill-tank/{path}", data=fields, follow_redirects=False)
        assert answer.status_code in (404, 422), path


def test_brought_back_it_goes_on(world: World, client: TestClient) -> None:
    rewrite(world, RETIRED)
    rewrite(world, COUNTING)
    text = text_of(client.get("/sites/quill-tank").text)
    assert "Retired" not in text
    assert "Quill Tank" in client.get("/").text
    assert "48 131" in text_of(client.get("/sites/quill-tank").text)
