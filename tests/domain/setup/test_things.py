"""One thing of a network is changed, and whatever names it is changed along."""

from pathlib import Path
from typing import Any

import pytest

from tallymast.domain.network_file import build, mistakes_in, parse
from tallymast.domain.setup.proposals import Rename
from tallymast.domain.setup.things import (
    Thing,
    find,
    free_unit,
    key_from,
    place_of,
    put,
    remove,
    renames,
    units_taken,
    users_of,
)

DEMO = Path(__file__).parents[3] / "demo_data" / "ombrel-basin.toml"


@pytest.fixture(scope="module")
def demo() -> dict[str, Any]:
    return parse(DEMO.read_text(encoding="utf-8"), DEMO.name)


def test_putting_back_what_is_there_changes_nothing(demo: dict[str, Any]) -> None:
    for table in ("gateway", "profile", "site"):
        for body in demo[table]:
            thing = Thing(table, body["key"])
            assert put(demo, thing, body) == demo
            for point in body.get("point", []):
                one = Thing(table, body["key"], True, point["tag"])
                assert put(demo, one, point) == demo
    assert put(demo, Thing("network"), find(demo, Thing("network")) or {}) == demo


@pytest.mark.parametrize(
    ("table", "old", "followers"),
    [("gateway", "marrowdun", 12), ("profile", "tank", 11), ("site", "saddle-repeater", 4)],
)
def test_a_new_key_is_followed_by_whatever_names_it(
    demo: dict[str, Any], table: str, old: str, followers: int
) -> None:
    # The invented basin lists 12 sites behind Marrowdun, 11 tanks, 4 sites behind the repeater.
    thing = Thing(table, old)
    assert len(users_of(demo, thing)) == followers
    body = {**(find(demo, thing) or {}), "key": "renamed"}
    after = put(demo, thing, body)
    assert mistakes_in(after) == ()
    assert len(users_of(after, Thing(table, "renamed"))) == followers
    assert users_of(after, thing) == []
    assert renames(thing, body) == (Rename(table, old, "renamed"),)


def test_no_key_is_renamed_where_none_changed(demo: dict[str, Any]) -> None:
    thing = Thing("site", "tern-flat")
    assert renames(thing, find(demo, thing) or {}) == ()
    assert renames(Thing("site"), {"key": "new-site"}) == ()
    assert renames(Thing("site", "tern-flat", True, "LVL"), {"tag": "LEVEL"}) == ()


def test_a_changed_tag_is_followed_by_sites_and_by_what_names_it(demo: dict[str, Any]) -> None:
    profile = {"key": "p", "point": [
        {"tag": "RUN", "kind": "discrete-input", "table": "discrete", "register": 0},
        {"tag": "PUMP", "kind": "discrete-output", "table": "coil", "register": 0,
         "write": {"table": "coil", "register": 0}, "feedback": {"tag": "RUN"}, "auto": "RUN",
         "deviation": {"from": "RUN", "high": 1}},
    ]}  # fmt: skip
    site = {"key": "s", "gateway": "g", "unit": 1, "profile": "p",
            "point": [{"tag": "RUN", "name": "Running"}]}  # fmt: skip
    other = {"key": "o", "gateway": "g", "unit": 2, "profile": "q", "point": [{"tag": "RUN"}]}
    written = {"profile": [profile], "site": [site, other]}
    thing = Thing("profile", "p", True, "RUN")
    after = put(written, thing, {**(find(written, thing) or {}), "tag": "RUNNING"})
    run, pump = after["profile"][0]["point"]
    assert run["tag"] == "RUNNING"
    assert (pump["feedback"]["tag"], pump["auto"]) == ("RUNNING", "RUNNING")
    assert pump["deviation"] == {"from": "RUNNING", "high": 1}
    assert after["site"][0]["point"] == [{"tag": "RUNNING", "name": "Running"}]
    assert after["site"][1] == other


def test_what_is_removed_is_gone_and_nothing_else(demo: dict[str, Any]) -> None:
    after = remove(demo, Thing("site", "quill-tank"))
    assert len(after["site"]) == len(demo["site"]) - 1
    assert find(after, Thing("site", "quill-tank")) is None
    less = remove(demo, Thing("site", "quill-tank", True, "LVL"))
    assert "point" not in (find(less, Thing("site", "quill-tank")) or {})
    assert mistakes_in(less) == ()


def test_keys_follow_the_order_of_the_file(demo: dict[str, Any]) -> None:
    body = {"unit": 19, "profile": "tank", "name": "Alder", "gateway": "marrowdun", "key": "alder"}
    after = put(demo, Thing("site"), body)
    assert list(after["site"][-1]) == ["key", "name", "gateway", "unit", "profile"]
    assert build(after, "x").sites[-1].name == "Alder"


def test_places_are_named_as_mistakes_name_them(demo: dict[str, Any]) -> None:
    thing = Thing("site", "tern-flat", True, "LVL")
    assert place_of(thing, find(demo, thing) or {}, demo) == "site tern-flat.point LVL"
    assert place_of(Thing("network"), {}, demo) == ""
    nameless = put(demo, Thing("gateway"), {"address": "192.0.2.1:502"})
    found = place_of(Thing("gateway"), {"address": "192.0.2.1:502"}, nameless)
    assert found in {one.place for one in mistakes_in(nameless)}


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("Upper Weir", "upper-weir"),
        ("  Well No. 7 (old) ", "well-no-7-old"),
        ("Osier", "osier-2"),
        ("Пруд", ""),
        ("new", "new-2"),  # its form would lie at the address of the form for a new one
    ],
)
def test_a_key_is_made_of_the_name(name: str, key: str) -> None:
    assert key_from(name, {"osier", "Tern"}) == key


def test_the_lowest_free_unit_address_is_found(demo: dict[str, Any]) -> None:
    # The invented basin: 1 to 12 behind Marrowdun; 1 to 6, 8 to 12 and 40 behind Long Scarp.
    assert free_unit(demo, "marrowdun") == 13
    assert free_unit(demo, "long-scarp") == 7
    assert list(units_taken(demo, "marrowdun")) == list(range(1, 13))
    weir = Thing("site", "upper-weir")
    retired = put(demo, weir, {**(find(demo, weir) or {}), "retired": "2026-01-02"})
    assert free_unit(retired, "marrowdun") == 3
