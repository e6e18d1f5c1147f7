"""Closed hours read back equal truth, however and whenever they were closed."""

from collections.abc import Callable, Sequence
from random import Random
from typing import Any

import numpy as np
import pytest
from sqlalchemy import event, func, select

from tallymast.domain.model import HourCounts, Outcome, Poll, PollFlag
from tallymast.domain.record.spans import SpanSeries
from tallymast.storage import comms, schema
from tallymast.storage.batch import Batch, store_batch, store_polls
from tallymast.storage.engine import Database
from tallymast.storage.hours import close_hours
from tallymast.storage.polls import polls_between
from tallymast.storage.readings import raw_series
from tallymast.storage.span_readings import OpenHours, hour_series

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
DAY_0 = 1_772_928_000_000  # 2026-03-08T00:00:00Z
CLOSABLE_MS = HOUR_MS + 180_000  # an hour may be closed 3 min after its end


def some_polls(planted: Any, hours: int, seed: int = 1) -> list[Poll]:
    """A poll a minute with every outcome in it, each at its own millisecond."""
    random = Random(seed)
    outcomes = [Outcome.FIRST_TRY] * 8 + [*Outcome]
    return [
        planted.poll(
            DAY_0 + minute * 60_000 + random.randrange(60_000),
            random.choice(outcomes),
            flags=random.choice([PollFlag.NONE] * 9 + [PollFlag.REFUSED, PollFlag.MAINTENANCE]),
        )
        for minute in range(60 * hours)
    ]


def store(database: Database, polls: Sequence[Poll], now_ms: int = DAY_0) -> None:
    with database.writing() as conn:
        store_batch(conn, Batch(polls, (), (), ()), now_ms)


def all_polls(planted: Any) -> list[Poll]:
    with planted.database.reading() as conn:
        return polls_between(conn, planted.site_id, 0, DAY_0 + 9 * DAY_MS, 10**6).items


def counted(polls: Sequence[Poll]) -> HourCounts:
    """The same from the polls themselves, one by one."""
    some = [poll for poll in polls if PollFlag.MAINTENANCE not in poll.flags]
    by = {name: sum(poll.outcome is outcome for poll in some) for name, outcome in OUTCOMES}
    refused = sum(PollFlag.REFUSED in poll.flags and poll.outcome.is_answered for poll in some)
    return HourCounts(**by, refused=refused)


OUTCOMES = [(outcome.name.lower(), outcome) for outcome in Outcome]


def rows_in(database: Database, table: Any) -> int:
    with database.reading() as conn:
        return conn.execute(select(func.count()).select_from(table)).scalar_one()


def snapshot(database: Database) -> list[Any]:
    """Everything closing makes, bytes and all."""
    with database.reading() as conn:
        return [
            conn.execute(select(table).order_by(*table.primary_key.columns)).all()
            for table in (schema.chunk, schema.comm_hour, schema.point_hour, schema.poll)
        ]


def check_whole(planted: Any, polls: Sequence[Poll]) -> None:
    """Polls, counts of any span and rollups agree with the polls that were put in."""
    truth = sorted(polls, key=lambda poll: poll.at_ms)
    assert all_polls(planted) == truth
    for from_ms, to_ms in ((DAY_0, DAY_0 + DAY_MS), (DAY_0 + 2_700_000, DAY_0 + 2 * HOUR_MS)):
        inside = [poll for poll in truth if from_ms <= poll.at_ms < to_ms]
        with planted.database.reading() as conn:
            assert comms.counts(conn, from_ms, to_ms)[planted.site_id] == counted(inside)
            heard = comms.contact(conn, from_ms, to_ms)[planted.site_id]
        assert heard.counts == counted(inside)
        tape = heard.tape
        for quarter, (asked, missed) in enumerate(tape.tolist()):
            start = from_ms + quarter * 900_000
            then = counted([p for p in inside if start <= p.at_ms < start + 900_000])
            assert (asked, missed) == (then.asked, then.missed)
    check_hours(planted, truth)


def check_hours(planted: Any, truth: Sequence[Poll]) -> None:
    where = (planted.site_id, "LVL", DAY_0, DAY_0 + DAY_MS)
    with planted.database.reading() as conn:
        check_spans(hour_series(conn, *where), truth)
        opened = OpenHours(conn, planted.site_id, 0, DAY_0 + DAY_MS)
        check_spans(hour_series(conn, *where, opened), truth)


def check_spans(series: SpanSeries, truth: Sequence[Poll]) -> None:
    for row, start in enumerate(series.at_ms.tolist()):
        levels = [
            # By hand from a_poll: 4000..20000 microamps are 0..5 m.
            (int.from_bytes(poll.words[:2], "big") - 4000) / 16000 * 5
            for poll in truth
            if start <= poll.at_ms < start + HOUR_MS and poll.got
        ]
        assert series.n[row] == len(levels)
        if levels:
            assert series.mean[row] == pytest.approx(np.mean(levels), abs=1e-9)
            assert series.least[row] == pytest.approx(min(levels), abs=1e-9)
            assert series.last[row] == pytest.approx(levels[-1], abs=1e-9)


def test_open_hours_read_equal_truth(planted: Any) -> None:
    polls = some_polls(planted, 3)
    store(planted.database, polls)
    check_whole(planted, polls)


def test_closed_hours_read_equal_truth(planted: Any) -> None:
    polls = some_polls(planted, 3)
    store(planted.database, polls)
    assert close_hours(planted.database, DAY_0 + 2 * HOUR_MS + CLOSABLE_MS) == 3
    assert rows_in(planted.database, schema.poll) == 0
    assert rows_in(planted.database, schema.chunk) == 3
    check_whole(planted, polls)


def test_an_hour_stays_open_until_three_minutes_after_its_end(planted: Any) -> None:
    store(planted.database, some_polls(planted, 1))
    assert close_hours(planted.database, DAY_0 + CLOSABLE_MS - 1) == 0
    assert close_hours(planted.database, DAY_0 + CLOSABLE_MS) == 1


def test_closing_twice_changes_nothing(planted: Any) -> None:
    store(planted.database, some_polls(planted, 2))
    close_hours(planted.database, DAY_0 + 5 * HOUR_MS)
    before = snapshot(planted.database)
    with planted.database.writing() as conn:
        schema_rows = [{"kind": "hour", "key_id": planted.site_id, "start_ms": DAY_0}]
        conn.execute(schema.dirty.insert(), schema_rows)
    assert close_hours(planted.database, DAY_0 + 5 * HOUR_MS) == 1
    assert snapshot(planted.database) == before


def test_closed_late_after_a_gap_reads_equal_truth(planted: Any) -> None:
    # Polling ended on the first morning and Tallymast starts again three days later.
    polls = some_polls(planted, 2)
    later = [planted.poll(DAY_0 + 3 * DAY_MS + n * 60_000) for n in range(90)]
    store(planted.database, polls + later)
    assert close_hours(planted.database, DAY_0 + 3 * DAY_MS + HOUR_MS + CLOSABLE_MS) == 4
    assert all_polls(planted) == sorted(polls, key=lambda poll: poll.at_ms) + later
    check_hours(planted, polls)


def test_a_late_poll_marks_its_closed_hour_and_is_merged(planted: Any) -> None:
    polls = some_polls(planted, 2)
    late, now_ms = planted.poll(DAY_0 + 1_234_567), DAY_0 + 4 * HOUR_MS
    store(planted.database, polls)
    close_hours(planted.database, now_ms)
    store(planted.database, [late], now_ms)
    with planted.database.reading() as conn:
        marks = conn.execute(select(schema.dirty).where(schema.dirty.c.kind == "hour")).all()
    assert marks == [("hour", planted.site_id, DAY_0)]
    check_whole(planted, [*polls, late])
    assert close_hours(planted.database, now_ms) == 1
    with planted.database.reading() as conn:
        kinds = conn.execute(select(schema.dirty.c.kind)).scalars().all()
    assert kinds == ["day", "pack"]  # it is not over yet
    check_whole(planted, [*polls, late])


def test_a_late_poll_into_a_merged_day_is_merged(planted: Any) -> None:
    polls = some_polls(planted, 24)
    now_ms = DAY_0 + DAY_MS + 3 * HOUR_MS
    store(planted.database, polls)
    close_hours(planted.database, now_ms)
    with planted.database.reading() as conn:
        spans = conn.execute(select(schema.chunk.c.span)).scalars().all()
    assert spans == [24]
    late = planted.poll(DAY_0 + 5 * HOUR_MS + 77)
    store(planted.database, [late], now_ms)
    close_hours(planted.database, now_ms)
    check_whole(planted, [*polls, late])
    assert rows_in(planted.database, schema.chunk) == 1


def test_a_day_merges_only_when_nothing_late_is_to_be_expected(planted: Any) -> None:
    store(planted.database, some_polls(planted, 24))
    close_hours(planted.database, DAY_0 + DAY_MS + 2 * HOUR_MS - 1)
    assert rows_in(planted.database, schema.chunk) == 24
    close_hours(planted.database, DAY_0 + DAY_MS + 2 * HOUR_MS)
    assert rows_in(planted.database, schema.chunk) == 1


def test_a_poll_that_comes_while_its_hour_is_being_closed_is_kept(planted: Any) -> None:
    polls = some_polls(planted, 1)
    store(planted.database, polls)
    late = planted.poll(DAY_0 + 600_001)
    asked = iter(range(100))

    def stop() -> bool:
        # Asked before the hour, then before the site: between reading hot rows and closing.
        if next(asked) == 1:
            store(planted.database, [late])
        return False

    close_hours(planted.database, DAY_0 + CLOSABLE_MS, stop=stop)
    assert rows_in(planted.database, schema.poll) == 1
    check_whole(planted, [*polls, late])
    close_hours(planted.database, DAY_0 + CLOSABLE_MS)
    assert rows_in(planted.database, schema.poll) == 0
    check_whole(planted, [*polls, late])


def test_stop_ends_between_two_hours(planted: Any) -> None:
    store(planted.database, some_polls(planted, 4))
    asked = iter([False, False, True] + [True] * 9)
    assert close_hours(planted.database, DAY_0 + DAY_MS, stop=lambda: next(asked)) == 1


def test_two_layouts_in_one_hour_keep_their_meaning(
    planted: Any, other_layout: Callable[..., Any]
) -> None:
    # From the half hour on the tank's gauge is scaled 0..10 m.
    changed = other_layout(planted, value=(0.0, 10.0))
    polls = [planted.poll(DAY_0 + n * 60_000) for n in range(30)]
    polls += [planted.poll(DAY_0 + n * 60_000, layout_id=changed.id) for n in range(30, 60)]
    store(planted.database, polls)
    close_hours(planted.database, DAY_0 + CLOSABLE_MS)
    assert all_polls(planted) == polls
    with planted.database.reading() as conn:
        series = raw_series(conn, planted.site_id, "LVL", DAY_0, DAY_0 + HOUR_MS)
        hour = hour_series(conn, planted.site_id, "LVL", DAY_0, DAY_0 + HOUR_MS)
    raw = [int.from_bytes(poll.words[:2], "big") for poll in polls]
    truth = [(r - 4000) / 16000 * (5 if n < 30 else 10) for n, r in enumerate(raw)]
    assert series.value.tolist() == pytest.approx(truth, abs=1e-9)
    assert hour.n.tolist() == [60]
    assert hour.mean[0] == pytest.approx(np.mean(truth), abs=1e-9)


def test_words_that_fit_no_layout_never_stop_an_hour(
    planted: Any, caplog: pytest.LogCaptureFixture
) -> None:
    odd = planted.poll(DAY_0 + 1, words=b"\x01", got=3)
    store(planted.database, [odd, planted.poll(DAY_0 + 2)])
    assert close_hours(planted.database, DAY_0 + CLOSABLE_MS) == 1
    assert "loses its words" in caplog.text
    assert [(poll.at_ms, poll.got) for poll in all_polls(planted)] == [
        (DAY_0 + 1, 0),
        (DAY_0 + 2, 3),
    ]


def test_the_same_poll_stored_twice_is_one_poll(planted: Any) -> None:
    poll = planted.poll(DAY_0 + 5)
    store(planted.database, [poll])
    store(planted.database, [poll])
    close_hours(planted.database, DAY_0 + CLOSABLE_MS)
    with planted.database.writing() as conn:
        store_polls(conn, [poll])
    close_hours(planted.database, DAY_0 + CLOSABLE_MS)
    assert all_polls(planted) == [poll]


def test_maintenance_is_kept_apart_and_its_time_added_up(planted: Any) -> None:
    from tallymast.storage.episodes import open_episode

    store(planted.database, [planted.poll(DAY_0 + 9, flags=PollFlag.MAINTENANCE)])
    with planted.database.writing() as conn:
        # 10 and 20 minutes that overlap by 5: 25; the third began before the hour: 2 more.
        for start, end in ((600_000, 1_200_000), (900_000, 2_100_000), (-60_000, 120_000)):
            open_episode(
                conn,
                "maintenance",
                site_id=planted.site_id,
                from_ms=DAY_0 + start,
                to_ms=DAY_0 + end,
                reason="Visit.",
            )
    close_hours(planted.database, DAY_0 + CLOSABLE_MS)
    with planted.database.reading() as conn:
        row = conn.execute(select(schema.comm_hour)).one()
    assert (row.asked, row.maintenance_ms) == (0, 27 * 60_000)


def test_no_count_reads_the_whole_years_table(planted: Any) -> None:
    # SQLite, EXPLAIN QUERY PLAN: SCAN reads every row, SEARCH follows a key.
    asked: list[str] = []

    def note(conn: Any, cursor: Any, statement: str, *rest: object) -> None:
        asked.append(statement)

    with planted.database.reading() as conn:
        event.listen(conn, "before_cursor_execute", note)
        comms.counts(conn, DAY_0 + 1, DAY_0 + DAY_MS)
        comms.contact(conn, DAY_0, DAY_0 + DAY_MS)
        told = [
            row[3]
            for statement in [one for one in asked if "comm_hour" in one]
            for row in conn.exec_driver_sql(
                f"EXPLAIN QUERY PLAN {statement}", (0,) * statement.count("?")
            )
        ]
    assert len([line for line in told if line.startswith("SEARCH comm_hour")]) >= 2
    assert not [line for line in told if line.startswith("SCAN comm_hour")]
