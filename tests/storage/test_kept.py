"""A database of every released schema opens with this version, and nothing of it is lost."""

import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import MetaData, Table, create_engine, insert, select, text
from tests.dialects import DIALECTS
from tests.postgres import copy_of, fresh_database
from tests.storage.conftest import check_schema
from tests.storage.kept.steps import all_steps, bring_to, dump_of, kept_steps
from tests.storage.kept.world import (
    CHANGED_MS,
    DAY_0,
    DAY_MS,
    HOUR_MS,
    NOW_MS,
    SITES,
    Visit,
    polls,
    visits,
)

from tallymast.domain import network_file
from tallymast.domain.errors import StorageError
from tallymast.domain.model import Outcome, PollPlan
from tallymast.storage import comms, network, schema
from tallymast.storage.engine import Database, open_database
from tallymast.storage.layouts import load_layouts
from tallymast.storage.polls import polls_between
from tallymast.storage.readings import raw_series
from tallymast.storage.span_readings import hour_series

SPAN = (DAY_0, DAY_0 + 2 * DAY_MS)
TRUTH: dict[str, Callable[[Visit], float]] = {  # in the words' own numbers
    "LVL": lambda one: one.level_ua,
    "TOT": lambda one: one.total,
    "DOOR": lambda one: one.door,
    "BATT": lambda one: one.volts,
}
Rows = dict[str, list[dict[str, Any]]]


def rows_of(step: str) -> Rows:
    """Every row of a kept database, by table, as its release left it."""
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.executescript(dump_of(step))
        connection.row_factory = sqlite3.Row
        names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
        return {
            name: [dict(row) for row in connection.execute(f'SELECT * FROM "{name}"')]
            for (name,) in names
            if name != "schema_version"
        }


def load(step: str, file: Path) -> Path:
    with closing(sqlite3.connect(file)) as connection:
        connection.executescript(dump_of(step))
    return file


def load_postgres(step: str, url: str) -> str:
    """The same rows in a PostgreSQL database of that step."""
    engine = create_engine(url.replace("postgresql://", "postgresql+psycopg://"))
    bring_to(engine, step)
    rows, tables = rows_of(step), MetaData()
    with engine.begin() as conn:
        tables.reflect(conn)
        conn.execute(text("DELETE FROM tick"))  # the first step puts one in
        conn.execute(text("SET LOCAL session_replication_role = replica"))  # sealed rows go in too
        for table in tables.sorted_tables:
            if rows.get(table.name):
                conn.execute(insert(table), rows[table.name])
            _advance_serial(conn, table)
    engine.dispose()
    return url


def _advance_serial(conn: Any, table: Table) -> None:
    serial = conn.execute(
        text("SELECT pg_get_serial_sequence(:name, 'id') WHERE :has"),
        {"name": f'"{table.name}"', "has": "id" in table.c},
    ).scalar()
    if serial:
        newest = f'SELECT setval(:serial, (SELECT max(id) FROM "{table.name}"))'
        conn.execute(text(newest), {"serial": serial})


@pytest.fixture(params=kept_steps())
def step(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@cache
def brought_up(step: str) -> bytes:
    """A kept database's file as it is once this version has opened it."""
    with tempfile.TemporaryDirectory(prefix="tallymast-kept-") as folder:
        file = load(step, Path(folder) / "kept.sqlite3")
        open_database(file).close()
        return file.read_bytes()


@cache
def brought_up_postgres(step: str, server: str) -> str:
    """The URL of a kept database that this version has opened."""
    url = load_postgres(step, fresh_database(server))
    open_database(url).close()
    return url


@pytest.fixture(params=DIALECTS)
def database(request: pytest.FixtureRequest, step: str, tmp_path: Path) -> Iterator[Database]:
    """A copy of a kept database that was opened: that brings its schema up to date."""
    if request.param == "postgresql":
        server = request.getfixturevalue("postgres")
        kept = brought_up_postgres(step, server)
        with copy_of(server, kept) as url, closing(open_database(url)) as opened:
            yield opened
        return
    file = tmp_path / "kept.sqlite3"
    file.write_bytes(brought_up(step))
    with closing(open_database(file)) as opened:
        yield opened


def test_a_database_is_kept_of_every_released_schema() -> None:
    steps = all_steps()
    missing = set(steps[:-1]) - set(kept_steps())  # the newest may not be released yet
    assert not missing, "see tests/storage/kept/make.py: a released schema is kept"
    assert set(kept_steps()) <= set(steps)


def test_what_is_kept_has_a_row_in_each_of_its_tables(step: str) -> None:
    assert [name for name, rows in rows_of(step).items() if not rows] == []


def test_an_old_schema_becomes_what_the_tables_say(database: Database) -> None:
    check_schema(database)
    assert database.quick_check() is None


def test_an_old_file_is_built_as_a_new_one_is(step: str, tmp_path: Path) -> None:
    # Indexes, checks, triggers: whatever SQLite writes down of a schema.
    built = []
    for file in (load(step, tmp_path / "old"), tmp_path / "new"):
        open_database(file).close()
        with closing(sqlite3.connect(file)) as connection:
            query = "SELECT type, name, tbl_name, sql FROM sqlite_master"
            built.append(set(connection.execute(query)))
    assert built[0] == built[1]


def test_every_row_is_still_there(database: Database, step: str) -> None:
    with database.reading() as conn:
        for name, before in rows_of(step).items():
            table = schema.metadata.tables[name]
            after = [dict(row._mapping) for row in conn.execute(select(table))]
            for row in before:
                shared = [{key: one[key] for key in row if key in one} for one in after]
                assert {key: row[key] for key in row if key in table.c} in shared, name


@pytest.mark.parametrize("site", SITES)
def test_polls_read_as_they_were_put_in(database: Database, site: str) -> None:
    site_id = SITES.index(site) + 1
    plan = the_plan(database)
    with database.reading() as conn:
        found = polls_between(conn, site_id, *SPAN, 1000).items
        layouts = load_layouts(conn, {poll.layout_id for poll in found})
        assert len(layouts) == 2  # the level's scale was changed on the first day
        newest = plan.gateways[0].sites[site_id - 1].layout
        older = next(one for one in layouts.values() if one.id != newest.id)
        truth = visits(site)
        assert found == [
            *polls([one for one in truth if one.at_ms < CHANGED_MS], site_id, older),
            *polls([one for one in truth if one.at_ms >= CHANGED_MS], site_id, newest),
        ]
        for tag in [point.tag for point in newest.points]:
            series = raw_series(conn, site_id, tag, *SPAN)
            good = series.quality > 0
            answered = [one for one in truth if one.outcome.is_answered]
            assert series.at_ms[good].tolist() == [one.at_ms for one in answered]
            assert series.raw[good].tolist() == [TRUTH[tag](one) for one in answered]
        level = raw_series(conn, site_id, "LVL", *SPAN)
    expected = [one.level_m for one in truth if one.outcome.is_answered]
    assert level.value[level.quality > 0].tolist() == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("site", SITES)
def test_hours_read_as_their_polls_say(database: Database, site: str) -> None:
    site_id = SITES.index(site) + 1
    with database.reading() as conn:
        series = hour_series(conn, site_id, "LVL", *SPAN)
        counted = comms.counts(conn, *SPAN)[site_id]
    for row, hour_ms in enumerate(series.at_ms.tolist()):
        inside = [one for one in visits(site) if hour_ms <= one.at_ms < hour_ms + HOUR_MS]
        levels = [one.level_m for one in inside if one.outcome.is_answered]
        assert series.n[row] == len(levels)
        if levels:
            found = (series.least[row], series.mean[row], series.most[row], series.last[row])
            expected = (min(levels), float(np.mean(levels)), max(levels), levels[-1])
            assert found == pytest.approx(expected, abs=1e-9)
    outcomes = [one.outcome for one in visits(site)]
    assert counted.asked == len(outcomes)
    assert counted.retried == outcomes.count(Outcome.RETRIED)
    assert counted.no_answer == outcomes.count(Outcome.NO_ANSWER)


def test_rows_written_once_still_stay(database: Database, step: str) -> None:
    kept = [name for name in schema.APPEND_ONLY if name in rows_of(step)]
    assert {"revision", "note"} <= set(kept)
    for name in kept:
        for statement in (f"UPDATE {name} SET at_ms = 0", f"DELETE FROM {name}"):
            with pytest.raises(StorageError), database.writing() as conn:
                conn.execute(text(statement))


def test_an_old_database_goes_on_being_written(database: Database) -> None:
    plan = the_plan(database)
    with database.writing() as conn:
        written = network.load_written(conn)
        again = network.store_network(
            conn,
            {**written, "title": "Two gates, later"},
            network_file.build({**written, "title": "Two gates, later"}, "kept.toml"),
            actor="local",
            source="file",
            at_ms=NOW_MS,
        )
    assert again > plan.revision_id
    assert the_plan(database).gateways == plan.gateways


def test_opening_twice_changes_nothing(step: str, tmp_path: Path) -> None:
    file = load(step, tmp_path / "kept.sqlite3")
    contents = []
    for _ in range(2):
        open_database(file).close()
        with closing(sqlite3.connect(file)) as connection:
            contents.append(list(connection.iterdump()))
    assert contents[0] == contents[1]


def test_a_kill_while_an_old_file_is_brought_up_to_date_leaves_it_as_it_was(
    tmp_path: Path,
) -> None:
    oldest = kept_steps()[0]
    file = load(oldest, tmp_path / "kept.sqlite3")
    with closing(sqlite3.connect(file)) as connection:
        before = list(connection.iterdump())
    program = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from sqlalchemy import event\n"
        "from sqlalchemy.engine import Engine\n"
        "from tallymast.storage.engine import open_database\n"
        "seen = []\n"
        "@event.listens_for(Engine, 'after_cursor_execute')\n"
        "def count(conn, cursor, statement, *rest):\n"
        "    if statement.strip().startswith(('CREATE', 'UPDATE schema_version')):\n"
        "        seen.append(statement)\n"
        "        if len(seen) == int(sys.argv[2]):\n"
        "            os._exit(9)\n"
        "open_database(Path(sys.argv[1]))\n"
    )
    for after in (1, 2, 5, 9):
        command = [sys.executable, "-c", program, str(file), str(after)]
        assert subprocess.run(command, check=False, timeout=60).returncode == 9
        with closing(sqlite3.connect(file)) as connection:
            assert list(connection.iterdump()) == before
    database = open_database(file)
    check_schema(database)
    assert database.quick_check() is None
    with database.reading() as conn:
        assert len(polls_between(conn, 1, *SPAN, 1000).items) == len(visits(SITES[0]))
    database.close()


def the_plan(database: Database) -> PollPlan:
    with database.reading() as conn:
        whole = network_file.build(network.load_written(conn), "kept.toml")
        return network.load_plan(conn, whole)
