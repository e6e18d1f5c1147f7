"""Taking a change back: exactly where nothing else happened, key by key where something did."""

import copy
import json
from random import Random
from typing import Any

import pytest

from tallymast.domain.setup.proposals import Rename
from tallymast.domain.setup.renaming import renamed_network
from tallymast.domain.setup.undo import Later, as_of, undone
from tallymast.storage.revisions import add_revision

Written = dict[str, Any]

BEFORE: Written = {
    "title": "Two tanks",
    "gateway": [{"key": "mast", "address": "192.0.2.1:502"}, {"key": "hill", "address": "x:1"}],
    "profile": [{"key": "tank", "point": [{"tag": "LVL", "unit": "m"}, {"tag": "VBAT"}]}],
    "site": [
        {"key": "quill", "gateway": "mast", "unit": 1, "supply": {"kind": "solar", "panel_w": 20}},
        {"key": "osier", "gateway": "mast", "unit": 2, "via": "quill"},
        {"key": "teal", "gateway": "hill", "unit": 3},
    ],
}


class _Kept:
    """Takes the row a revision is stored as; stands for a connection."""

    diff = "[]"

    def execute(self, statement: Any, row: dict[str, Any]) -> "_Kept":
        self.diff = row["diff"]
        return self

    def scalar_one(self) -> int:
        return 1


def lines(before: Written, after: Written, *renamed: Rename) -> list[Any]:
    """What the list of revisions keeps of a change."""
    kept = _Kept()
    add_revision(kept, before, after, "local", "form", 0, renamed)  # type: ignore[arg-type]
    found: list[Any] = json.loads(kept.diff)
    return found


def changed(before: Written, **of_quill: Any) -> Written:
    after = copy.deepcopy(before)
    quill = next(one for one in after["site"] if one["key"] == "quill")
    for key, value in of_quill.items():
        if value is None:
            quill.pop(key, None)
        else:
            quill[key] = value
    return after


def test_a_changed_key_goes_back() -> None:
    after = changed(BEFORE, unit=9)
    assert undone(after, lines(BEFORE, after), ()).written == BEFORE


def test_a_later_change_elsewhere_stays() -> None:
    after = changed(BEFORE, unit=9, supply={"kind": "mains"})
    later = changed(after, name="Quill Tank")
    later["title"] = "Three tanks"
    found = undone(later, lines(BEFORE, after), [Later(3, tuple(lines(after, later)))])
    expected = changed(BEFORE, name="Quill Tank")
    expected["title"] = "Three tanks"
    assert found.written == expected
    assert found.clashes == ()


def test_the_later_change_of_the_same_key_is_named() -> None:
    after = changed(BEFORE, unit=9)
    later = changed(after, unit=10)
    last = changed(later, name="Quill")
    found = undone(
        last,
        lines(BEFORE, after),
        [Later(3, tuple(lines(after, later))), Later(4, tuple(lines(later, last)))],
    )
    assert [(one.what, one.number) for one in found.clashes] == [("site quill: unit", 3)]


def test_a_thing_that_was_changed_after_it_came_does_not_vanish_unasked() -> None:
    after = copy.deepcopy(BEFORE)
    after["profile"][0]["point"].append({"tag": "TEMP", "unit": "F"})
    later = copy.deepcopy(after)
    later["profile"][0]["point"][2]["poll"] = "slow"
    found = undone(later, lines(BEFORE, after), [Later(3, tuple(lines(after, later)))])
    assert [one.number for one in found.clashes] == [3]


def test_a_rename_is_renamed_back_with_all_that_speaks_of_it() -> None:
    rename = Rename("site", "quill", "quill-tank")
    after = renamed_network(BEFORE, [rename])
    assert after["site"][1]["via"] == "quill-tank"
    found = undone(after, lines(BEFORE, after, rename), ())
    assert found.written == BEFORE
    assert found.renamed == (Rename("site", "quill-tank", "quill"),)


def test_a_change_is_taken_back_from_a_thing_that_was_renamed_since() -> None:
    after = changed(BEFORE, unit=9)
    rename = Rename("site", "quill", "quill-tank")
    later = renamed_network(after, [rename])
    found = undone(later, lines(BEFORE, after), [Later(3, tuple(lines(after, later, rename)))])
    assert found.written == renamed_network(BEFORE, [rename])
    assert found.renamed == ()


def test_a_thing_renamed_again_is_not_renamed_back() -> None:
    first, second = Rename("site", "quill", "a"), Rename("site", "a", "b")
    after = renamed_network(BEFORE, [first])
    later = renamed_network(after, [second])
    steps = [Later(3, tuple(lines(after, later, second)))]
    assert [one.number for one in undone(later, lines(BEFORE, after, first), steps).clashes] == [3]


def test_the_whole_network_goes_back_through_renames_and_orders() -> None:
    first, second = Rename("site", "quill", "a"), Rename("site", "a", "b")
    one = renamed_network(BEFORE, [first])
    two = copy.deepcopy(one)
    del two["site"][1]
    two["gateway"].reverse()
    three = renamed_network(two, [second])
    steps = [
        Later(2, tuple(lines(BEFORE, one, first))),
        Later(3, tuple(lines(one, two))),
        Later(4, tuple(lines(two, three, second))),
    ]
    found = as_of(three, steps)
    assert found.written == BEFORE
    assert found.renamed == (Rename("site", "b", "quill"),)


# --- any change at all --------------------------------------------------------------------


def any_body(rng: Random) -> Written:
    """Some of the keys a site may have; nested ones, lists and points too."""
    body: Written = {
        key: rng.choice([1, 2, "a", True]) for key in rng.sample("uvw", rng.randint(0, 3))
    }
    if rng.random() < 0.5:
        body["supply"] = {key: rng.randint(1, 2) for key in rng.sample("ks", rng.randint(0, 2))}
    if rng.random() < 0.3:
        body["lock"] = [{"where": "gate"}] * rng.randint(1, 2)
    if tags := rng.sample(["LVL", "VBAT", "RUN", "TOT"], rng.randint(0, 4)):
        body["point"] = [
            {"tag": tag, **{key: rng.randint(1, 2) for key in rng.sample("xy", rng.randint(0, 2))}}
            for tag in tags
        ]
    return body


def any_network(rng: Random) -> Written:
    found: Written = {"title": rng.choice("ab")}
    for table in ("gateway", "profile", "site"):
        if keys := rng.sample("abcde", rng.randint(0, 5)):
            found[table] = [{"key": key, **any_body(rng)} for key in keys]
    return found


@pytest.mark.parametrize("seed", range(8))
def test_any_change_taken_back_gives_the_same_network(seed: int) -> None:
    rng = Random(seed)
    for _ in range(40):
        before, after = any_network(rng), any_network(rng)
        step = lines(before, after)
        assert undone(after, step, ()).written == before
        assert as_of(after, [Later(2, tuple(step))]).written == before


def moved(rng: Random, before: Written) -> Written:
    """A network with one of its things replaced."""
    after = copy.deepcopy(before)
    table = rng.choice([key for key in ("gateway", "profile", "site") if key in before] or ["site"])
    bodies = after.setdefault(table, [{"key": "z"}])
    place = rng.randrange(len(bodies))
    bodies[place] = {"key": bodies[place]["key"], **any_body(rng)}
    return after


@pytest.mark.parametrize("seed", range(8))
def test_a_change_is_taken_back_from_under_another_or_the_other_is_named(seed: int) -> None:
    rng = Random(seed)
    for _ in range(40):
        a = any_network(rng)
        b = moved(rng, a)
        c = moved(rng, b)
        first, second = lines(a, b), lines(b, c)
        assert as_of(c, [Later(2, tuple(first)), Later(3, tuple(second))]).written == a
        found = undone(c, first, [Later(3, tuple(second))])
        if found.clashes:
            assert {one.number for one in found.clashes} == {3}
            continue
        for table in ("gateway", "profile", "site"):
            for key in keys_of(a, b, c, table=table):
                check_keys(*(thing(one, table, key) for one in (a, b, c, found.written)))


def keys_of(*networks: Written, table: str) -> set[str]:
    return {body["key"] for one in networks for body in one.get(table, [])}


def thing(written: Written, table: str, key: str) -> Written:
    return next((one for one in written.get(table, []) if one["key"] == key), {})


def check_keys(a: Written, b: Written, c: Written, found: Written) -> None:
    """What the first change alone touched is as before it; what it did not touch, as it is now."""
    for key in {*a, *b, *c, *found}:
        if a.get(key) == b.get(key):
            assert found.get(key) == c.get(key)
        elif b.get(key) == c.get(key):
            assert found.get(key) == a.get(key)
