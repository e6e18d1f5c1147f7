"""Alarms as scripts read and acknowledge them; what people do to them is stored whole or not."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World

from tallymast.alarms.book import AlarmBook
from tallymast.domain.alarms.model import AlarmState, Condition, Event, Standing, Step
from tallymast.domain.alarms.setting_up import alarms_of
from tallymast.domain.heartbeat import HeartbeatNow
from tallymast.domain.people import Role
from tallymast.routes import alarm_acts
from tallymast.routes.app import create_app
from tallymast.routes.problems import Problem
from tallymast.routes.services import Services
from tallymast.routes.system import system_lines
from tallymast.routes.who import Person
from tallymast.storage import alarm_rows, alarms, audit
from tallymast.storage.audit import Wanted

HIGH, LOW, OSIER = "quill-tank/LVL/high", "quill-tank/LVL/low", "osier-pond/LVL/high"
HOUR = 3_600_000
CALLS = Standing(
    AlarmState.UNACKNOWLEDGED,
    Condition.ABNORMAL,
    raised_ms=NOW_MS - 60_000,
    seen_ms=NOW_MS - 1000,
    value="4.75 m",
)
SUE = Person("sue", Role.SUPERVISOR, True, True, "192.0.2.7")
TESS, OPAL = (
    replace(SUE, name="tess", role=Role.TECHNICIAN),
    replace(SUE, name="opal", role=Role.OPERATOR),
)


@pytest.fixture
def given(world: World) -> Services:
    made = {one.key: one for one in alarms_of(world.view.network)}
    with world.database.writing() as conn:
        alarm_rows.enter(conn, made, NOW_MS - HOUR)
    book = AlarmBook(world.database, lambda: world.view, alarms_of)
    return replace(world.services(), alarms=book.now)


@pytest.fixture
def client(given: Services) -> Iterator[TestClient]:
    with TestClient(create_app(given)) as made:
        yield made


@pytest.fixture
def stand(world: World) -> Callable[..., None]:
    def put(key: str, one: Standing = CALLS) -> None:
        with world.database.writing() as conn:
            alarms.keep(conn, {key: Step(one)}, NOW_MS)

    return put


def get(client: TestClient, query: str = "", status: int = 200) -> Any:
    answer = client.get(f"/api/v1/alarms{query}")
    assert answer.status_code == status, answer.text
    return answer.json()


def number_of(world: World, key: str) -> int:
    with world.database.reading() as conn:
        return alarms.ids(conn)[key]


def standing(world: World, key: str = HIGH) -> Standing:
    with world.database.reading() as conn:
        return alarms.load(conn)[key]


def told(world: World) -> list[str]:
    with world.database.reading() as conn:
        return [one.sentence for one in audit.search(conn, Wanted(action="alarm."), 100)]


def journal(world: World) -> list[tuple[Event, str, str]]:
    with world.database.reading() as conn:
        return [(one.event, one.actor, one.note) for _, one in alarms.journal(conn, 0, 2**62)]


# --- the API --------------------------------------------------------------------------


def test_what_is_not_normal_is_listed_with_all_that_is_known(
    world: World, client: TestClient, stand: Callable[..., None]
) -> None:
    assert get(client) == {"items": [], "next": None}
    stand(HIGH)
    (item,) = get(client)["items"]
    assert item["id"] == number_of(world, HIGH)
    expected = {
        "key": HIGH,
        "name": "Quill Tank: Level high",
        "kind": "high",
        "site": "quill-tank",
        "gateway": "mast",
        "tag": "LVL",
        "state": "unacknowledged",
        "condition": "abnormal",
        "value": "4.75 m",
        "value_at": "2026-03-08T09:59:59.000Z",
        "raised_at": "2026-03-08T09:59:00.000Z",
        "cleared_at": None,
        "acknowledged_by": None,
        "is_shown": True,
        "limit": 4.5,
    }
    assert {name: item[name] for name in expected} == expected


def test_all_alarms_are_listed_a_page_at_a_time(world: World, client: TestClient) -> None:
    seen: list[int] = []
    before = ""
    while True:
        page = get(client, f"?state=all&limit=7{before}")
        seen += [one["id"] for one in page["items"]]
        if page["next"] is None:
            break
        before = f"&before={page['next']}"
    with world.database.reading() as conn:
        assert sorted(seen) == sorted(alarms.ids(conn).values())
    assert len(seen) > 14
    assert seen == sorted(seen, reverse=True)


def test_a_span_holds_the_alarms_to_which_anything_happened_in_it(
    client: TestClient, given: Services, stand: Callable[..., None]
) -> None:
    stand(HIGH)
    stand(OSIER)
    alarm_acts.acknowledge(given, OPAL, [HIGH], "")
    span = "&from=2026-03-08T09:59:00Z&to=2026-03-08T10:01:00Z"
    assert [one["key"] for one in get(client, f"?state=all{span}")["items"]] == [HIGH]
    assert get(client, "?state=all&to=2026-03-08T09:59:00Z")["items"] == []
    assert get(client, "?from=2026-03-08T09:59:00Z&to=2026-03-08T09:00:00Z", 422)["detail"]
    (line,) = client.get("/api/v1/alarms/journal").json()["items"]
    assert (line["event"], line["actor"], line["note"]) == ("acknowledged", "opal", None)


def test_a_script_acknowledges_once(
    world: World, client: TestClient, stand: Callable[..., None]
) -> None:
    stand(HIGH)
    path = f"/api/v1/alarms/{number_of(world, HIGH)}/acknowledge"
    answer = client.post(path, json={"note": "Valve  shut\nby hand."})
    assert answer.status_code == 200, answer.text
    assert answer.json()["state"] == "acknowledged"
    assert answer.json()["acknowledged_by"] == "local"
    assert journal(world) == [(Event.ACKNOWLEDGED, "local", "Valve shut by hand.")]
    again = client.post(path, json={})
    assert again.status_code == 409
    assert again.headers["content-type"] == "application/problem+json"
    assert again.json()["detail"] == (
        "Quill Tank: Level high was acknowledged by local at 10:00:00 already."
    )
    assert len(journal(world)) == 1


def test_what_is_not_there_or_normal_is_said(world: World, client: TestClient) -> None:
    assert client.post("/api/v1/alarms/9999/acknowledge", json={}).status_code == 404
    calm = client.post(f"/api/v1/alarms/{number_of(world, LOW)}/acknowledge", json={})
    assert calm.status_code == 409
    assert "is normal: nothing waits for it" in calm.json()["detail"]
    long = {"note": "x" * 400}
    answer = client.post(f"/api/v1/alarms/{number_of(world, LOW)}/acknowledge", json=long)
    assert answer.status_code == 422


def test_the_description_tells_of_alarms(client: TestClient) -> None:
    paths = client.get("/api/v1/openapi.json").json()["paths"]
    assert paths["/api/v1/alarms"]["get"]["description"].startswith("List alarms")
    assert "/api/v1/alarms/{number}/acknowledge" in paths


# --- acts -----------------------------------------------------------------------------


def test_of_a_selection_those_that_wait_are_acknowledged(
    world: World, given: Services, stand: Callable[..., None]
) -> None:
    stand(HIGH)
    stand(OSIER, replace(CALLS, state=AlarmState.RETURNED))
    done = alarm_acts.acknowledge(given, OPAL, [HIGH, OSIER, LOW], "Seen.")
    assert done == [HIGH, OSIER]
    assert standing(world, HIGH).state is AlarmState.ACKNOWLEDGED
    assert standing(world, OSIER).state is AlarmState.NORMAL
    assert told(world) == [
        "opal acknowledged Osier <Pond>: Level high, noted: Seen.",
        "opal acknowledged Quill Tank: Level high, noted: Seen.",
    ]
    with pytest.raises(Problem, match="2 others of the chosen ones") as refused:
        alarm_acts.acknowledge(given, SUE, [HIGH, OSIER, LOW], "")
    assert refused.value.status == 409


def test_a_large_selection_is_one_line_of_the_audit_and_many_of_the_journal(
    world: World, given: Services, stand: Callable[..., None]
) -> None:
    keys = list(given.alarms().alarms)[:12]
    for key in keys:
        stand(key)
    assert alarm_acts.acknowledge(given, OPAL, keys, "") == keys
    (line,) = told(world)
    assert line.endswith("and 11 other alarms, without a note.")
    with world.database.reading() as conn:
        (entry,) = audit.search(conn, Wanted(action="alarm."), 100)
    assert entry.after["keys"] == keys
    assert len(journal(world)) == 12


def test_an_act_that_cannot_be_written_down_is_not_done(
    world: World,
    given: Services,
    stand: Callable[..., None],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    stand(HIGH)

    def refuse(*_: object) -> None:
        raise Problem(503, "The audit cannot be written.")

    monkeypatch.setattr(alarm_acts, "tell", refuse)
    with pytest.raises(Problem, match="audit"):
        alarm_acts.acknowledge(given, OPAL, [HIGH], "")
    assert standing(world) == CALLS
    assert journal(world) == []


def test_shelving_has_a_reason_and_an_end(
    world: World, given: Services, stand: Callable[..., None]
) -> None:
    stand(HIGH)
    with pytest.raises(Problem, match="few words why"):
        alarm_acts.shelve(given, OPAL, [HIGH], 8, " ")
    with pytest.raises(Problem, match="at most 30 days"):
        alarm_acts.shelve(given, SUE, [HIGH], 24 * 31, "Tank is painted.")
    alarm_acts.shelve(given, OPAL, [HIGH], 8, "Tank is painted.")
    one = standing(world)
    assert (one.shelved_until_ms, one.shelved_by) == (NOW_MS + 8 * HOUR, "opal")
    assert not one.is_shown
    assert told(world) == ["opal shelved Quill Tank: Level high for 8 h: Tank is painted."]
    alarm_acts.unshelve(given, OPAL, HIGH)
    assert standing(world).is_shown
    with pytest.raises(Problem, match="is not shelved"):
        alarm_acts.unshelve(given, OPAL, HIGH)


@pytest.mark.parametrize(("person", "may"), [(OPAL, False), (TESS, False), (SUE, True)])
def test_only_a_supervisor_shelves_for_longer_than_twelve_hours(
    given: Services, stand: Callable[..., None], person: Person, may: bool
) -> None:
    stand(HIGH)
    alarm_acts.shelve(given, person, [HIGH], 12, "Tank is painted.")
    if may:
        alarm_acts.shelve(given, person, [HIGH], 12.5, "Tank is painted.")
        return
    with pytest.raises(Problem, match="by a supervisor") as refused:
        alarm_acts.shelve(given, person, [HIGH], 12.5, "Tank is painted.")
    assert refused.value.status == 403


def test_a_technician_takes_an_alarm_out_of_service_and_puts_it_back(
    world: World, given: Services, stand: Callable[..., None]
) -> None:
    stand(HIGH)
    with pytest.raises(Problem, match="right to change the network"):
        alarm_acts.out_of_service(given, OPAL, HIGH, "Probe is out.")
    alarm_acts.out_of_service(given, TESS, HIGH, "Probe is out.")
    assert standing(world).out_of_service == "tess: Probe is out."
    with pytest.raises(Problem, match="already: tess: Probe is out"):
        alarm_acts.out_of_service(given, TESS, HIGH, "Again.")
    alarm_acts.in_service(given, TESS, HIGH, "Probe is back.")
    assert standing(world).out_of_service == ""
    assert [event for event, _, _ in journal(world)] == [Event.IN_SERVICE, Event.OUT_OF_SERVICE]


def test_only_a_latched_alarm_that_is_over_is_reset(
    world: World, given: Services, stand: Callable[..., None]
) -> None:
    stand(HIGH, replace(CALLS, state=AlarmState.RETURNED, condition=Condition.NORMAL))
    with pytest.raises(Problem, match="is not latched"):
        alarm_acts.reset(given, OPAL, HIGH)
    now = given.alarms()
    latched = {**now.alarms, HIGH: replace(now.alarms[HIGH], latched=True)}
    given = replace(given, alarms=lambda: replace(now, alarms=latched))
    alarm_acts.reset(given, OPAL, HIGH, "Pump looked at.")
    assert standing(world).state is AlarmState.NORMAL
    stand(HIGH, replace(CALLS, state=AlarmState.RETURNED, condition=Condition.UNKNOWN))
    with pytest.raises(Problem, match="not known to be normal"):
        alarm_acts.reset(given, OPAL, HIGH)
    stand(HIGH)
    with pytest.raises(Problem, match="does not wait for a reset"):
        alarm_acts.reset(given, OPAL, HIGH)


def test_an_alarm_that_is_not_there_is_said(given: Services) -> None:
    with pytest.raises(Problem) as refused:
        alarm_acts.shelve(given, OPAL, ["quill-tank/NOT/high"], 8, "Tank is painted.")
    assert refused.value.status == 404
    with pytest.raises(Problem, match="at least one"):
        alarm_acts.acknowledge(given, OPAL, [], "")


def test_the_test_alarm_is_raised_by_a_button_and_says_that_nothing_is_wrong(
    world: World, client: TestClient
) -> None:
    origin = {"Origin": "http://testserver", "Sec-Fetch-Site": "same-origin"}
    answer = client.post("/alarms/test", headers=origin, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/alarms")
    assert standing(world, "//test").state is AlarmState.UNACKNOWLEDGED
    assert told(world) == ["local raised the test alarm."]
    page = client.get("/alarms").text
    assert "Test, nothing is wrong" in page
    assert "each Monday at 09:00" in page
    again = client.post("/alarms/test", headers=origin)
    assert again.status_code == 409


def test_a_selection_is_shelved_in_one_go_or_not_at_all(
    world: World, given: Services, stand: Callable[..., None]
) -> None:
    stand(HIGH)
    stand(OSIER)
    with pytest.raises(Problem):
        alarm_acts.shelve(given, OPAL, [HIGH, "gone/LVL/high"], 8, "Tank is painted.")
    assert standing(world, HIGH).shelved_until_ms is None
    alarm_acts.shelve(given, OPAL, [HIGH, OSIER], 8, "Tank is painted.")
    with world.database.reading() as conn:
        found = alarms.journal(conn, 0, 2**62)
    assert {entry.at_ms for _, entry in found} == {NOW_MS}
    assert standing(world, OSIER).shelved_until_ms == standing(world, HIGH).shelved_until_ms


def test_a_sign_of_life_that_is_not_taken_is_told_calmly_and_names_no_address(
    given: Services,
) -> None:
    now = HeartbeatNow(
        True, 5, "watch.example.org", NOW_MS - HOUR, NOW_MS - 660_000, NOW_MS,
        "No connection to the receiver can be made.", 7,
    )  # fmt: skip
    (line,) = system_lines(replace(given, heartbeat=lambda: now))
    assert line.startswith("The sign of life to the outside receiver was not taken since 09:49")
    assert "7 tries in a row: No connection" in line
    assert "watch.example.org" not in line
    soon = replace(now, last_ms=NOW_MS - 540_000)  # less than two periods
    assert system_lines(replace(given, heartbeat=lambda: soon)) == ()
