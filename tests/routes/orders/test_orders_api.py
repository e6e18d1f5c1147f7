"""Orders by scripts: stored before the reply, the same request once, refusals as a state."""

from tests.routes.orders.pump_world import MINUTE, Bench
from tests.routes.people.conftest import Guarded

from tallymast.domain.people import Role
from tallymast.storage.writer import StorageStatus

ORDERS = "/api/v1/orders"
ON = {"site": "dunlin-booster", "tag": "START", "kind": "on", "request_key": "morning-start-1"}


def test_an_order_is_accepted_and_can_be_asked_for(bench: Bench) -> None:
    made = bench.client.post(ORDERS, json=ON)
    assert made.status_code == 202
    body = made.json()
    assert (body["state"], body["seen"], body["source"]) == ("stored", "off", "api")
    asked = bench.client.get(f"{ORDERS}/{body['order']}").json()
    assert asked == body
    assert asked["made_at"] == "2026-03-08T10:00:00.000Z"
    assert asked["expires_at"] == "2026-03-08T10:00:30.000Z"
    assert [one["state"] for one in asked["steps"]] == ["stored"]
    assert (asked["readback"], asked["feedback"]) == (None, None)
    assert bench.client.get(ORDERS).json()["items"][0]["order"] == body["order"]
    assert bench.client.get(f"{ORDERS}/99").status_code == 404


def test_the_same_request_is_one_order_and_another_content_is_refused(bench: Bench) -> None:
    first = bench.client.post(ORDERS, json=ON).json()
    again = bench.client.post(ORDERS, json=ON)
    assert (again.status_code, again.json()["order"]) == (202, first["order"])
    other = bench.client.post(ORDERS, json=ON | {"kind": "off"})
    assert other.status_code == 409
    assert f"order {first['order']}" in other.json()["detail"]
    assert len(bench.orders()) == 1


def test_what_nobody_took_in_time_is_told_as_not_sent_where_nobody_polls(bench: Bench) -> None:
    made = bench.client.post(ORDERS, json=ON).json()
    bench.world.now_ms += 29_999
    assert bench.client.get(f"{ORDERS}/{made['order']}").json()["state"] == "stored"
    bench.world.now_ms += 1
    asked = bench.client.get(f"{ORDERS}/{made['order']}").json()
    assert asked["state"] == "not-sent"
    assert "Expired" in asked["reason"]


def test_a_malformed_one_stores_nothing(bench: Bench) -> None:
    for change, status, said in (
        ({"site": "dunlin-boster"}, 404, "Did you mean 'dunlin-booster'?"),
        ({"tag": "RUN"}, 404, "is no output"),
        ({"kind": "pulse", "duration_s": 5}, 422, "takes on or off"),
        ({"tag": "SPEED", "kind": "setpoint", "want": 120}, 422, "100"),
        ({"kind": "toggle"}, 422, "kind"),
        ({"request_key": ""}, 422, "request_key"),
        ({"duration": 5}, 422, "duration"),  # duration_s was meant
        ({"site": "hob-gate", "tag": "RAISE", "kind": "pulse", "duration_s": 3601}, 422, "at most"),
    ):
        answer = bench.client.post(ORDERS, json=ON | change)
        assert answer.status_code == status
        assert said in answer.json()["detail"]
    assert bench.orders() == ()


def test_what_a_rule_refuses_is_stored_so(bench: Bench) -> None:
    bench.world.now_ms += 10 * MINUTE  # nothing was read since
    made = bench.client.post(ORDERS, json=ON)
    assert made.status_code == 202
    body = made.json()
    assert body["state"] == "refused"
    assert body["reason"]
    assert [one["state"] for one in body["steps"]] == ["stored", "refused"]


def test_while_nothing_can_be_stored_none_is_taken(bench: Bench) -> None:
    bench.world.storage = StorageStatus("failing", 0, 3, 0)
    answer = bench.client.post(ORDERS, json=ON)
    assert answer.status_code == 503
    assert "cannot be stored" in answer.json()["detail"]
    assert bench.orders() == ()


def test_a_token_needs_the_role_of_an_operator(guarded: Guarded) -> None:
    bench = Bench(guarded.world, guarded.as_(None))
    for role, status in ((Role.VIEWER, 403), (Role.OPERATOR, 202)):
        headers = {"authorization": f"Bearer {guarded.token(role)}"}
        assert bench.client.post(ORDERS, json=ON, headers=headers).status_code == status
    assert bench.client.post(ORDERS, json=ON).status_code == 401
    assert [one.actor for one in bench.orders()] == ["a script"]
