"""Reliability for scripts, against polls whose figures were worked out by hand."""

from typing import Any

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World, words

from tallymast.domain.model import Outcome, Poll, PollDone, PollFlag
from tallymast.storage.days import close_days
from tallymast.storage.hours import close_hours
from tallymast.storage.writer import Writer

MINUTE, HOUR = 60_000, 3_600_000
GOOD, LATE, NONE, LOST = Outcome.FIRST_TRY, Outcome.RETRIED, Outcome.NO_ANSWER, Outcome.GATEWAY_LOST
GARBLED = Outcome.GARBLED


def get(client: TestClient, query: str = "", status: int = 200) -> Any:
    answer = client.get(f"/api/v1/reliability{query}")
    assert answer.status_code == status, answer.text
    return answer.json()


def minutes(world: World, fates: dict[int, Outcome], n: int) -> None:
    """Poll a site once a minute, the last time a minute ago; fates by minutes before now."""
    made = [
        (NOW_MS - back * MINUTE, fates.get(back, GOOD), words(12_000, 1287, 0))
        for back in range(n, 0, -1)
    ]
    world.polls("quill-tank", made)


@pytest.mark.parametrize("is_closed", [False, True], ids=["open", "closed"])
def test_every_poll_is_counted_once_and_asked_is_answered_and_missed(
    world: World, client: TestClient, is_closed: bool
) -> None:
    minutes(world, {30: NONE, 31: NONE, 40: LATE, 50: GARBLED, 60: LOST, 61: LOST}, 26 * 60)
    if is_closed:
        close_hours(world.database, NOW_MS + 10 * HOUR)
        close_days(world.database, NOW_MS + 10 * HOUR)
    span = "?from=2026-03-07T10:00:00Z&to=2026-03-08T10:00:00Z"
    first = get(client, span)["items"][0]
    # 24 h: 1440 polls, of which the gateway was lost at two; two hours more before.
    assert first["key"] == "quill-tank"
    assert first["asked"] == 1438
    assert (first["answered"], first["missed"]) == (1435, 3)
    assert (first["answered_first_try"], first["no_answer"], first["garbled"]) == (1434, 2, 1)
    assert first["before"]["asked"] == 120
    assert first["success"]["share"] == pytest.approx(1435 / 1438)
    assert first["success"]["low"] < 1435 / 1438 < first["success"]["high"]


def test_the_span_is_the_last_day_unless_asked_otherwise(world: World, client: TestClient) -> None:
    minutes(world, {}, 26 * 60)
    # After 10:00 yesterday to 10:00 today; the poll of 10:00 yesterday lies before.
    assert get(client)["items"][0]["asked"] == 1439


def test_what_is_not_known_is_null_never_zero(world: World, client: TestClient) -> None:
    minutes(world, {}, 30)
    quill, osier, teal = get(client)["items"]
    assert quill["asked"] == 30
    assert quill["success"] == {"share": None, "low": None, "high": None, "effective_n": None}
    for site in (osier, teal, quill["before"]):
        assert (site["asked"], site["answered"], site["missed"]) == (0, 0, 0)
        assert site["success"]["share"] is None
        assert site["outages"] is None
        for name in ("availability", "longest_outage_s", "mtbf_s", "mttr_s", "answer_times"):
            assert site[name] is None, name


def test_outages_are_told_one_by_one(world: World, client: TestClient) -> None:
    minutes(world, dict.fromkeys(range(41, 51), NONE) | dict.fromkeys((1, 2, 3, 4), NONE), 180)
    site = get(client, "?from=2026-03-08T07:00:00Z")["items"][0]
    assert site["outages"] == [
        {
            "begins": "2026-03-08T09:10:00.000Z",
            "ends": "2026-03-08T09:20:00.000Z",
            "missed": 10,
            "last_answer_at": "2026-03-08T09:09:00.000Z",
            "cause": "alone",
        },
        {
            "begins": "2026-03-08T09:56:00.000Z",
            "ends": None,
            "missed": 4,
            "last_answer_at": "2026-03-08T09:55:00.000Z",
            "cause": "alone",
        },
    ]
    assert (site["longest_outage_s"], site["mttr_s"]) == (600, 600)
    assert site["down_s"] == 600 + 240


def test_polls_in_maintenance_are_in_no_count(world: World, client: TestClient) -> None:
    plan = world.plan("quill-tank")

    writer = Writer(world.database)
    writer.start()
    for back in (3, 2, 1):
        flag = PollFlag.MAINTENANCE if back == 2 else PollFlag.NONE
        poll = Poll(
            plan.site_id,
            NOW_MS - back * MINUTE,
            NONE if back == 2 else GOOD,
            flag,
            1,
            None if back == 2 else 80.0,
            plan.layout.id,
            int(back != 2),
            0,
            b"" if back == 2 else words(12_000, 1287, 0),
        )
        done = world._done(plan, NOW_MS, GOOD, words(12_000, 1287, 0))
        writer.put(PollDone(poll, done.state))
    assert writer.flush()
    writer.stop()
    site = get(client)["items"][0]
    assert (site["asked"], site["answered"], site["missed"]) == (2, 2, 0)


def test_a_span_takes_its_begin_and_leaves_its_end(world: World, client: TestClient) -> None:
    minutes(world, {}, 60)
    span = "?from=2026-03-08T09:10:00Z&to=2026-03-08T10:20:00%2B01:00"
    site = get(client, span)["items"][0]
    assert site["asked"] == 10
    assert site["mean_burst"] is None  # the span cuts a contract day


def test_pages_hold_each_site_once(client: TestClient) -> None:
    first = get(client, "?limit=2")
    rest = get(client, f"?limit=2&after={first['next']}")
    keys = [site["key"] for site in first["items"] + rest["items"]]
    assert keys == ["quill-tank", "osier-pond", "teal-pond"]
    assert rest["next"] is None


@pytest.mark.parametrize(
    ("query", "part"),
    [
        ("?from=2026-03-08T07:00:00", "timezone"),
        ("?from=2026-03-09T07:00:00Z&to=2026-03-08T07:00:00Z", "has to lie before"),
        ("?from=2024-03-08T07:00:00Z", "366 days long at most"),
        ("?after=nowhere", "names no site"),
    ],
)
def test_what_cannot_be_told_is_refused_in_a_sentence(
    client: TestClient, query: str, part: str
) -> None:
    assert part in get(client, query, 422)["detail"]
