"""A change of the network is stored whole, keeps the history of what it renames, and retires."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import select
from tests.blank import blank

from tallymast.domain import network_file
from tallymast.domain.errors import StorageError
from tallymast.domain.model import PollPlan
from tallymast.domain.network_file import Written
from tallymast.domain.setup.proposals import Proposal, Rename
from tallymast.storage import network, schema
from tallymast.storage.changing import ChangedMeanwhile, change, difference_of
from tallymast.storage.engine import Database

TEXT = """
title = "Two gates"

[[gateway]]
key = "ridge"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"

[[profile]]
key = "gate"
  [[profile.point]]
  tag = "LVL"
  kind = "analog-input"
  table = "input"
  register = 4

[[site]]
key = "heron-gate"
gateway = "ridge"
unit = 3
profile = "gate"

[[site]]
key = "stone-gate"
gateway = "ridge"
unit = 4
profile = "gate"
via = "heron-gate"
"""


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    held = blank(tmp_path / "tallymast.sqlite3")
    written, whole = network_file.read(TEXT, "two.toml")
    with held.writing() as conn:
        network.store_network(conn, written, whole, actor="local", source="file", at_ms=1)
    yield held
    held.close()


Step = Callable[..., int]


@pytest.fixture
def step(database: Database) -> Step:
    """Store a changed text; give the new revision."""

    def store(text: str, *renamed: Rename, base: int | None = None) -> int:
        written, whole = network_file.read(text, "two.toml")
        with database.writing() as conn:
            seen = network.revision(conn) if base is None else base
            proposal = Proposal(seen, written, whole, "form", renamed)
            return change(conn, proposal, actor="hale", at_ms=1000 * seen)

    return store


def stored(database: Database) -> tuple[Written, PollPlan]:
    with database.reading() as conn:
        written = network.load_written(conn)
        return written, network.load_plan(conn, network_file.build(written, "stored"))


def ids(database: Database) -> dict[str, int]:
    _, plan = stored(database)
    return {one.site.key: one.site_id for gateway in plan.gateways for one in gateway.sites}


def test_a_renamed_site_keeps_its_number_and_with_it_its_history(
    database: Database, step: Step
) -> None:
    before = ids(database)
    step(TEXT.replace("heron-gate", "heron-weir"), Rename("site", "heron-gate", "heron-weir"))
    assert ids(database) == {
        "heron-weir": before["heron-gate"],
        "stone-gate": before["stone-gate"],
    }


def test_the_same_key_change_without_a_rename_is_another_site(
    database: Database, step: Step
) -> None:
    before = ids(database)
    step(TEXT.replace("heron-gate", "heron-weir"))
    assert ids(database)["heron-weir"] not in before.values()


def test_gateways_and_profiles_are_renamed_too(database: Database, step: Step) -> None:
    _, plan = stored(database)
    text = TEXT.replace('"ridge"', '"crest"').replace('"gate"', '"weir"')
    step(text, Rename("gateway", "ridge", "crest"), Rename("profile", "gate", "weir"))
    _, after = stored(database)
    assert [one.gateway_id for one in after.gateways] == [one.gateway_id for one in plan.gateways]
    with database.reading() as conn:
        assert conn.execute(select(schema.profile.c.key)).scalars().all() == ["weir"]


def test_a_key_that_somebody_had_is_not_given_again(database: Database, step: Step) -> None:
    first, _, rest = TEXT.partition("[[site]]")
    only = first + "[[site]]" + rest.partition("[[site]]")[0]
    step(only)  # Stone Gate is gone; its history lies under its key
    with pytest.raises(StorageError, match="choose another key"):
        step(only.replace("heron", "stone"), Rename("site", "heron-gate", "stone-gate"))
    assert set(ids(database)) == {"heron-gate"}


def test_a_change_made_from_an_older_network_is_refused_and_changes_nothing(
    database: Database, step: Step
) -> None:
    base = step(TEXT.replace("unit = 4", "unit = 5"))
    with pytest.raises(ChangedMeanwhile, match="Look at it once more"):
        step(TEXT, base=base - 1)
    written, _ = stored(database)
    assert written["site"][1]["unit"] == 5


def test_a_difference_holds_both_sides_and_the_renames(database: Database, step: Step) -> None:
    number = step(TEXT.replace("stone-gate", "flint"), Rename("site", "stone-gate", "flint"))
    with database.reading() as conn:
        found = difference_of(conn, number)
        assert difference_of(conn, number + 1) is None
    assert found is not None
    assert [line[:2] for line in found] == [
        ["site", "flint"],
        ["site", "stone-gate"],
        ["rename", "site"],
    ]
    assert found[0][2] is None
    assert found[1][3] is None


def retired(text: str, site: str) -> str:
    return text.replace(f'key = "{site}"', f'key = "{site}"\nretired = 2026-03-01')


def test_a_retired_site_is_in_no_plan_and_still_in_the_file(database: Database, step: Step) -> None:
    numbers = ids(database)
    step(retired(TEXT, "stone-gate"))
    written, plan = stored(database)
    assert set(ids(database)) == {"heron-gate"}
    assert [(one.site_id, one.is_polled) for _, one in plan.retired] == [
        (numbers["stone-gate"], False)
    ]
    assert "retired = 2026-03-01" in network_file.dump(written)
    assert network_file.read(network_file.dump(written), "again")[0] == written


def test_a_retired_sites_address_is_free_and_it_can_come_back(
    database: Database, step: Step
) -> None:
    numbers = ids(database)
    more = '[[site]]\nkey = "new-gate"\ngateway = "ridge"\nunit = 4\nprofile = "gate"\n'
    step(retired(TEXT, "stone-gate") + more)
    assert set(ids(database)) == {"heron-gate", "new-gate"}
    step(TEXT)  # the new one is gone again, the old one back
    assert ids(database) == numbers


def test_nobody_is_reached_by_a_retired_repeater() -> None:
    with pytest.raises(Exception, match="heron-gate is retired; it carries nobody"):
        network_file.read(retired(TEXT, "heron-gate"), "two.toml")
