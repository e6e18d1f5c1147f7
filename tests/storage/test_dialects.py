"""The same database in both dialects: schema, network, polls, states, jobs, closed hours."""

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import inspect, text
from sqlalchemy.exc import SQLAlchemyError
from tests.postgres import fresh_database, server

from tallymast import assets
from tallymast.domain import network_file
from tallymast.domain.errors import StorageError
from tallymast.domain.model import (
    GatewayState,
    GatewayStatus,
    JobState,
    Outcome,
    Poll,
    PollDone,
    PollFlag,
    PollPlan,
    SitePlan,
    SiteState,
    SiteStatus,
)
from tallymast.domain.read_plan import read_plan
from tallymast.storage import comms, episodes, hours, jobs, network, notes, schema, states
from tallymast.storage.batch import EpisodeChange
from tallymast.storage.engine import Database, open_database
from tallymast.storage.polls import polls_between
from tallymast.storage.readings import raw_series
from tallymast.storage.writer import Writer

DEMO = assets.demo_data() / "ombrel-basin.toml"
HOUR_MS = 3_600_000
T0 = 1_772_953_200_000  # 2026-03-08 07:00 UTC, a full hour


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    with tempfile.TemporaryDirectory(prefix="tallymast-pg-") as folder, server(Path(folder)) as url:
        yield url


@pytest.fixture(
    params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)],
)
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    target: Path | str = tmp_path / "tallymast.sqlite3"
    if request.param == "postgresql":
        target = fresh_database(request.getfixturevalue("postgres"))
    opened = open_database(target)
    yield opened
    opened.close()


def store_demo(database: Database) -> tuple[network_file.Written, PollPlan]:
    written, whole = network_file.read(DEMO.read_text(encoding="utf-8"), DEMO.name)
    with database.writing() as conn:
        network.store_network(
            conn, written, whole, actor="local", source="file", at_ms=T0, plan_blocks=read_plan
        )
    with database.reading() as conn:
        return written, network.load_plan(conn, whole)


def a_done(plan: SitePlan, at_ms: int, outcome: Outcome = Outcome.FIRST_TRY) -> PollDone:
    fast = [n for n, block in enumerate(plan.layout.blocks) if block.poll == "fast"]
    words = b"".join(b"\x2e\xe0" * plan.layout.blocks[n].words for n in fast)
    got = sum(1 << n for n in fast)
    answered = outcome.is_answered
    poll = Poll(
        plan.site_id,
        at_ms,
        outcome,
        PollFlag.NONE,
        1,
        81.3 if answered else None,
        plan.layout.id,
        got if answered else 0,
        0,
        words if answered else b"",
    )
    count = len(plan.layout.blocks)
    state = SiteState(
        plan.site_id,
        SiteStatus.IN_SERVICE,
        T0,
        plan.layout.id,
        at_ms,
        at_ms if answered else None,
        tuple(b"\x2e\xe0" if n in fast else None for n in range(count)),
        tuple(at_ms if n in fast else None for n in range(count)),
    )
    return PollDone(poll, state)


def test_the_schema_is_what_the_tables_say(database: Database) -> None:
    with database.reading() as conn:
        found = inspect(conn)
        names = set(found.get_table_names()) - {"schema_version"}
        assert names == set(schema.metadata.tables)
        for table in schema.metadata.tables.values():
            columns = {column["name"] for column in found.get_columns(table.name)}
            assert columns == {column.name for column in table.columns}, table.name
            key = found.get_pk_constraint(table.name)["constrained_columns"]
            assert key == [column.name for column in table.primary_key.columns], table.name


def test_a_network_comes_back_key_for_key(database: Database) -> None:
    written, plan = store_demo(database)
    with database.reading() as conn:
        assert network.load_written(conn) == written
        assert network.revision(conn) == plan.revision_id
    assert sum(len(gateway.sites) for gateway in plan.gateways) == 24


def test_storing_the_same_network_again_keeps_its_layouts(database: Database) -> None:
    _, first = store_demo(database)
    _, second = store_demo(database)
    assert second.revision_id > first.revision_id
    for before, after in zip(first.gateways, second.gateways, strict=True):
        assert [one.layout for one in before.sites] == [one.layout for one in after.sites]


def test_polls_states_and_episodes_are_stored_and_come_back(database: Database) -> None:
    _, plan = store_demo(database)
    site = plan.gateways[0].sites[0]
    done = [a_done(site, T0 + n * 15_000) for n in range(10)]
    done[4] = a_done(site, T0 + 4 * 15_000, Outcome.NO_ANSWER)
    writer = Writer(database)
    writer.start()
    for one in done:
        writer.put(one)
    writer.put(GatewayState(plan.gateways[0].gateway_id, GatewayStatus.CONNECTED, T0, cycle_s=6.1))
    writer.put(EpisodeChange("gateway", plan.gateways[0].gateway_id, None, T0, None, "Gone."))
    assert writer.flush()
    writer.stop()
    assert writer.status().state == "ok"
    with database.reading() as conn:
        page = polls_between(conn, site.site_id, T0, T0 + HOUR_MS, 100)
        assert page.items == [one.poll for one in done]
        assert page.next is None
        known = states.load_site_states(conn)[site.site_id]
        assert known == replace(done[-1].state, hour_ms=known.hour_ms)
        gateway = states.load_gateway_states(conn)[plan.gateways[0].gateway_id]
        assert (gateway.status, gateway.cycle_s) == (GatewayStatus.CONNECTED, 6.1)
        counted = comms.counts(conn, T0, T0 + HOUR_MS)[site.site_id]
        assert (counted.asked, counted.answered, counted.missed) == (10, 9, 1)
        found = episodes.between(conn, T0 - 1, T0 + HOUR_MS)
        assert [(one.kind, one.to_ms) for one in found] == [("gateway", None)]


def test_a_second_process_sees_what_changed_since_it_looked(database: Database) -> None:
    _, plan = store_demo(database)
    one, other = plan.gateways[0].sites[:2]
    writer = Writer(database)
    writer.start()
    writer.put(a_done(one, T0))
    assert writer.flush()
    with database.reading() as conn:
        seq, sites, _ = states.states_since(conn, 0)
    assert [state.site_id for state in sites] == [one.site_id]
    writer.put(a_done(other, T0 + 5))
    assert writer.flush()
    writer.stop()
    with database.reading() as conn:
        _, sites, _ = states.states_since(conn, seq)
    assert [state.site_id for state in sites] == [other.site_id]


def test_closed_hours_read_as_open_ones_did(database: Database) -> None:
    _, plan = store_demo(database)
    site = plan.gateways[0].sites[0]
    writer = Writer(database)
    writer.start()
    for n in range(200):
        outcome = Outcome.NO_ANSWER if n % 40 == 7 else Outcome.FIRST_TRY
        writer.put(a_done(site, T0 + n * 15_000, outcome))
    assert writer.flush()
    writer.stop()
    span = (T0, T0 + HOUR_MS)
    with database.reading() as conn:
        before = polls_between(conn, site.site_id, *span, 1000).items
        values = raw_series(conn, site.site_id, "LVL", *span).value
        counted = comms.counts(conn, *span)
    assert hours.close_hours(database, T0 + 3 * HOUR_MS) > 0
    with database.reading() as conn:
        assert conn.execute(text("SELECT count(*) FROM poll")).scalar_one() == 0
        assert polls_between(conn, site.site_id, *span, 1000).items == before
        after = raw_series(conn, site.site_id, "LVL", *span).value
        assert comms.counts(conn, *span) == counted
    assert after.tobytes() == values.tobytes()


def test_jobs_and_notes(database: Database) -> None:
    _, plan = store_demo(database)
    site_id = plan.gateways[0].sites[0].site_id
    with database.writing() as conn:
        asked = jobs.ask(conn, "poll", site_id=site_id, actor="local", at_ms=T0)
        notes.add(conn, site_id, at_ms=T0, actor="local", kind="visit", text="Gauge read: 2.84 m")
    with database.reading() as conn:
        assert jobs.waiting(conn) == [asked]
    with database.writing() as conn:
        jobs.update(conn, asked.id, JobState.RUNNING, 0.5, "", T0 + 1)
    with database.writing() as conn:
        assert jobs.fail_abandoned(conn, T0 + 2) == 1
    with database.reading() as conn:
        ended = jobs.job(conn, asked.id)
        assert ended is not None
        assert ended.state is JobState.FAILED
        assert "ask again" in ended.result
        assert jobs.waiting(conn) == []
        assert [note.text for note in notes.of_site(conn, site_id)] == ["Gauge read: 2.84 m"]


@pytest.mark.parametrize("statement", ["UPDATE note SET text = 'x'", "DELETE FROM note"])
def test_what_is_written_once_stays(database: Database, statement: str) -> None:
    _, plan = store_demo(database)
    with database.writing() as conn:
        notes.add(
            conn,
            plan.gateways[0].sites[0].site_id,
            at_ms=T0,
            actor="local",
            kind="visit",
            text="Fuse clip tightened",
        )
    with pytest.raises((StorageError, SQLAlchemyError)), database.writing() as conn:
        conn.execute(text(statement))


def test_what_fails_in_a_transaction_leaves_nothing_behind(database: Database) -> None:
    written, whole = network_file.read(DEMO.read_text(encoding="utf-8"), DEMO.name)

    class Stop(Exception):
        pass

    with pytest.raises(Stop), database.writing() as conn:
        network.store_network(
            conn, written, whole, actor="local", source="file", at_ms=T0, plan_blocks=read_plan
        )
        raise Stop
    with database.reading() as conn:
        assert network.revision(conn) == 0
        assert conn.execute(text("SELECT count(*) FROM site")).scalar_one() == 0
