"""What a site's page says of its season, and the checklist before it comes back."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NETWORK, World, begin
from tests.routes.test_pages import text_of

from tallymast.domain.life.checklist import checks_of
from tallymast.routes.app import create_app
from tallymast.seasons import Seasons
from tallymast.storage import proofs, returns

PAGE = "/sites/quill-tank"
HERE = "/sites/quill-tank/return"
OUTPUT = """
  [[site.point]]
  tag = "INLET"
  name = "Inlet pump"
  kind = "discrete-output"
  table = "coil"
  register = 0
  fail_safe = { state = "off", after_s = 120 }

[[site]]
key = "osier-pond\""""
POND = NETWORK.replace(
    'key = "quill-tank"', 'key = "quill-tank"\nseason = { out_from = "11-01", back = "04-15" }'
).replace('\n[[site]]\nkey = "osier-pond"', OUTPUT)


def ms(*when: int) -> int:
    return round(datetime(*when, tzinfo=UTC).timestamp() * 1000)  # type: ignore[misc,arg-type]


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path, POND)
    yield made
    made.database.close()


@pytest.fixture
def client(world: World) -> Iterator[TestClient]:
    with TestClient(create_app(world.services())) as made:
        yield made


def at(world: World, client: TestClient, *when: int) -> str:
    world.now_ms = ms(*when)
    return text_of(client.get(PAGE).text)


def test_outputs_that_will_drop_are_named_before_it_begins(
    world: World, client: TestClient
) -> None:
    assert "Out of season from" not in at(world, client, 2026, 10, 1)
    text = at(world, client, 2026, 10, 25)
    assert "Out of season from 1 Nov 2026 to 15 Apr 2027: polling ends by itself then." in text
    assert "These outputs will drop then: Inlet pump (INLET) goes off after 2 min" in text


def test_while_it_is_out_both_days_are_told(world: World, client: TestClient) -> None:
    Seasons(world.database).look(ms(2026, 11, 1))
    text = at(world, client, 2027, 1, 10)
    assert "Out of season until 15 Apr 2027, return-to-service checklist from 1 Apr 2027." in text
    assert "checks looked at" not in text


def test_from_its_day_on_the_checklist_is_due_until_it_is_signed(
    world: World, client: TestClient
) -> None:
    Seasons(world.database).look(ms(2026, 11, 1))
    assert "0 of 7 checks looked at" in at(world, client, 2027, 4, 2)
    for check in checks_of(world.plan("quill-tank").site):
        client.post(HERE, data={"check": check.key, "result": "order"})
    assert "7 of 7 checks looked at" in at(world, client, 2027, 4, 3)
    client.post(HERE, data={"step": "sign", "note": "Ice is off."})
    assert "checklist signed by local" in at(world, client, 2027, 4, 4)
    head = at(world, client, 2027, 5, 1).partition("Values")[0]
    assert "checklist" not in head


def test_what_was_not_signed_is_asked_for_after_its_return(
    world: World, client: TestClient
) -> None:
    assert "its return-to-service checklist is not signed" in at(world, client, 2027, 4, 20)
    assert "checklist is not signed" not in at(world, client, 2027, 6, 20)


def test_last_years_list_does_not_stand_for_this_years(world: World, client: TestClient) -> None:
    world.now_ms = ms(2026, 4, 2)
    for check in checks_of(world.plan("quill-tank").site):
        client.post(HERE, data={"check": check.key, "result": "order"})
    client.post(HERE, data={"step": "sign"})
    Seasons(world.database).look(ms(2026, 11, 1))
    assert "0 of 7 checks looked at" in at(world, client, 2027, 4, 2)


def test_a_tick_keeps_who_and_when(world: World, client: TestClient) -> None:
    fields = {"check": "mast", "result": "wrong", "note": "Guy is slack."}
    assert client.post(HERE, data=fields, follow_redirects=False).status_code == 303
    with world.database.reading() as conn:
        proof = returns.newest(conn, world.plan("quill-tank").site_id)
    assert proof is not None
    assert (proof.kind, proof.state) == ("checklist", proofs.OPEN)
    assert returns.checks(proof)["mast"] == {
        "at_ms": world.now_ms,
        "actor": "local",
        "result": "wrong",
        "note": "Guy is slack.",
    }
    assert "not in order: Guy is slack. local" in text_of(client.get(HERE).text)


def test_what_says_nothing_is_refused(client: TestClient) -> None:
    for fields, status, said in (
        ({"check": "mast"}, 422, "whether it is in order"),
        ({"check": "moon", "result": "order"}, 422, "Say which check"),
        ({"check": "mast", "result": "wrong"}, 422, "what is not in order"),
        ({"step": "sign"}, 409, "no open checklist"),
    ):
        answer = client.post(HERE, data=fields)
        assert answer.status_code == status
        assert said in text_of(answer.text)


def test_a_list_with_gaps_is_not_signed(client: TestClient) -> None:
    client.post(HERE, data={"check": "mast", "result": "order"})
    answer = client.post(HERE, data={"step": "sign"})
    assert answer.status_code == 422
    assert "Not looked at yet: Battery rested and charged" in text_of(answer.text)
