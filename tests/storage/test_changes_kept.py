"""Drafts and the list of changes, in both dialects."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.dialects import DIALECTS, database_of

from tallymast.domain import network_file
from tallymast.domain.setup.proposals import Rename
from tallymast.domain.setup.undo import Later, as_of
from tallymast.storage import drafts, network, revision_list
from tallymast.storage.engine import Database

Written = dict[str, Any]

FIRST: Written = {
    "gateway": [{"key": "mast", "address": "192.0.2.1:502"}],
    "profile": [
        {
            "key": "tank",
            "point": [{"tag": "LVL", "kind": "analog-input", "table": "input", "register": 0}],
        }
    ],
    "site": [
        {"key": "b", "gateway": "mast", "unit": 1, "profile": "tank"},
        {"key": "a", "gateway": "mast", "unit": 2, "profile": "tank"},
    ],
}


@pytest.fixture(params=DIALECTS)
def either(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    with database_of(request, tmp_path) as opened:
        yield opened


def put(database: Database, written: Written, **how: Any) -> int:
    whole = network_file.build(written, "x")
    with database.writing() as conn:
        return network.store_network(
            conn, written, whole, actor="local", source="form", at_ms=7, **how
        )


def test_the_list_knows_who_took_back_whom(either: Database) -> None:
    first = put(either, FIRST)
    second = put(either, {**FIRST, "title": "Two"}, sentence="Named it.")
    third = put(either, FIRST, undoes=second)
    with either.reading() as conn:
        found = revision_list.newest(conn, 2)
        assert [(one.number, one.undoes, one.undone_by) for one in found] == [
            (third, second, None),
            (second, None, third),
        ]
        assert found[1].sentence == "Named it."
        assert [one.number for one in revision_list.newest(conn, 9, before=second)] == [first]
        assert revision_list.first(conn) == first
        assert revision_list.of_number(conn, third + 1) is None


def test_what_is_kept_of_changes_leads_back_to_the_first_network(either: Database) -> None:
    first = put(either, FIRST)
    put(either, {**FIRST, "site": [FIRST["site"][1]]})
    renamed = {**FIRST, "site": [{**FIRST["site"][1], "key": "c"}]}
    put(either, renamed, renamed=[Rename("site", "a", "c")])
    with either.reading() as conn:
        steps = [Later(n, tuple(lines)) for n, lines in revision_list.later(conn, first)]
        found = as_of(network.load_written(conn), steps)
    assert found.written == FIRST  # the sites in their order, too
    assert found.renamed == (Rename("site", "c", "a"),)


def test_a_draft_is_its_sender_s_until_it_ends(either: Database) -> None:
    how = {"actor": "tess", "revision_id": 1, "at_ms": 1000}
    with either.writing() as conn:
        mine = drafts.add(conn, "network", "net.toml", {"text": "é"}, account_id=None, **how)
        other = drafts.add(conn, "tables", "s.csv", {"grids": []}, account_id=5, **how)
    with either.writing() as conn:
        drafts.put_body(conn, mine, {"text": "mended"})
        found = drafts.of_id(conn, mine, None, 2000)
        assert found is not None
        assert (found.kind, found.name, found.body) == ("network", "net.toml", {"text": "mended"})
        assert drafts.of_id(conn, other, None, 2000) is None
        assert [one.id for one in drafts.open_of(conn, 5, 2000)] == [other]
        drafts.end(conn, mine, 3000)
        assert drafts.of_id(conn, mine, None, 3000) is None
        assert drafts.end_old(conn, 1000 + drafts.KEPT_MS - 1) == 0
        assert drafts.end_old(conn, 1000 + drafts.KEPT_MS) == 1
        assert drafts.open_of(conn, 5, 2000) == []
