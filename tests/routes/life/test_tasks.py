"""Due tasks: written down, done with a note, due again; quiet on the Morning round."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World, begin
from tests.routes.test_pages import text_of

from tallymast.routes.app import create_app
from tallymast.storage import notes, tasks


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path)
    yield made
    made.database.close()


@pytest.fixture
def client(world: World) -> Iterator[TestClient]:
    with TestClient(create_app(world.services())) as made:
        yield made


def write(client: TestClient, **fields: str) -> int:
    told = {"what": "Calibrate level transmitter", "site": "quill-tank", "due": "2026-02-24"}
    return client.post("/tasks", data={**told, **fields}, follow_redirects=False).status_code


def test_a_late_task_is_said_at_the_site_and_before_a_drive(client: TestClient) -> None:
    assert write(client, every="12") == 303  # today is 8 March: twelve days late
    assert "due since 12 days" in text_of(client.get("/tasks").text)
    assert "due since 12 days: Calibrate level transmitter" in text_of(
        client.get("/sites/quill-tank").text
    )
    sheet = text_of(client.get("/sites/quill-tank/drive").text)
    assert "due since 12 days: Calibrate level transmitter" in sheet
    assert "reference for the calibration" in sheet


def test_the_round_says_nothing_of_tasks(client: TestClient) -> None:
    before = text_of(client.get("/").text)
    write(client)
    assert text_of(client.get("/").text) == before


def test_late_ones_come_first(client: TestClient) -> None:
    write(client, what="Paint the mast", due="2026-07-01", site="")
    write(client, what="Grease the gate", due="2026-03-01")
    text = text_of(client.get("/tasks").text)
    assert text.index("Grease the gate") < text.index("Paint the mast")


def test_what_is_done_is_in_the_log_book_and_comes_again(world: World, client: TestClient) -> None:
    write(client, every="12")
    with world.database.reading() as conn:
        (task,) = tasks.standing(conn)
    done = {"note": "Off by 0.02 m, set.", "kind": "repair"}
    for expected in (303, 409):
        answer = client.post(f"/tasks/{task.id}/done", data=done, follow_redirects=False)
        assert answer.status_code == expected
    with world.database.reading() as conn:
        (note,) = notes.of_site(conn, world.plan("quill-tank").site_id)
        (again,) = tasks.standing(conn)
    assert note.text == "Calibrate level transmitter: done. Off by 0.02 m, set."
    assert (note.kind, note.at_ms) == ("repair", NOW_MS)
    # 20 887 days after 1970-01-01 is 2027-03-10; 8 March 2027 is two days less. By hand:
    # 2026-03-08 is day 20 520, and a year of 365 days later is 20 885.
    assert again.due_day == 20_885


def test_one_that_is_not_to_be_done_is_withdrawn_with_its_reason(
    world: World, client: TestClient
) -> None:
    write(client)
    with world.database.reading() as conn:
        (task,) = tasks.standing(conn)
    assert client.post(f"/tasks/{task.id}/withdraw", data={"why": ""}).status_code == 422
    client.post(f"/tasks/{task.id}/withdraw", data={"why": "Transmitter is gone."})
    assert "Withdrawn: Transmitter is gone." in text_of(client.get("/tasks").text)


def test_mistakes_are_said_and_nothing_is_lost(client: TestClient) -> None:
    for fields, said in (
        ({"what": "x"}, "write a few words"),
        ({"due": "soon"}, "soon is not a day"),
        ({"every": "1.5"}, "a whole number of months"),
    ):
        told = {"what": "Calibrate & check", "due": "2026-02-24", "site": "osier-pond", **fields}
        answer = client.post("/tasks", data=told)
        assert answer.status_code == 422
        assert said in text_of(answer.text)
        assert all(f'value="{value}"' in answer.text for value in fields.values())
        assert '<option value="osier-pond" selected>' in answer.text
