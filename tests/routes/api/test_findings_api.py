"""Findings as scripts read them, and a visitor's word as scripts say it."""

from typing import Any

from starlette.testclient import TestClient
from tests.domain.health.diagnosis.told import DAY, HOUR
from tests.routes.conftest import NOW_MS, World
from tests.routes.test_findings import OSIER, QUILL, end, fell, name, say

from tallymast.domain.health.diagnosis.experience import Verdict


def get(client: TestClient, query: str = "", status: int = 200) -> Any:
    answer = client.get(f"/api/v1/findings{query}")
    assert answer.status_code == status, answer.text
    return answer.json()


def test_a_finding_with_its_words(world: World, client: TestClient) -> None:
    number = name(world, fell(site_ids=(QUILL, OSIER), tag="LVL"))
    say(world, number, Verdict.NOTHING)
    say(world, number, Verdict.CONFIRMED, "connector", "Crimped.")
    item, other = get(client)["items"]
    assert item == {
        "id": 2,
        "site": "osier-pond",
        "gateway": "mast",
        "cause": "antenna",
        "title": "Antenna, connector or surge arrester",
        "tag": "LVL",
        "since": "2026-03-04T10:00:00.000Z",
        "first_named_at": "2026-03-08T10:00:00.000Z",
        "until": None,
        "confidence": "likely",
        "said": "signal fell 19 dB between Wed 4 Mar 10:00 and 10:01",
        "shared_with": ["quill-tank"],
        "words": [
            {
                "at": "2026-03-08T09:00:00.000Z",
                "actor": "tess",
                "verdict": verdict,
                "found": found,
                "text": text,
            }
            for verdict, found, text in (
                ("nothing-found", "", ""),
                ("confirmed", "connector", "Crimped."),
            )
        ],
    }
    assert (other["site"], other["words"]) == ("quill-tank", [])


def test_a_span_holds_what_stood_in_it(world: World, client: TestClient) -> None:
    over = name(world, fell(days=40), NOW_MS - 40 * DAY)
    end(world, over, NOW_MS - 38 * DAY)
    name(world, fell())
    name(world, fell(OSIER, cause="backhaul", site_ids=()))
    assert [one["id"] for one in get(client)["items"]] == [3, 2]  # the last 24 h
    assert get(client)["items"][0]["site"] is None
    span = "?from=2026-01-28T00:00:00Z&to=2026-01-29T00:00:00Z"
    assert [one["id"] for one in get(client, span)["items"]] == [over]
    assert [one["id"] for one in get(client, "?site=quill-tank")["items"]] == [2]
    assert get(client, "?from=2025-01-01T00:00:00Z&to=2025-02-01T00:00:00Z")["items"] == []


def test_a_long_list_goes_on_where_it_ended(world: World, client: TestClient) -> None:
    for n in range(7):
        name(world, fell(cause=f"cause-{n}"), NOW_MS - n * HOUR)
    seen: list[int] = []
    before = ""
    while True:
        page = get(client, f"?limit=3{before}")
        seen += [one["id"] for one in page["items"]]
        if page["next"] is None:
            break
        before = f"&before={page['next']}"
    assert seen == [1, 2, 3, 4, 5, 6, 7]  # the one named last first


def test_a_script_says_what_a_visit_found(world: World, client: TestClient) -> None:
    number = name(world, fell())
    said = {"verdict": "other", "found": "fuse clip"}
    answer = client.post(f"/api/v1/findings/{number}/word", json=said)
    assert answer.status_code == 201
    assert answer.json()["found"] == "fuse clip"
    (item,) = get(client)["items"]
    assert [one["verdict"] for one in item["words"]] == ["other"]
    refused = client.post(f"/api/v1/findings/{number}/word", json={"verdict": "other"})
    assert refused.status_code == 422
    assert "what it was" in refused.json()["detail"]


def test_refusals_are_sentences(client: TestClient) -> None:
    for query, status, part in (
        ("?site=quil-tank", 404, "Did you mean 'quill-tank'?"),
        ("?limit=0", 422, "limit"),
        ("?before=-1", 422, "before"),
        ("?from=yesterday", 422, "from"),
    ):
        assert part in get(client, query, status)["detail"]


def test_the_description_names_it(client: TestClient) -> None:
    paths = client.get("/api/v1/openapi.json").json()["paths"]
    assert "/api/v1/findings" in paths
    assert "/api/v1/findings/{number}/word" in paths
