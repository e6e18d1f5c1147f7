"""Old messages go with their tries; what waits or calls stays, and the log refuses as before."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import func, select, text
from tests.blank import blank
from tests.postgres import fresh_database

from tallymast.domain.alarms.model import Alarm, AlarmState, Kind, Standing, Step
from tallymast.domain.errors import StorageError
from tallymast.domain.model import Priority
from tallymast.domain.telling.model import (
    Contact,
    Delivery,
    MessageKind,
    NewMessage,
    Occurrence,
    Try,
    TryOutcome,
    Way,
)
from tallymast.storage import ack_links, alarm_rows, alarms, contacts, messages, schema
from tallymast.storage.engine import Database, open_database
from tallymast.storage.old_messages import forget

DAY = 86_400_000
NOW = 1_772_964_000_000  # 2026-03-08 10:00 UTC
OLD = NOW - 401 * DAY  # ours: messages are kept for 400 days, whole UTC days
RAISED = OLD - 5
ALARM = Alarm("//storage", Kind.STORAGE, Priority.URGENT)


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    if request.param == "postgresql":
        opened = open_database(fresh_database(request.getfixturevalue("postgres")))
    else:
        opened = blank(tmp_path / "tallymast.sqlite3")
    yield opened
    opened.close()


def store(
    database: Database,
    at_ms: int = OLD,
    raised_ms: int = RAISED,
    *,
    waits: bool = False,
    n: int = 1,
) -> int:
    """Store messages that were handed over at once, or wait; return the last one's number."""
    times = (Occurrence(ALARM.key, raised_ms),)
    state = Delivery.WAITING if waits else Delivery.HANDED
    outcome = TryOutcome.FAILED if waits else TryOutcome.HANDED
    dana = Contact(0, "Dana", Way.MAIL, "dana@example.org")
    with database.writing() as conn:
        told = next(iter(contacts.in_use(conn)), None) or contacts.add(conn, dana, OLD)
        new = NewMessage(told.id, MessageKind.ALARM, Priority.URGENT, "S", "B\n", times, at_ms)
        for made in messages.store(conn, [new] * n, at_ms):
            ack_links.make_ack_link(conn, made.id, at_ms)
            messages.tried(conn, Try(made.id, 1, at_ms, outcome, "said"), state, at_ms)
    return made.id


def stands(database: Database, state: AlarmState, raised_ms: int = RAISED) -> None:
    with database.writing() as conn:
        alarm_rows.enter(conn, {ALARM.key: ALARM}, OLD)
        alarms.keep(conn, {ALARM.key: Step(Standing(state, raised_ms=raised_ms))}, NOW)


def left(database: Database) -> list[int]:
    with database.reading() as conn:
        return sorted(one.id for one in messages.log(conn, limit=1000))


def count(database: Database, table: str) -> int:
    with database.reading() as conn:
        query = select(func.count()).select_from(schema.metadata.tables[table])
        return int(conn.execute(query).scalar_one())


def test_old_messages_go_with_their_tries_and_the_log_refuses_changes_as_before(
    database: Database,
) -> None:
    old, waits = store(database), store(database, waits=True)
    young, newest = store(database, NOW - 399 * DAY), store(database, NOW - 20 * DAY)
    assert forget(database, NOW) == 1
    assert left(database) == [waits, young, newest]
    assert old not in left(database)
    assert (count(database, "message_try"), count(database, "once")) == (3, 1)
    for act in ("DELETE FROM message_try", "UPDATE message_try SET said = ''"):
        with (
            pytest.raises(StorageError, match="message_try rows are never changed"),
            database.writing() as conn,
        ):
            conn.execute(text(act))
    assert forget(database, NOW) == 0


@pytest.mark.parametrize("state", [one for one in AlarmState if one is not AlarmState.NORMAL])
def test_what_tells_of_an_alarm_that_stands_or_is_not_acknowledged_stays(
    tmp_path: Path, state: AlarmState
) -> None:
    database = blank(tmp_path / "tallymast.sqlite3")
    told, before, newest = store(database), store(database, OLD, OLD - DAY), store(database, NOW)
    stands(database, state)
    assert forget(database, NOW) == 1
    assert left(database) == [told, newest]
    assert before not in left(database)  # of an earlier time, which is over
    stands(database, AlarmState.NORMAL)
    assert forget(database, NOW) == 1
    database.close()


def test_many_go_in_small_steps_and_a_number_is_never_given_twice(tmp_path: Path) -> None:
    database = blank(tmp_path / "tallymast.sqlite3")
    store(database, n=105)
    asked = iter([False])
    assert forget(database, NOW, stop=lambda: next(asked, True)) == 100  # one slice
    assert forget(database, NOW) == 4
    assert left(database) == [105]  # the newest number stays taken
    assert store(database, NOW) == 106
    database.close()
