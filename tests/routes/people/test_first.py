"""The first supervisor: made by one link, once, whatever is tried beside it."""

from starlette.testclient import TestClient
from tests.routes.conftest import World

from tallymast.domain.people import Role
from tallymast.storage import people

FORM = {"password": "nine herons by the sluice", "password_again": "nine herons by the sluice"}


def first(world: World) -> str:
    key = people.new_key()
    with world.database.writing() as conn:
        people.add_link(
            conn,
            key,
            "first",
            "",
            account_id=None,
            at_ms=world.now_ms,
            ends_ms=world.now_ms + 1000,
        )
    return key


def test_the_first_supervisor_closes_the_open_house(world: World, client: TestClient) -> None:
    key = first(world)
    assert client.get("/account").status_code == 409
    found = client.post(
        "/welcome", data={"key": key, "name": "R.Hale", **FORM}, follow_redirects=False
    )
    assert found.status_code == 303
    with world.database.reading() as conn:
        (account,) = people.accounts(conn)
    assert (account.name, account.role) == ("r.hale", Role.SUPERVISOR)
    assert client.get("/people").status_code == 200
    client.cookies.clear()
    assert client.post("/api/v1/sites/quill-tank/poll").status_code == 401  # `local` is gone


def test_a_first_link_is_nothing_once_there_is_an_account(world: World, client: TestClient) -> None:
    key = first(world)
    with world.database.writing() as conn:
        people.add_account(conn, "other", Role.VIEWER, at_ms=1)
    found = client.post("/welcome", data={"key": key, "name": "r.hale", **FORM})
    assert found.status_code == 404
    with world.database.reading() as conn:
        assert [one.name for one in people.accounts(conn)] == ["other"]


def test_a_first_link_ends(world: World, client: TestClient) -> None:
    key = first(world)
    world.now_ms += 1000
    assert client.get(f"/welcome?key={key}").status_code == 404


def test_a_name_that_cannot_be_used_leaves_the_link(world: World, client: TestClient) -> None:
    key = first(world)
    found = client.post("/welcome", data={"key": key, "name": "r hale", **FORM})
    assert found.status_code == 422
    assert "letters, digits" in found.text
    assert client.get(f"/welcome?key={key}").status_code == 200
