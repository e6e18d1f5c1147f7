"""A balance takes several tanks and ponds, each with its own level and table."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.routes.conftest import World, begin

from tallymast.domain.totals.balance import AreaTable
from tallymast.routes.volumes_kept.places import Chosen
from tallymast.routes.volumes_kept.storage_fields import shown, storages_of
from tallymast.storage import balances
from tallymast.storage.balances import Group, Storage

TABLES = {"table1": "0 50\n5 50", "table3": "0 1000\n2 1500"}
TYPED = {"level1": "quill-tank/LVL", "level3": "osier-pond/LVL", "level_error3": "0.05"}


@pytest.fixture
def tanks(tmp_path: Path) -> Iterator[World]:
    found = begin(tmp_path)
    yield found
    found.database.close()


def test_every_storage_that_was_filled_in_is_kept(tanks: World) -> None:
    wrong: dict[str, str] = {}
    form = Chosen(TYPED, {}, TABLES)
    tank, pond = tanks.plan("quill-tank").site_id, tanks.plan("osier-pond").site_id
    wanted = (
        Storage(tank, "LVL", AreaTable((0.0, 5.0), (50.0, 50.0)), 0.01),
        Storage(pond, "LVL", AreaTable((0.0, 2.0), (1000.0, 1500.0)), 0.05),
    )
    assert storages_of(tanks.view, form, wrong) == wanted
    assert wrong == {}
    with tanks.database.writing() as conn:
        kept = balances.enter(conn, Group(0, "Hill", (1,), (), wanted), at_ms=0, actor="sam")
        assert balances.in_force(conn) == [kept]
    assert kept.storages == wanted


def test_what_is_wrong_says_with_which_storage(tanks: World) -> None:
    wrong: dict[str, str] = {}
    typed = TYPED | {"level3": "quill-tank/LVL", "level2": "nowhere/LVL", "level_error2": "9"}
    storages_of(tanks.view, Chosen(typed, {}, TABLES), wrong)
    assert wrong == {
        "level2": "Storage 2: that level is not there; choose one of the list.",
        "table2": "Storage 2: A table needs at least two levels, and an area for each.",
        "level_error2": "Storage 2: a level may be off by 0 to 5 m.",
        "level3": "Storage 3: its level is in another storage of this balance.",
    }


def test_the_form_has_room_for_what_was_typed_and_for_one_more() -> None:
    assert [one.number for one in shown(Chosen())] == [1]
    assert [one.number for one in shown(Chosen(TYPED, {}, TABLES))] == [1, 2, 3]
    assert [one.number for one in shown(Chosen(TYPED | {"more": "1"}, {}, TABLES))] == [1, 2, 3, 4]
    full = {f"level{n}": "quill-tank/LVL" for n in range(1, 9)} | {"more": "1"}
    assert len(shown(Chosen(full, {}, {}))) == 8
