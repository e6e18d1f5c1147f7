"""The same database in both dialects: schema, network, polls, states, jobs, closed hours."""

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from threading import Thread

import pytest
from sqlalchemy import func, select, text
from sqlalchemy.exc import SQLAlchemyError
from tests.dialects import DIALECTS, database_of
from tests.postgres import migrated_database
from tests.storage.conftest import check_schema, plant

from tallymast import assets
from tallymast.domain import network_file
from tallymast.domain.audit import Act
from tallymast.domain.errors import StorageError
from tallymast.domain.exports import Choice, Extract
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
from tallymast.domain.people import Role
from tallymast.domain.read_plan import read_plan
from tallymast.domain.rounds import KeptRound
from tallymast.storage import (
    audit,
    comms,
    episodes,
    exports,
    hours,
    jobs,
    network,
    notes,
    outages,
    people,
    reliability,
    rounds,
    schema,
    setting,
    states,
    volume_marks,
)
from tallymast.storage.batch import Batch, EpisodeChange, store_batch, store_polls
from tallymast.storage.days import first_day_ms, is_closed, load_contract
from tallymast.storage.engine import Database, open_database
from tallymast.storage.polls import polls_between
from tallymast.storage.readings import raw_series
from tallymast.storage.retention import give_up
from tallymast.storage.sizes import measure
from tallymast.storage.span_readings import day_series
from tallymast.storage.writer import Writer

DEMO = assets.demo_data() / "ombrel-basin.toml"
HOUR_MS = 3_600_000
T0 = 1_772_953_200_000  # 2026-03-08 07:00 UTC, a full hour


@pytest.fixture(params=DIALECTS)
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    with database_of(request, tmp_path) as opened:
        yield opened


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
    check_schema(database)


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


def test_two_polls_at_one_millisecond_are_both_kept(database: Database) -> None:
    _, plan = store_demo(database)
    site = plan.gateways[0].sites[0]
    heard, missed = (a_done(site, T0, one).poll for one in (Outcome.FIRST_TRY, Outcome.NO_ANSWER))
    both = [heard, replace(missed, at_ms=T0 + 1)]
    for polls in ([heard, missed], [missed], [heard]):
        with database.writing() as conn:
            store_polls(conn, polls)
    with database.reading() as conn:
        assert polls_between(conn, site.site_id, T0, T0 + HOUR_MS, 1000).items == both


def test_jobs_and_notes(database: Database) -> None:
    _, plan = store_demo(database)
    site_id = plan.gateways[0].sites[0].site_id
    with database.writing() as conn:
        asked = jobs.ask(conn, "poll", site_id=site_id, actor="local", at_ms=T0)
        notes.add(conn, site_id, at_ms=T0, actor="local", kind="visit", text="Gauge read: 2.84 m")
    with database.reading() as conn:
        assert jobs.waiting(conn, jobs.POLLER) == [asked]
    with database.writing() as conn:
        jobs.update(conn, asked.id, JobState.RUNNING, 0.5, "", T0 + 1)
    with database.writing() as conn:
        assert jobs.fail_abandoned(conn, jobs.POLLER, T0 + 2) == 1
    with database.reading() as conn:
        ended = jobs.job(conn, asked.id)
        assert ended is not None
        assert ended.state is JobState.FAILED
        assert "ask again" in ended.result
        assert jobs.waiting(conn, jobs.POLLER) == []
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


# --- people ---------------------------------------------------------------------------


def test_people_sessions_tokens_and_links_read_back(database: Database) -> None:
    with database.writing() as conn:
        assert people.accounts(conn) == []  # ASVS 5.0.0 6.3.2: no default accounts
        hale = people.add_account(conn, "r.hale", Role.TECHNICIAN, at_ms=T0, password_hash="h")
        other = people.add_account(conn, "\u00e5sa", Role.SUPERVISOR, at_ms=T0)
        assert people.other_supervisors(conn, hale.id) == 0  # she has no password yet
        people.set_password(conn, other.id, "h2", at_ms=T0)
        assert people.other_supervisors(conn, hale.id) == 1
        for n in range(3):
            people.begin_session(
                conn, hale.id, f"key{n}", at_ms=T0 + n, ends_ms=T0 + 100, address="192.0.2.1"
            )
        number = people.add_token(
            conn, "secret", "report", Role.VIEWER, account_id=hale.id, at_ms=T0, ends_ms=T0 + 9
        )
        for purpose in ("a", "b"):
            people.add_link(conn, purpose, "first", "", account_id=None, at_ms=T0, ends_ms=T0 + 50)
    version = database.data_version()
    with database.writing() as conn:
        people.set_role(conn, hale.id, Role.VIEWER, at_ms=T0)
        people.confirm_session(conn, people.digest("key0"), T0 + 40)
        assert people.end_sessions(conn, hale.id, at_ms=T0, but=people.digest("key0")) == 2
        assert people.revoke_token(conn, number, at_ms=T0 + 5)
        assert not people.revoke_token(conn, number, at_ms=T0 + 6)
        assert not people.use_link(conn, "a", T0)  # a newer one stands in its place
        assert people.use_link(conn, "b", T0)
        assert not people.use_link(conn, "b", T0)
    assert database.data_version() != version  # a running server looks again
    with database.reading() as conn:
        assert [one.name for one in people.accounts(conn)] == ["r.hale", "\u00e5sa"]
        assert people.account(conn, "r.hale") == people.accounts(conn)[0]
        (left,) = people.sessions(conn)
        assert (left.hash, left.reauth_ms) == (people.digest("key0"), T0 + 40)
        (token,) = people.tokens(conn)
        assert (token.hash, token.role, token.revoked_ms) == (
            people.digest("secret"),
            Role.VIEWER,
            T0 + 5,
        )


def test_a_closed_account_loses_its_sessions_and_links(database: Database) -> None:
    with database.writing() as conn:
        hale = people.add_account(conn, "r.hale", Role.VIEWER, at_ms=T0, password_hash="h")
        people.begin_session(conn, hale.id, "key", at_ms=T0, ends_ms=T0 + 100, address="")
        people.add_link(
            conn, "link", "password", "r.hale", account_id=hale.id, at_ms=T0, ends_ms=T0 + 50
        )
        people.set_open(conn, hale.id, False, at_ms=T0 + 1)
        assert people.sessions(conn) == []
        assert people.link(conn, "link", T0 + 2) is None
        assert not people.accounts(conn)[0].is_open


@pytest.mark.parametrize(
    "statement", ["UPDATE audit SET sentence = 'Nothing.'", "DELETE FROM audit"]
)
def test_the_audit_only_grows(database: Database, statement: str) -> None:
    act = Act("token.make", "token", "50%_off", {}, {"role": "viewer", "days": 3})
    with database.writing() as conn:
        for n in range(3):
            audit.add(conn, act, at_ms=T0 + n, actor="r.hale", address="192.0.2.1")
    with pytest.raises(StorageError), database.writing() as conn:
        conn.execute(text(statement))
    with database.reading() as conn:
        found = audit.search(conn, audit.Wanted(T0, T0 + 2, "R.HALE 50%_"), 10)
        assert [one.at_ms for one in found] == [T0 + 1, T0]
        assert found[0].after == {"role": "viewer", "days": 3}
        assert audit.search(conn, audit.Wanted(words="50_"), 10) == []
        assert len(audit.search(conn, audit.Wanted(action="token"), 2)) == 2


def test_sizes_days_and_given_up_polls(database: Database) -> None:
    site = plant(database)
    store_some = [site.poll(T0 + n * 60_000) for n in range(0, 3 * 24 * 60, 5)]
    with database.writing() as conn:
        store_batch(conn, Batch(store_some, (), (), ()), T0)
    hours.close_hours(database, T0 + 5 * 24 * HOUR_MS)
    with database.reading() as conn:
        kinds = conn.execute(select(schema.dirty.c.kind)).scalars().all()
        packs = conn.execute(select(func.count()).select_from(schema.point_pack)).scalar_one()
        days = day_series(conn, site.site_id, "LVL", T0, T0 + 3 * 24 * HOUR_MS)
        heard = reliability.contact(conn, 0, T0 + 4 * 24 * HOUR_MS)[site.site_id]
        contract = load_contract(conn)
        by_hour = reliability.site_hours(conn, T0 - HOUR_MS, T0 + 4 * 24 * HOUR_MS, contract)
        lows = reliability.night_lows(conn, [site.site_id], T0, T0 + 24 * HOUR_MS)
    assert kinds == []
    assert packs == 4  # UTC days that the three days touch
    assert days.n.sum() > 0
    assert heard.counts.asked == len(store_some)
    assert by_hour[site.site_id].cells[:, 0].sum() == len(store_some)
    assert by_hour[site.site_id].counts == heard.counts
    assert lows == {}
    sizes = measure(database, T0 + 4 * 24 * HOUR_MS)
    assert sizes.growth is not None
    assert sizes.tables["polls, packed by hour and day"] > 0
    assert give_up(database, T0 + 2 * 24 * HOUR_MS) > 0
    with database.reading() as conn:
        again = day_series(conn, site.site_id, "LVL", T0, T0 + 3 * 24 * HOUR_MS)
    assert again.n.tolist() == days.n.tolist()


def test_an_export_reads_the_same_rows(database: Database) -> None:
    _, plan = store_demo(database)
    site = plan.gateways[0].sites[0]
    with database.writing() as conn:
        store_polls(conn, [a_done(site, T0 + n * 60_000).poll for n in range(90)])
    hours.close_hours(database, T0 + HOUR_MS + 200_000)
    point = next(one for one in site.site.points if one.tag == "LVL")
    choice = Choice(site.site_id, site.site.key, site.site.name, point, 60.0)
    span = (T0, T0 + 2 * HOUR_MS)
    for resolution, rows in (("raw", 90), ("hour", 2), ("day", 1)):
        extract = Extract(
            "Basin",
            "America/Denver",
            0 if resolution == "day" else 7,
            "UTC-07:00",
            resolution,  # type: ignore[arg-type]
            *(span if resolution != "day" else (T0, T0 + 24 * HOUR_MS)),
            (choice,),
            "test",
            T0,
        )
        found = list(exports.batches(database, extract))
        assert sum(len(batch) for batch in found) == rows
        assert len(found) == exports.batch_count(extract)
        quality = [word for batch in found for word in batch.columns[-2 if rows == 90 else -1]]
        assert set(quality) == {"good"}


def test_outages_rounds_and_what_is_handed_over(database: Database) -> None:
    site = plant(database)
    silent = {*range(100, 130), *range(3 * 1440 - 20, 3 * 1440)}  # the second lasts
    polls = [
        site.poll(T0 + n * 60_000, Outcome.NO_ANSWER if n in silent else Outcome.FIRST_TRY)
        for n in range(3 * 1440)
    ]
    now_ms = T0 + 3 * 24 * HOUR_MS
    with database.writing() as conn:
        store_batch(conn, Batch(polls, (), (), ()), T0)
        rounds.keep(conn, KeptRound(20_520, T0, "all 3 sites need nobody.", "", "", ()))
        rounds.keep(conn, KeptRound(20_520, T0 + 1, "later", "", "", ()))
        rounds.hand_over(conn, at_ms=T0, actor="m.okoro", text="Hatch is open on purpose.")
    with database.reading() as conn:
        assert (first_day_ms(conn), is_closed(conn, T0), is_closed(conn, T0 + 1)) == (
            None,
            True,
            False,
        )
    hours.close_hours(database, now_ms)
    with database.reading() as conn:
        found = outages.outages(conn, T0, now_ms, miss_limits={})[site.site_id]
        kept = rounds.newest_before(conn, 20_521)
        assert rounds.between(conn, 20_520, 20_520) == [kept]
        assert rounds.between(conn, 20_521, 20_600) == []
        day_ms = 24 * HOUR_MS
        assert first_day_ms(conn) == T0 // day_ms * day_ms  # without a network: midnight UTC
        assert is_closed(conn, now_ms - 24 * HOUR_MS)
        (handed,) = rounds.handovers(conn, T0, T0 + 1)
    assert [(one.from_ms, one.to_ms, one.missed) for one in found] == [
        (T0 + 100 * 60_000, T0 + 130 * 60_000, 30),
        (now_ms - 20 * 60_000, None, 20),
    ]
    assert kept is not None
    assert kept.headline == "all 3 sites need nobody."
    assert (handed.actor, handed.text) == ("m.okoro", "Hatch is open on purpose.")
    with pytest.raises(StorageError), database.writing() as conn:
        conn.execute(text("DELETE FROM handover"))


@pytest.mark.postgres
def test_another_program_decides_by_what_this_one_has_stored(postgres: str) -> None:
    # An hour that is marked already is marked once more, its poll not yet stored, while another
    # program takes that mark: it has to see the poll, or nobody counts it.
    with migrated_database(postgres) as url, closing(open_database(url)) as here:
        with here.writing() as conn:
            volume_marks.mark_volumes(conn, 1, [T0])
        seen: list[str | None] = []
        with closing(open_database(url)) as there, closing(open_database(url)) as watching:
            with here.writing() as conn:
                volume_marks.mark_volumes(conn, 1, [T0])
                thread = Thread(target=lambda: seen.append(taken(there)))
                thread.start()
                assert is_waited_for(watching, thread)
                setting.keep(conn, "poll", "stored")
            thread.join()
    assert seen == ["stored"]


def taken(database: Database) -> str | None:
    with database.writing() as conn:
        volume_marks.take(conn, 1, T0, T0 + HOUR_MS)
    with database.reading() as conn:
        return setting.load(conn, "poll")


def is_waited_for(database: Database, thread: Thread) -> bool:
    """Look until somebody waits for a lock, or the thread has ended without waiting."""
    waits = text("SELECT count(*) FROM pg_locks WHERE NOT granted")
    while thread.is_alive():
        with database.reading() as conn:
            if conn.execute(waits).scalar_one():
                return True
    return False
