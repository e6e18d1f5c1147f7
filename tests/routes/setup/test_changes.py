"""The list of changes and taking them back, asked for as a browser does."""

import re
from collections.abc import Callable

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import World, client, world
from tests.routes.people.conftest import Guarded, guarded, kept, populate

from tallymast.domain import network_file
from tallymast.domain.network_file import Written
from tallymast.domain.people import Role
from tallymast.domain.setup.proposals import Proposal, Rename
from tallymast.domain.setup.renaming import renamed_network
from tallymast.storage import network, revision_list
from tallymast.storage.changing import change
from tallymast.storage.revision_list import Revision

__all__ = ["client", "guarded", "kept", "populate", "world"]


def written(world: World) -> Written:
    with world.database.reading() as conn:
        return network.load_written(conn)


def made(world: World, edit: Callable[[Written], object], *renamed: Rename) -> int:
    """Change the network as a form does; return the revision."""
    after = renamed_network(written(world), renamed)
    for table in ("gateway", "profile", "site"):
        after[table] = [{**body} for body in after[table]]
    edit(after)
    with world.database.writing() as conn:
        proposal = Proposal(
            network.revision(conn), after, network_file.build(after, "x"), "form", renamed
        )
        return change(conn, proposal, actor="local", at_ms=world.now_ms)


def listed(world: World) -> list[Revision]:
    with world.database.reading() as conn:
        return revision_list.newest(conn, 100)


def base_of(page: str) -> str:
    found = re.search(r'name="base" value="(\d+)"', page)
    assert found
    return found[1]


def quill(**keys: object) -> Callable[[Written], object]:
    return lambda after: after["site"][0].update(keys)


def test_a_change_is_listed_looked_at_and_taken_back(client: TestClient, world: World) -> None:
    before = written(world)
    number = made(world, quill(poll_every_s=30))
    page = client.get("/setup/revisions").text
    assert f"/setup/revisions/{number}" in page
    assert "poll_every_s was 60, is 30" in client.get(f"/setup/revisions/{number}").text
    asked = client.post(f"/setup/revisions/{number}/undo")
    assert "Site quill-tank: poll_every_s was 30, is 60." in asked.text
    assert written(world) != before
    answer = client.post(
        f"/setup/revisions/{number}/undo",
        data={"step": "store", "base": base_of(asked.text)},
        follow_redirects=False,
    )
    assert answer.status_code == 303
    assert written(world) == before
    newest, old = listed(world)[:2]
    assert (newest.source, newest.undoes, old.undone_by) == ("undo", number, newest.number)
    assert newest.sentence == f"Takes back revision {number}: {old.sentence}"


def test_an_undo_can_be_taken_back_itself(client: TestClient, world: World) -> None:
    number = made(world, quill(poll_every_s=30))
    after = written(world)
    for revision in (number, number + 1):
        data = {"step": "store", "base": str(listed(world)[0].number)}
        assert client.post(f"/setup/revisions/{revision}/undo", data=data).status_code == 200
    assert written(world) == after
    assert listed(world)[0].sentence.startswith(
        f"Takes back revision {number + 1}, so makes {number} again: Site quill-tank:"
    )


def test_nothing_is_stored_where_the_network_changed_meanwhile(
    client: TestClient, world: World
) -> None:
    number = made(world, quill(poll_every_s=30))
    base = base_of(client.post(f"/setup/revisions/{number}/undo").text)
    made(world, quill(area="Hill"))
    answer = client.post(f"/setup/revisions/{number}/undo", data={"step": "store", "base": base})
    assert answer.status_code == 409
    assert "was changed meanwhile" in answer.text
    assert written(world)["site"][0]["poll_every_s"] == 30


def test_the_later_change_of_the_same_thing_is_offered_first(
    client: TestClient, world: World
) -> None:
    number = made(world, quill(poll_every_s=30))
    later = made(world, quill(poll_every_s=20))
    answer = client.post(f"/setup/revisions/{number}/undo")
    assert answer.status_code == 409
    assert "site quill-tank: poll_every_s" in answer.text
    assert f'action="/setup/revisions/{later}/undo"' in answer.text
    assert f'action="/setup/revisions/{number - 1}/restore"' in answer.text


def test_a_renamed_site_gets_its_key_and_history_back(client: TestClient, world: World) -> None:
    site_id = world.plan("quill-tank").site_id
    before = written(world)
    number = made(world, lambda after: None, Rename("site", "quill-tank", "quill"))
    data = {"step": "store", "base": str(number)}
    assert client.post(f"/setup/revisions/{number}/undo", data=data).status_code == 200
    assert written(world) == before
    whole = network_file.build(before, "x")
    with world.database.reading() as conn:
        plan = network.load_plan(conn, whole)
    assert plan.gateways[0].sites[0].site_id == site_id


def test_a_removed_site_comes_back_in_its_place_with_its_record(
    client: TestClient, world: World
) -> None:
    before = written(world)
    number = made(world, lambda after: after["site"].pop(0))
    data = {"step": "store", "base": str(number)}
    assert client.post(f"/setup/revisions/{number}/undo", data=data).status_code == 200
    assert written(world) == before


def test_the_whole_network_goes_back_to_a_revision(client: TestClient, world: World) -> None:
    before = written(world)
    first = listed(world)[0].number
    made(world, quill(poll_every_s=30))
    made(world, lambda after: after.update(title="Other"))
    last = made(world, lambda after: None, Rename("site", "quill-tank", "quill"))
    page = client.post(f"/setup/revisions/{first}/restore").text
    assert "as of revision" in page
    data = {"step": "store", "base": str(last)}
    assert client.post(f"/setup/revisions/{first}/restore", data=data).status_code == 200
    assert written(world) == before


def test_a_network_that_would_not_hold_together_is_not_made(
    client: TestClient, world: World
) -> None:
    def spare_profile(after: Written) -> None:
        after["profile"].append({**after["profile"][0], "key": "spare"})

    number = made(world, spare_profile)
    made(world, lambda after: after["site"][1].update(profile="spare"))
    answer = client.post(f"/setup/revisions/{number}/undo")
    assert answer.status_code == 409
    assert "would not hold together" in answer.text
    assert "There is no profile" in answer.text


def test_the_first_network_has_nothing_before_it(client: TestClient, world: World) -> None:
    first = listed(world)[-1].number
    assert "nothing before it" in client.get(f"/setup/revisions/{first}").text
    assert client.post(f"/setup/revisions/{first}/undo").status_code == 409
    assert client.get("/setup/revisions/99").status_code == 404


def test_the_list_goes_on_over_pages(
    client: TestClient, world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tallymast.routes.setup.revisions_page.A_PAGE", 3)
    for n in range(4):
        made(world, quill(area=f"Area {n}"))
    page = client.get("/setup/revisions").text
    older = re.search(r"/setup/revisions\?before=(\d+)", page)
    assert older
    assert page.count("<li>") == 3
    assert client.get(older[0]).text.count("<li>") == 2


def test_codes_of_locks_are_told_to_nobody_who_may_not(guarded: Guarded) -> None:
    number = made(guarded.world, quill(lock=[{"where": "gate", "code": "7731"}]))
    after = made(guarded.world, quill(lock=[{"where": "gate", "code": "8842"}]))
    token = guarded.client()
    token.headers["authorization"] = f"Bearer {guarded.token(Role.TECHNICIAN)}"
    for path in (f"/setup/revisions/{number}", f"/setup/revisions/{after}", "/setup/revisions"):
        text = guarded.as_(Role.TECHNICIAN).get(path).text
        assert "7731" not in text
        assert "8842" not in text
    answer = token.post(f"/setup/revisions/{after}/undo")
    assert "its code was changed" in answer.text
    assert "7731" not in answer.text
    for path in (f"/setup/revisions/{number}/network.toml", "/setup/export/network.toml"):
        assert "7731" not in token.get(path).text
        assert 'where = "gate"' in token.get(path).text
    # A technician who signed in may read what opens a lock; it is written down.
    text = guarded.as_(Role.TECHNICIAN).get(f"/setup/revisions/{number}/network.toml").text
    assert 'code = "7731"' in text
    assert "with what opens locks" in guarded.told("network.export")[0].sentence
