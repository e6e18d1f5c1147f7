"""Maintenance and not-polled by API and by form: with a reason, an end, and what will drop."""

from datetime import UTC, datetime, timedelta

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World

from tallymast.domain.model import WireLine
from tallymast.storage import episodes, jobs, wire

LATER = (datetime.fromtimestamp(NOW_MS / 1000, UTC) + timedelta(hours=4)).isoformat()
PATH = "/api/v1/sites/quill-tank"


def acts(world: World) -> list[tuple[str, str, int | None]]:
    with world.database.reading() as conn:
        return [(one.kind, one.reason, one.planned_end_ms) for one in episodes.open_acts(conn)]


@pytest.mark.parametrize("kind", ["maintenance", "not-polled"])
def test_an_act_begins_and_ends(world: World, client: TestClient, kind: str) -> None:
    answer = client.post(f"{PATH}/{kind}", json={"reason": "new  battery", "until": LATER})
    assert answer.status_code == 201
    assert answer.json()["reason"] == "new battery"
    assert acts(world) == [(kind, "new battery", NOW_MS + 4 * 3_600_000)]
    assert client.delete(f"{PATH}/{kind}").status_code == 204
    assert acts(world) == []
    again = client.delete(f"{PATH}/{kind}")
    assert again.status_code == 409
    assert "there is no" in again.json()["detail"]


def test_a_new_act_ends_the_one_before(world: World, client: TestClient) -> None:
    for kind in ("maintenance", "not-polled"):
        client.post(f"{PATH}/{kind}", json={"reason": "a reason", "until": LATER})
    assert [kind for kind, *_ in acts(world)] == ["not-polled"]


@pytest.mark.parametrize(
    "body",
    [
        {"reason": "x", "until": LATER},
        {"reason": "because", "until": "2026-03-08T12:00:00"},
        {"reason": "because", "until": "2020-01-01T00:00:00Z"},
        {"reason": "because", "until": "2036-01-01T00:00:00Z"},
        {"reason": "   ", "until": LATER},
        {"until": LATER},
    ],
)
def test_without_reason_or_a_sensible_end_nothing_begins(
    world: World, client: TestClient, body: dict[str, str]
) -> None:
    answer = client.post(f"{PATH}/maintenance", json=body)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert acts(world) == []


def test_a_form_begins_maintenance_and_the_page_offers_its_end(
    world: World, client: TestClient
) -> None:
    form = {"kind": "maintenance", "reason": "pump <serviced>", "hours": "4"}
    answer = client.post("/sites/quill-tank/acts", data=form, follow_redirects=False)
    assert answer.status_code == 303
    page = client.get("/sites/quill-tank").text
    assert "pump &lt;serviced&gt;" in page
    assert "End maintenance" in page
    assert "Begin maintenance" not in page
    client.post("/sites/quill-tank/acts/end", data={"kind": "maintenance"})
    assert acts(world) == []
    assert "Begin maintenance" in client.get("/sites/quill-tank").text


def test_a_script_from_another_site_begins_nothing(world: World, client: TestClient) -> None:
    answer = client.post(
        "/sites/quill-tank/acts",
        data={"kind": "not-polled", "reason": "mischief", "hours": "4"},
        headers={"sec-fetch-site": "cross-site"},
    )
    assert answer.status_code == 403
    assert acts(world) == []


def test_a_desk_test_is_stored_as_work(world: World, client: TestClient) -> None:
    answer = client.post(f"{PATH}/desk-test")
    assert answer.status_code == 202
    with world.database.reading() as conn:
        (waiting,) = jobs.waiting(conn, jobs.POLLER)
    assert (waiting.kind, waiting.site_id) == ("desk-test", world.plan("quill-tank").site_id)
    refused = client.post("/api/v1/sites/teal-pond/desk-test")
    assert refused.status_code == 409


# --- the line monitor ---------------------------------------------------------------------


def heard(world: World, count: int) -> None:
    gateway_id, site_id = world.view.gateways[0].gateway_id, world.plan("osier-pond").site_id
    lines = [
        WireLine(gateway_id, site_id, NOW_MS + n, "sent", bytes([n % 256, 4]), f"read input {n}")
        for n in range(count)
    ]
    with world.database.writing() as conn:
        wire.store(conn, lines)


def test_the_line_is_recorded_while_its_page_is_open(world: World, client: TestClient) -> None:
    page = client.get("/gateways/mast/line").text
    assert "Nothing yet" in page
    gateway_id = world.view.gateways[0].gateway_id
    with world.database.reading() as conn:
        assert NOW_MS < wire.watched(conn)[gateway_id] <= NOW_MS + 60_000
    client.post("/gateways/mast/line", data={"minutes": "60"})
    with world.database.reading() as conn:
        assert wire.watched(conn)[gateway_id] == NOW_MS + 3_600_000


def test_the_newest_lines_are_kept_and_shown_first(world: World, client: TestClient) -> None:
    heard(world, wire.SLOTS + 100)
    heard(world, 3)
    gateway_id = world.view.gateways[0].gateway_id
    with world.database.reading() as conn:
        lines = wire.load(conn, gateway_id)
    assert len(lines) == wire.SLOTS
    assert [line.meaning for line in lines[:4]] == [
        "read input 2",
        "read input 1",
        "read input 0",
        f"read input {wire.SLOTS + 99}",
    ]
    page = client.get("/gateways/mast/line").text
    assert page.index("read input 2<") < page.index("read input 1<")
    assert "Osier &lt;Pond&gt;" in page


def test_the_line_can_be_read_for_one_site_and_taken_away(world: World, client: TestClient) -> None:
    heard(world, 5)
    assert "read input 4" in client.get("/gateways/mast/line/rows?site=osier-pond").text
    assert "read input 4" not in client.get("/gateways/mast/line/rows?site=quill-tank").text
    text = client.get("/gateways/mast/line.txt")
    assert text.headers["content-disposition"].startswith("attachment")
    rows = text.text.strip().split("\n")
    assert rows[0].startswith("time UTC")
    assert rows[1].split("\t")[3:] == ["00 04", "read input 0"]
    assert len(rows) == 6
