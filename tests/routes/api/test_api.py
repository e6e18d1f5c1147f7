"""The JSON API of the stable contract, against polls whose values were worked out by hand."""

import json
from dataclasses import replace
from typing import Any

import pytest
from starlette.testclient import TestClient
from tests.domain.health.test_named import a_cause
from tests.routes.conftest import NOW_MS, World, words

from tallymast.domain.health.diagnosis.model import About
from tallymast.domain.model import GatewayState, GatewayStatus, JobState, Outcome
from tallymast.routes.app import create_app
from tallymast.storage import jobs
from tallymast.storage.episodes import open_episode
from tallymast.storage.hours import close_hours

MINUTE = 60_000
GOOD, LATE, NONE = Outcome.FIRST_TRY, Outcome.RETRIED, Outcome.NO_ANSWER


def three_polls(world: World) -> None:
    # 12 000 of 4 000..20 000 is the middle: 2.5 of 0..5 m. 16 000 is three quarters: 3.75 m.
    world.polls(
        "quill-tank",
        [
            (NOW_MS - 3 * MINUTE, GOOD, words(12_000, 1287, 0)),
            (NOW_MS - 2 * MINUTE, NONE, b""),
            (NOW_MS - 1 * MINUTE, LATE, words(16_000, 1264, 1)),
        ],
    )


def get(client: TestClient, path: str, status: int = 200) -> Any:
    answer = client.get(f"/api/v1{path}")
    assert answer.status_code == status, answer.text
    return answer.json()


def test_a_site_as_last_heard(world: World, client: TestClient) -> None:
    three_polls(world)
    site = get(client, "/sites/quill-tank")
    assert site["state"] == "in-service"
    assert site["last_answer_at"] == "2026-03-08T09:59:00.000Z"
    assert site["polls_24h"] == {"asked": 3, "answered": 2, "answered_first_try": 1, "missed": 1}
    assert site["supply"]["voltage_v"] == 12.64
    assert site["supply"]["disconnect_v"] == 11.5
    points = {point["tag"]: point for point in site["points"]}
    assert (points["LVL"]["value"], points["LVL"]["unit"]) == (3.75, "m")
    assert points["HATCH"]["value"] is True
    assert {point["quality"] for point in site["points"]} == {"good"}
    assert points["LVL"]["at"] == "2026-03-08T09:59:00.000Z"


def test_a_cause_is_told_with_how_sure_it_is(world: World) -> None:
    site_id = world.plan("quill-tank").site_id
    named = a_cause("antenna", About.CONTACT, site_id)
    app = create_app(replace(world.services(), causes=lambda: (named,)))
    with TestClient(app) as client:
        (cause,) = get(client, "/sites/quill-tank")["causes"]
        assert get(client, "/sites/osier-pond")["causes"] == []
    assert (cause["key"], cause["confidence"]) == (f"antenna-{site_id}", "likely")
    assert cause["since"] == "1970-01-01T01:00:00.000Z"


def test_what_is_not_known_is_null_never_zero(world: World, client: TestClient) -> None:
    three_polls(world)
    sites = {site["key"]: site for site in get(client, "/sites")}
    assert list(sites) == ["quill-tank", "osier-pond", "teal-pond"]
    osier = sites["osier-pond"]
    assert osier["state"] == "never-answered"
    assert osier["last_answer_at"] is None
    assert [point["value"] for point in osier["points"]] == [None, None, None]
    assert {point["quality"] for point in osier["points"]} == {"none"}
    assert osier["supply"]["voltage_v"] is None
    assert sites["teal-pond"]["state"] == "not-polled"


def test_old_values_are_stale_and_keep_their_time(world: World, client: TestClient) -> None:
    three_polls(world)
    world.now_ms = NOW_MS + 10 * MINUTE
    points = get(client, "/sites/quill-tank")["points"]
    assert {point["quality"] for point in points} == {"stale"}
    assert points[0]["value"] == 3.75
    assert points[0]["at"] == "2026-03-08T09:59:00.000Z"
    assert "ago" in points[0]["reason"]


def test_a_broken_loop_has_no_value(world: World, client: TestClient) -> None:
    # NAMUR NE 43 (secondary restatement): 3.6 mA and below is a failure, not a low level.
    world.polls("quill-tank", [(NOW_MS - 1000, GOOD, words(3_580, 1287, 0))])
    level = get(client, "/sites/quill-tank")["points"][0]
    assert level["value"] is None
    assert level["quality"] == "none"
    assert "3.58 mA" in level["reason"]


def test_a_site_behind_a_lost_gateway_is_unreachable(world: World, client: TestClient) -> None:
    three_polls(world)
    gateway_id = world.view.gateways[0].gateway_id
    world.live.publish_gateway(GatewayState(gateway_id, GatewayStatus.UNREACHABLE, NOW_MS))
    assert get(client, "/sites/quill-tank")["state"] == "unreachable"
    assert get(client, "/gateways")[0]["state"] == "unreachable"


def test_polls_one_by_one(world: World, client: TestClient) -> None:
    three_polls(world)
    items = get(client, "/sites/quill-tank/polls")["items"]
    assert [item["outcome"] for item in items] == ["first-try", "no-answer", "retried"]
    assert [item["answer_ms"] for item in items] == [81.3, None, 81.3]
    assert items[0]["at"] == "2026-03-08T09:57:00.000Z"
    assert [item["blocks"] for item in items] == [[0], [], [0]]


@pytest.mark.parametrize("closed", [False, True])
def test_pages_hold_each_poll_exactly_once(world: World, client: TestClient, closed: bool) -> None:
    times = [NOW_MS - n * 20_000 for n in range(500, 0, -1)]
    world.polls("quill-tank", [(at, GOOD, words(12_000, 1287, 0)) for at in times])
    if closed:
        close_hours(world.database, NOW_MS + 10 * 3_600_000)
    seen: list[str] = []
    after = ""
    while True:
        page = get(client, f"/sites/quill-tank/polls?limit=37{after}")
        seen += [item["at"] for item in page["items"]]
        if page["next"] is None:
            break
        after = f"&after={page['next']}"
    assert len(seen) == 500
    assert seen == sorted(set(seen))


def test_a_span_takes_its_begin_and_leaves_its_end(world: World, client: TestClient) -> None:
    three_polls(world)
    span = "from=2026-03-08T09:57:00Z&to=2026-03-08T10:59:00%2B01:00"
    items = get(client, f"/sites/quill-tank/polls?{span}")["items"]
    assert [item["at"][11:19] for item in items] == ["09:57:00", "09:58:00"]


def test_raw_readings_keep_gaps(world: World, client: TestClient) -> None:
    three_polls(world)
    found = get(client, "/sites/quill-tank/points/LVL/readings?resolution=raw")
    assert (found["unit"], found["resolution"], found["next"]) == ("m", "raw", None)
    assert [item["value"] for item in found["items"]] == [2.5, None, 3.75]
    assert [item["raw"] for item in found["items"]] == [12_000, None, 16_000]
    assert [item["quality"] for item in found["items"]] == ["good", "none", "good"]


@pytest.mark.parametrize("closed", [False, True])
def test_hours_count_what_was_read(world: World, client: TestClient, closed: bool) -> None:
    three_polls(world)
    if closed:
        close_hours(world.database, NOW_MS + 10 * 3_600_000)
    span = "resolution=hour&from=2026-03-08T08:00:00Z&to=2026-03-08T10:00:00Z"
    found = get(client, f"/sites/quill-tank/points/LVL/readings?{span}")
    assert found["items"] == [
        {"at": "2026-03-08T08:00:00.000Z", "n": 0, "min": None, "mean": None, "max": None},
        {"at": "2026-03-08T09:00:00.000Z", "n": 2, "min": 2.5, "mean": 3.125, "max": 3.75},
    ]


def test_days_begin_at_the_contract_hour(world: World, client: TestClient) -> None:
    three_polls(world)
    span = "resolution=day&from=2026-03-07T00:00:00Z&to=2026-03-09T00:00:00Z"
    items = get(client, f"/sites/quill-tank/points/LVL/readings?{span}")["items"]
    assert [(item["at"], item["n"]) for item in items] == [
        ("2026-03-07T07:00:00.000Z", 0),
        ("2026-03-08T07:00:00.000Z", 2),
    ]


def test_a_failed_loop_has_a_raw_number_and_no_value(world: World, client: TestClient) -> None:
    # NAMUR NE 43: at 3.6 mA and below a sensor loop has failed; 3.61 mA is odd, and a value.
    odd = (NOW_MS - MINUTE, GOOD, words(3610, 1287, 0))
    world.polls("quill-tank", [(NOW_MS - 2 * MINUTE, GOOD, words(3600, 1287, 0)), odd])
    items = get(client, "/sites/quill-tank/points/LVL/readings?resolution=raw")["items"]
    assert [(one["raw"], one["quality"]) for one in items] == [(3600, "none"), (3610, "good")]
    assert items[0]["value"] is None


def test_readings_of_a_time_passed_twice_are_suspect(world: World, client: TestClient) -> None:
    three_polls(world)
    with world.database.writing() as conn:
        open_episode(
            conn,
            "clock",
            site_id=world.plan("quill-tank").site_id,
            from_ms=NOW_MS - 2 * MINUTE,
            to_ms=NOW_MS - MINUTE,
            reason="The computer's clock was set back; both passes of the time are kept.",
        )
    items = get(client, "/sites/quill-tank/points/LVL/readings?resolution=raw")["items"]
    assert [one["quality"] for one in items] == ["good", "none", "suspect"]
    assert items[2]["value"] == 3.75


def test_a_long_list_of_readings_goes_on_where_it_ended(world: World, client: TestClient) -> None:
    three_polls(world)
    path = "/sites/quill-tank/points/LVL/readings?resolution=raw&limit=2"
    first = get(client, path)
    rest = get(client, f"{path}&from={first['next']}")
    assert [item["at"][11:16] for item in first["items"] + rest["items"]] == [
        "09:57",
        "09:58",
        "09:59",
    ]


def test_gateways(world: World, client: TestClient) -> None:
    gateway = get(client, "/gateways")[0]
    assert (gateway["key"], gateway["state"], gateway["cycle_s"]) == ("mast", "connected", 1.5)
    assert gateway["quarantine_s"] == 6.0  # three reply timeouts of 2 s


def test_poll_now_is_stored_before_it_is_accepted(world: World, client: TestClient) -> None:
    answer = client.post("/api/v1/sites/quill-tank/poll")
    assert answer.status_code == 202
    number = answer.json()["job"]
    with world.database.reading() as conn:
        (waiting,) = jobs.waiting(conn, jobs.POLLER)
    assert waiting.id == number
    assert get(client, f"/jobs/{number}")["state"] == "waiting"
    with world.database.writing() as conn:
        jobs.update(conn, number, JobState.DONE, 1.0, "Answered.", NOW_MS)
    job = get(client, f"/jobs/{number}")
    assert (job["state"], job["result"]) == ("done", "Answered.")
    assert job["done_at"] == "2026-03-08T10:00:00.000Z"


@pytest.mark.parametrize(
    ("path", "status", "part"),
    [
        ("/sites/quil-tank", 404, "Did you mean 'quill-tank'?"),
        ("/sites/quil-tank/polls", 404, "There is no site"),
        ("/sites/quill-tank/points/LVI/readings", 404, "Did you mean 'LVL'?"),
        ("/sites/quill-tank/polls?from=2026-03-08T07:00:00", 422, "from"),
        ("/sites/quill-tank/polls?from=yesterday", 422, "from"),
        (
            "/sites/quill-tank/polls?from=2026-03-08T07:00:00Z&to=2026-03-08T07:00:00Z",
            422,
            "`from` has to lie before `to`",
        ),
        ("/sites/quill-tank/polls?limit=0", 422, "limit"),
        ("/sites/quill-tank/polls?after=abc", 422, "after"),
        ("/sites/quill-tank/points/LVL/readings?resolution=week", 422, "resolution"),
        ("/jobs/4711", 404, "There was never a job 4711."),
        ("/jobs/99999999999999999999999", 404, "never a job"),
        ("/nothing", 404, "/api/v1/nothing"),
    ],
)
def test_refusals_are_problems_with_a_sentence(
    client: TestClient, path: str, status: int, part: str
) -> None:
    # RFC 9457: application/problem+json with title, status and detail.
    answer = client.get(f"/api/v1{path}")
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert problem["status"] == status
    assert part in problem["detail"]
    assert "None" not in problem["detail"]


def test_a_site_out_of_service_is_not_polled_on_demand(client: TestClient) -> None:
    answer = client.post("/api/v1/sites/teal-pond/poll")
    assert answer.status_code == 409
    assert "out of service" in answer.json()["detail"]


def test_another_sites_page_may_not_ask_for_polls(world: World, client: TestClient) -> None:
    for headers in (
        {"sec-fetch-site": "cross-site"},
        {"origin": "http://evil.example"},
    ):
        answer = client.post("/api/v1/sites/quill-tank/poll", headers=headers)
        assert answer.status_code == 403
    with world.database.reading() as conn:
        assert jobs.waiting(conn, jobs.POLLER) == []


def test_another_host_name_is_refused(client: TestClient) -> None:
    assert client.get("/api/v1/sites", headers={"host": "evil.example"}).status_code == 421


def test_healthz_tells_storage_poller_and_gateways(world: World, client: TestClient) -> None:
    three_polls(world)
    health = client.get("/healthz").json()
    assert health["status"] == "ok"
    assert health["gateways"] == {"mast": "connected"}
    assert health["poller"]["last_poll_at"] == "2026-03-08T09:59:00.000Z"
    assert set(health["storage"]) == {"state", "since", "waiting", "dropped"}


def test_the_description_names_every_call(client: TestClient) -> None:
    paths = set(get(client, "/openapi.json")["paths"])
    assert {
        "/api/v1/sites",
        "/api/v1/sites/{key}",
        "/api/v1/sites/{key}/polls",
        "/api/v1/sites/{key}/points/{tag}/readings",
        "/api/v1/sites/{key}/poll",
        "/api/v1/gateways",
        "/api/v1/jobs/{number}",
        "/healthz",
    } <= paths
    assert not {path for path in paths if path.startswith("/stream")}


def test_no_answer_holds_what_json_cannot_say(world: World, client: TestClient) -> None:
    three_polls(world)
    for path in ("/sites", "/gateways", "/sites/quill-tank/points/VBAT/readings"):
        text = client.get(f"/api/v1{path}").text
        json.loads(text, parse_constant=pytest.fail)
