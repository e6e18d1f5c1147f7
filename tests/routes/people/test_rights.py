"""Every role on every route, strangers too; the routes are the application's own.

ASVS 5.0.0: 8.2.1 and 8.2.2 (permissions of functions and data), 8.3.1 (enforced on the
server), 16.3.2 (refusals are written down), 13.2.3 (no default credential).
"""

import re
from collections.abc import Callable, Iterator

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute
from starlette.routing import BaseRoute
from starlette.testclient import TestClient
from tests.routes.people.conftest import Guarded

from tallymast.domain.people import LEAST, Right, Role
from tallymast.routes.app import ROOMS
from tallymast.routes.rights import FRESH, IN_PERSON, NEEDS

Who = Role | None


def routes_of(routes: list[BaseRoute]) -> Iterator[tuple[str, str]]:
    for route in routes:
        nested = getattr(getattr(route, "original_router", None), "routes", None)
        if nested is not None:
            yield from routes_of(nested)
            continue
        assert isinstance(route, APIRoute), f"{route}: not answered through the gate"
        for method in route.methods:
            yield method, route.path


ROUTES = sorted({one for room in ROOMS for one in routes_of(room.router.routes)})
PLACES = {
    "{key}": "quill-tank",
    "{tag}": "LVL",
    "{number}": "1",
    "{name}": "vi",
    "{day}": "2026-03-07",
    "{name:path}": "css/base.css",
}
STREAMS = {"/stream/round", "/stream/alarms", "/stream/sites/{key}", "/stream/gateways/{key}"}


def address(path: str) -> str:
    """A path with something that is there in each of its places."""
    if "/gateways/" in path:
        path = path.replace("{key}", "mast")
    if "/profiles/" in path:
        path = path.replace("{key}", "tank")
    if path.startswith("/findings/"):
        path = path.replace("{key}", "antenna-1")
    return re.sub(r"\{[^}]+\}", lambda place: PLACES[place[0]], path)


def asked(client: TestClient, method: str, path: str) -> int:
    """The status of a request without a body, not followed anywhere."""
    return client.request(method, address(path), follow_redirects=False).status_code


def test_the_routes_are_found(guarded: Guarded) -> None:
    assert len(ROUTES) > 50
    of_app = set(routes_of(guarded.app.routes))
    assert of_app == set(ROUTES)


def test_every_route_has_a_rule_and_every_rule_a_route() -> None:
    assert set(NEEDS) == set(ROUTES)
    assert set(FRESH) <= set(ROUTES)


def test_no_state_is_changed_by_asking() -> None:
    # ASVS 5.0.0 3.5.3. What a GET may be asked for needs no more than to see or to read,
    # except the line: watching it is what has it recorded.
    for method, path in ROUTES:
        if method == "GET" and NEEDS[method, path] not in (None, Right.LISTEN):
            reading = (Right.SEE, Right.OWN, Right.PEOPLE, Right.AUDIT, Right.SETUP)
            assert NEEDS[method, path] in reading, path


@pytest.mark.parametrize("who", [None, *Role], ids=lambda who: who or "stranger")
def test_the_gate_lets_pass_who_may_and_nobody_else(guarded: Guarded, who: Who) -> None:
    wrong = []
    for method, path in ROUTES:
        right = NEEDS[method, path]
        if path in STREAMS:
            continue
        status = asked(guarded.as_(who), method, path)
        allowed = right is None or (who is not None and who.rank >= LEAST[right].rank)
        refused = {401, 303} if who is None else {403}
        expected = status < 500 and status not in (401, 403) if allowed else status in refused
        if not expected:
            wrong.append((method, path, status))
    assert wrong == []


@pytest.mark.parametrize("path", sorted(STREAMS))
def test_a_stranger_gets_no_stream(guarded: Guarded, path: str) -> None:
    assert asked(guarded.client(), "GET", path) == 401


@pytest.mark.parametrize("role", Role)
def test_a_token_of_a_role_may_as_much_but_nothing_in_person(guarded: Guarded, role: Role) -> None:
    client = guarded.client()
    client.headers["authorization"] = f"Bearer {guarded.token(role)}"
    for method, path in ROUTES:
        right = NEEDS[method, path]
        if right is None or path in STREAMS:
            continue
        allowed = role.rank >= LEAST[right].rank and right not in IN_PERSON
        assert (asked(client, method, path) not in (401, 403)) == allowed, (method, path)


def test_with_open_viewing_strangers_see_and_do_nothing_else(
    populate: Callable[..., Guarded],
) -> None:
    client = populate("open").client()
    for method, path in ROUTES:
        right = NEEDS[method, path]
        if right is None or path in STREAMS:
            continue
        status = asked(client, method, path)
        assert (status in (401, 403) or (status == 303)) != (right is Right.SEE), (method, path)


def test_a_route_without_a_rule_is_answered_to_nobody(guarded: Guarded) -> None:
    app: FastAPI = guarded.app
    app.add_api_route("/forgotten", lambda: {"secret": 1})
    found = guarded.as_(Role.SUPERVISOR).get("/forgotten")
    assert found.status_code == 403
    assert "No rule says who may use /forgotten" in found.text


def test_a_refusal_says_what_is_missing_and_is_written_down(guarded: Guarded) -> None:
    found = guarded.as_(Role.VIEWER).post("/api/v1/sites/quill-tank/poll")
    assert found.status_code == 403
    assert "your role (viewer) does not let you ask for a poll" in found.json()["detail"]
    assert "needs the role operator" in found.json()["detail"]
    (entry,) = guarded.told("request.refuse")
    assert (entry.actor, entry.address) == ("vi", "192.0.2.7")
    assert entry.subject_key == "POST /api/v1/sites/quill-tank/poll"


def test_a_stranger_is_sent_to_the_door_and_back(guarded: Guarded) -> None:
    client = guarded.client()
    found = client.get("/sites/quill-tank", follow_redirects=False)
    assert found.headers["location"] == "/sign-in?to=%2Fsites%2Fquill-tank"
    api = client.get("/api/v1/sites")
    assert api.status_code == 401
    assert api.headers["www-authenticate"].startswith("Bearer")
    assert api.headers["content-type"] == "application/problem+json"


def test_a_button_pressed_by_who_is_not_signed_in_any_more_says_that_nothing_was_done(
    guarded: Guarded,
) -> None:
    client, page = guarded.client(), "http://testserver/sites/quill-tank/tags?tag=LVL"
    for referer, to in ((page, "&to=%2Fsites%2Fquill-tank%2Ftags%3Ftag%3DLVL"), ("", "")):
        headers = {"referer": referer, "origin": str(client.base_url)}
        found = client.post("/sites/quill-tank/tags", headers=headers, follow_redirects=False)
        assert found.headers["location"] == f"/sign-in?undone=1{to}"
    foreign = {"referer": "http://elsewhere.example/x"}
    found = client.post("/sites/quill-tank/tags", headers=foreign, follow_redirects=False)
    assert "elsewhere" not in found.headers["location"]
    assert "nothing was changed" in client.get("/sign-in?undone=1").text
    assert "nothing was changed" not in client.get("/sign-in").text


def test_without_accounts_everybody_here_is_local(client: TestClient) -> None:
    assert client.get("/").status_code == 200
    assert client.post("/api/v1/sites/quill-tank/poll").status_code == 202
    refused = client.get("/people")
    assert refused.status_code == 409
    assert "one-time link that was printed" in refused.text
