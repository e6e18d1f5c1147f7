"""Alarms are kept whole: how they stand, what happened to them, and what is set up no more."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import func, insert, select, text, update
from tests.dialects import DIALECTS, database_of

from tallymast.domain.alarms.model import (
    Alarm,
    AlarmState,
    Condition,
    Entry,
    Event,
    Kind,
    Standing,
    Step,
)
from tallymast.domain.errors import StorageError
from tallymast.domain.model import Priority
from tallymast.storage import alarm_rows, alarms, schema
from tallymast.storage.engine import Database

from .conftest import Planted, plant

AT = 1_772_964_000_000
HIGH, SILENT, STORAGE = "weir-1/LVL/high", "weir-1//comm-fail", "//storage"
EVERYTHING = Standing(
    state=AlarmState.ACKNOWLEDGED,
    condition=Condition.UNKNOWN,
    raised_ms=AT - 9,
    cleared_ms=AT - 8,
    acked_ms=AT - 7,
    acked_by="r.hale",
    pending_ms=AT - 6,
    pending_n=2,
    seen_ms=AT - 5,
    value="2.84 m",
    shelved_until_ms=AT + 4,
    shelved_by="m.okoro",
    shelved_why="Painted.",
    suppressed_by="Its gateway is lost.",
    out_of_service="r.hale: no probe",
    first=True,
    is_held_told=True,
)


@pytest.fixture(params=DIALECTS)
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    with database_of(request, tmp_path) as opened:
        yield opened


@pytest.fixture
def planted(database: Database) -> Planted:
    return plant(database)


def made(*keys: str) -> dict[str, Alarm]:
    known = {
        HIGH: Alarm(HIGH, Kind.HIGH, Priority.HIGH, "weir-1", "LVL", limit=2.8, latched=True),
        SILENT: Alarm(SILENT, Kind.COMM_FAIL, Priority.NORMAL, "weir-1"),
        STORAGE: Alarm(STORAGE, Kind.STORAGE, Priority.URGENT),
    }
    return {key: known[key] for key in keys}


def entry(at_ms: int, key: str = HIGH, event: Event = Event.RAISED, note: str = "") -> Entry:
    return Entry(at_ms, key, event, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, note=note)


def keep(database: Database, key: str, one: Standing, *entries: Entry) -> int:
    with database.writing() as conn:
        return alarms.keep(conn, {key: Step(one, entries)}, AT)


def enter(database: Database, some: dict[str, Alarm], at_ms: int = AT) -> bool:
    with database.writing() as conn:
        return alarm_rows.enter(conn, some, at_ms)


def test_a_standing_comes_back_as_it_was_kept(planted: Planted) -> None:
    enter(planted.database, made(HIGH, SILENT, STORAGE))
    keep(planted.database, HIGH, EVERYTHING)
    keep(planted.database, STORAGE, Standing())
    with planted.database.reading() as conn:
        assert alarms.load(conn) == {HIGH: EVERYTHING, STORAGE: Standing()}
        assert alarms.of_keys(conn, [HIGH, SILENT]) == {HIGH: EVERYTHING}


def test_only_what_was_stored_later_is_read_again(planted: Planted) -> None:
    enter(planted.database, made(HIGH, SILENT))
    first = keep(planted.database, HIGH, EVERYTHING)
    second = keep(planted.database, SILENT, Standing(AlarmState.UNACKNOWLEDGED))
    assert second > first
    with planted.database.reading() as conn:
        assert alarms.since(conn, first) == (second, {SILENT: Standing(AlarmState.UNACKNOWLEDGED)})
        assert alarms.since(conn, second) == (second, {})


def test_the_journal_tells_the_newest_first_and_goes_on_where_it_ended(planted: Planted) -> None:
    enter(planted.database, made(HIGH, SILENT, STORAGE))
    keep(planted.database, HIGH, EVERYTHING, entry(AT + 2, note="second"), entry(AT, note="first"))
    keep(planted.database, SILENT, EVERYTHING, entry(AT + 5, SILENT, note="third"))
    with planted.database.reading() as conn:
        whole = alarms.journal(conn, AT, AT + 6)
        assert [one.note for _, one in whole] == ["third", "second", "first"]
        assert whole[2][1] == entry(AT, note="first")
        (number, _), *_ = page = alarms.journal(conn, AT, AT + 6, limit=1)
        assert [one.note for _, one in page] == ["third"]
        rest = alarms.journal(conn, AT, AT + 6, before_id=number)
        assert [one.note for _, one in rest] == ["second", "first"]
        assert [one.note for _, one in alarms.journal(conn, AT + 1, AT + 5)] == ["second"]
        assert len(alarms.journal(conn, AT, AT + 6, alarm=SILENT)) == 1
        assert len(alarms.journal(conn, AT, AT + 6, site="weir-1")) == 3
        assert alarms.journal(conn, AT, AT + 6, site="weir") == []


@pytest.mark.parametrize("act", ["UPDATE alarm_journal SET at_ms = 0", "DELETE FROM alarm_journal"])
def test_a_line_of_the_journal_is_never_changed(planted: Planted, act: str) -> None:
    keep(planted.database, HIGH, EVERYTHING, entry(AT))
    with pytest.raises(StorageError), planted.database.writing() as conn:
        conn.execute(text(act))
    with planted.database.reading() as conn:
        assert len(alarms.journal(conn, 0, AT + 1)) == 1


def test_a_transaction_that_fails_keeps_neither_state_nor_journal(planted: Planted) -> None:
    enter(planted.database, made(HIGH))
    with pytest.raises(StorageError), planted.database.writing() as conn:
        alarms.keep(conn, {HIGH: Step(EVERYTHING, (entry(AT),))}, AT)
        conn.execute(text("INSERT INTO no_such_table VALUES (1)"))
    with planted.database.reading() as conn:
        assert alarms.load(conn) == {}
        assert alarms.journal(conn, 0, AT + 1) == []


def test_what_was_never_entered_is_kept_by_its_key_and_taken_up_later(planted: Planted) -> None:
    keep(planted.database, HIGH, EVERYTHING, entry(AT))
    with planted.database.reading() as conn:
        (number,) = alarms.ids(conn).values()
    enter(planted.database, made(HIGH))
    with planted.database.reading() as conn:
        assert alarms.ids(conn) == {HIGH: number}
        row = conn.execute(select(schema.alarm)).one()
    assert (row.kind, row.priority, row.site_id) == ("high", "high", planted.site_id)


def test_entering_the_same_again_changes_nothing(planted: Planted) -> None:
    assert enter(planted.database, made(HIGH, STORAGE))
    assert not enter(planted.database, made(HIGH, STORAGE))
    other = {HIGH: replace(made(HIGH)[HIGH], limit=3.1), **made(STORAGE)}
    assert enter(planted.database, other)
    with planted.database.reading() as conn:
        assert conn.execute(select(func.count()).select_from(schema.alarm)).scalar() == 2
        row = conn.execute(select(schema.alarm.c.params).where(schema.alarm.c.key == HIGH))
        assert row.scalar() == '{"call_when":"","limit":3.1}'


def test_what_is_set_up_no_more_is_retired_and_its_history_stays(planted: Planted) -> None:
    enter(planted.database, made(HIGH, STORAGE))
    keep(planted.database, HIGH, EVERYTHING, entry(AT))
    with planted.database.reading() as conn:
        number = alarms.ids(conn)[HIGH]
    enter(planted.database, made(STORAGE), AT + 10)
    with planted.database.reading() as conn:
        assert alarms.load(conn) == {}
        assert HIGH not in alarms.ids(conn)
        assert alarms.key_of(conn, number) == HIGH
        ended, raised = (one for _, one in alarms.journal(conn, 0, AT + 11))
    assert raised == entry(AT)
    assert (ended.at_ms, ended.event, ended.before) == (AT + 10, Event.CLEARED, EVERYTHING.state)
    assert ended.after is AlarmState.NORMAL
    enter(planted.database, made(HIGH, STORAGE), AT + 20)  # it is back, and the same one
    with planted.database.reading() as conn:
        assert alarms.ids(conn)[HIGH] == number


def test_a_site_with_another_key_takes_its_alarms_along(planted: Planted) -> None:
    enter(planted.database, made(HIGH))
    keep(planted.database, HIGH, EVERYTHING, entry(AT))
    with planted.database.writing() as conn:
        conn.execute(update(schema.site).values(key="upper-weir"))
    renamed = Alarm("upper-weir/LVL/high", Kind.HIGH, Priority.HIGH, "upper-weir", "LVL")
    enter(planted.database, {renamed.key: renamed}, AT + 10)
    with planted.database.reading() as conn:
        assert alarms.load(conn) == {renamed.key: EVERYTHING}
        (line,) = alarms.journal(conn, 0, AT + 11, site="upper-weir")
    assert line[1].alarm == renamed.key


def test_two_alarms_that_are_set_up_never_share_a_key(planted: Planted) -> None:
    enter(planted.database, made(HIGH))
    with planted.database.reading() as conn:
        row = dict(conn.execute(select(schema.alarm)).one()._mapping)
    with pytest.raises(StorageError), planted.database.writing() as conn:
        conn.execute(insert(schema.alarm), {**row, "id": 999, "point_id": None})


def test_many_at_once_are_kept_as_few_are(database: Database) -> None:
    plant(database)
    steps = {
        f"weir-1/T{n}/high": Step(
            replace(EVERYTHING, pending_n=n), (entry(AT, f"weir-1/T{n}/high"),)
        )
        for n in range(500)
    }
    with database.writing() as conn:
        alarms.keep(conn, steps, AT)
    with database.reading() as conn:
        found = alarms.of_keys(conn, list(steps))
        assert found == {key: step.standing for key, step in steps.items()}
        assert len(alarms.journal(conn, AT, AT + 1, limit=1000)) == 500


def test_two_alarms_of_one_kind_at_one_point_keep_their_own_rows(planted: Planted) -> None:
    # A supply has a warning and an urgent one; what changes of one leaves both where they are.
    keys = ("weir-1/LVL/supply-low", "weir-1/LVL/supply-far-low")
    both = {
        key: Alarm(key, Kind.SUPPLY, Priority.HIGH, "weir-1", "LVL", limit=12.3) for key in keys
    }
    with planted.database.writing() as conn:
        alarm_rows.enter(conn, both, AT)
        before = alarms.ids(conn)
        changed = {key: replace(one, limit=12.1) for key, one in both.items()}
        alarm_rows.enter(conn, changed, AT + 1)
        assert {key: alarms.ids(conn)[key] for key in keys} == {key: before[key] for key in keys}
        assert not alarm_rows.enter(conn, changed, AT + 2)
