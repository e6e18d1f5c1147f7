"""Contract days equal what their polls say, in any zone, however late a poll comes."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sqlalchemy import event, insert, select, update

from tallymast.domain.model import Outcome, Poll, PollFlag
from tallymast.domain.record.days import Contract, hours_of
from tallymast.domain.record.rollups import answers_of
from tallymast.storage import reliability, schema
from tallymast.storage.batch import Batch, store_batch
from tallymast.storage.days import close_days
from tallymast.storage.engine import Database
from tallymast.storage.hours import close_hours
from tallymast.storage.span_readings import day_series

HOUR_MS = 3_600_000
DENVER = Contract("America/Denver", 7)
FIXED = Contract("UTC-07:00", 7)
KOLKATA = Contract("Asia/Kolkata", 6)  # 5:30 from UTC: a day begins within a clock hour
EVERY_MS = 300_000


def instant(zone: str, *at: int) -> int:
    return round(datetime(*at, tzinfo=ZoneInfo(zone)).timestamp() * 1000)  # type: ignore[misc,arg-type]


def set_contract(database: Database, contract: Contract) -> None:
    row = {"time_zone": "Europe/Lisbon", "contract_zone": contract.zone}
    row |= {"contract_hour": contract.hour}  # type: ignore[dict-item]
    with database.writing() as conn:
        if conn.execute(update(schema.network).values(**row)).rowcount == 0:
            more = {"id": 1, "title": "Invented", "written": "[]", "revision_id": 1}
            conn.execute(insert(schema.network).values(**row, **more))


def some_polls(planted: Any, from_ms: int, to_ms: int, seed: int = 3) -> list[Poll]:
    random = Random(seed)
    outcomes = [Outcome.FIRST_TRY] * 6 + [*Outcome]
    return [
        planted.poll(
            at_ms + random.randrange(EVERY_MS),
            random.choice(outcomes),
            flags=random.choice([PollFlag.NONE] * 9 + [PollFlag.REFUSED, PollFlag.MAINTENANCE]),
        )
        for at_ms in range(from_ms, to_ms, EVERY_MS)
    ]


def store(database: Database, polls: Sequence[Poll], now_ms: int) -> None:
    with database.writing() as conn:
        store_batch(conn, Batch(polls, (), (), ()), now_ms)


def level(poll: Poll) -> float:
    """By hand from a_poll: 4000..20000 microamps are 0..5 m."""
    return (int.from_bytes(poll.words[:2], "big") - 4000) / 16000 * 5


def own_days(zone: str, hour: int, first: tuple[int, int, int], n: int) -> list[tuple[int, int]]:
    """The same days by the standard library's wall clock, one by one."""
    begin = datetime(*first, hour)
    walls = [begin + timedelta(days=day) for day in range(n + 1)]
    if zone.startswith("UTC-"):
        starts = [
            round((wall + timedelta(hours=7) - datetime(1970, 1, 1)).total_seconds() * 1000)
            for wall in walls
        ]
    else:
        there = ZoneInfo(zone)
        starts = [round(wall.replace(tzinfo=there).timestamp() * 1000) for wall in walls]
    return list(pairwise(starts))


def check_points(planted: Any, contract: Contract, days: Any, polls: Sequence[Poll]) -> None:
    with planted.database.reading() as conn:
        series = day_series(
            conn,
            planted.site_id,
            "LVL",
            days[0][0],
            days[-1][1],
            zone=contract.zone,
            contract_hour=contract.hour,
        )
    assert series.at_ms.tolist() == [start for start, _ in days]
    for row, (start, end) in enumerate(days):
        levels = [level(p) for p in polls if start <= p.at_ms < end and p.got]
        assert series.n[row] == len(levels)
        if levels:
            assert series.mean[row] == pytest.approx(np.mean(levels), abs=1e-9)
            assert (series.least[row], series.most[row]) == pytest.approx(
                (min(levels), max(levels))
            )
            assert (series.first[row], series.last[row]) == pytest.approx((levels[0], levels[-1]))
            assert series.changes[row] == np.count_nonzero(np.diff(levels))


def check_comm(planted: Any, days: Any, polls: Sequence[Poll]) -> None:
    table = schema.comm_day
    with planted.database.reading() as conn:
        rows = {row.day_ms: row for row in conn.execute(select(table))}
    for start, end in days:
        row = rows[start]
        inside = [
            p for p in polls if start <= p.at_ms < end and PollFlag.MAINTENANCE not in p.flags
        ]
        asked = [p for p in inside if p.outcome is not Outcome.GATEWAY_LOST]
        assert (row.end_ms, row.asked) == (end, len(asked))
        for name in ("first_try", "retried", "no_answer", "garbled", "gateway_lost"):
            of_it = [p for p in inside if p.outcome is Outcome[name.upper()]]
            assert getattr(row, name) == len(of_it)
        assert sum(answers_of(row.answers).values()) == sum(p.answer_ms is not None for p in inside)
        hours = hours_of(row.hours)
        for hour in range(25):
            begin = start + hour * HOUR_MS
            then = [p for p in asked if begin <= p.at_ms < min(begin + HOUR_MS, end)]
            first = [p for p in then if p.outcome is Outcome.FIRST_TRY]
            missed = [p for p in then if not p.outcome.is_answered]
            assert hours[hour].tolist() == [len(then), len(first), len(missed)]


@pytest.mark.parametrize(
    ("contract", "first", "lengths"),
    [
        # Daylight saving begins 2026-03-08 and ends 2026-11-01 in Denver (tz database 2025b);
        # the contract day that holds the change is the one that began the morning before.
        (DENVER, (2026, 3, 6), [24, 23, 24, 24]),
        (DENVER, (2026, 10, 30), [24, 25, 24, 24]),
        (FIXED, (2026, 3, 6), [24, 24, 24, 24]),
        (KOLKATA, (2026, 3, 6), [24, 24, 24, 24]),
    ],
)
def test_days_equal_their_polls(
    planted: Any, contract: Contract, first: tuple[int, int, int], lengths: list[int]
) -> None:
    set_contract(planted.database, contract)
    days = own_days(contract.zone, contract.hour, first, 4)
    assert [(end - start) // HOUR_MS for start, end in days] == lengths
    polls = some_polls(planted, days[0][0], days[-1][1])
    store(planted.database, polls, days[0][0])
    now_ms = days[-1][1] + 6 * HOUR_MS
    close_hours(planted.database, now_ms)
    check_points(planted, contract, days, polls)
    check_comm(planted, days, polls)
    # And again where a poll of the second day comes after all was closed.
    late = planted.poll(days[1][0] + 7 * HOUR_MS + 123)
    store(planted.database, [late], now_ms)
    polls = sorted([*polls, late], key=lambda poll: poll.at_ms)
    check_points(planted, contract, days, polls)  # not closed yet, and told already
    close_hours(planted.database, now_ms)
    check_points(planted, contract, days, polls)
    check_comm(planted, days, polls)


def test_contact_over_days_is_that_of_their_polls(planted: Any) -> None:
    set_contract(planted.database, DENVER)
    days = own_days(DENVER.zone, 7, (2026, 3, 6), 3)
    polls = some_polls(planted, days[0][0], days[-1][1])
    store(planted.database, polls, days[0][0])
    close_hours(planted.database, days[-1][1] + HOUR_MS)
    with planted.database.reading() as conn:
        found = reliability.contact(conn, days[1][0], days[-1][1])[planted.site_id]
        begins, hours = reliability.by_hour(conn, planted.site_id, days[1][0], days[-1][1])
    inside = [
        poll
        for poll in polls
        if days[1][0] <= poll.at_ms < days[-1][1] and PollFlag.MAINTENANCE not in poll.flags
    ]
    asked = [poll for poll in inside if poll.outcome is not Outcome.GATEWAY_LOST]
    assert (found.days, found.counts.asked) == (2, len(asked))
    assert found.counts.missed == sum(not poll.outcome.is_answered for poll in asked)
    assert sum(found.answers.values()) == sum(poll.answer_ms is not None for poll in inside)
    # a_poll answers in 140.0 to 143.6 ms: bucket 28, from 2^(28/4) = 128 to 152 ms.
    assert set(found.answers) == {28}
    for begin, row in zip(begins.tolist(), hours.tolist(), strict=True):
        then = [poll for poll in asked if begin <= poll.at_ms < begin + HOUR_MS]
        first = [poll for poll in then if poll.outcome is Outcome.FIRST_TRY]
        missed = [poll for poll in then if not poll.outcome.is_answered]
        assert row == [len(then), len(first), len(missed)]
    assert hours[:, 0].sum() == len(asked)


def test_a_kept_day_is_read_without_its_hours(planted: Any) -> None:
    set_contract(planted.database, DENVER)
    days = own_days(DENVER.zone, 7, (2026, 3, 6), 3)
    store(planted.database, some_polls(planted, days[0][0], days[-1][1]), days[0][0])
    close_hours(planted.database, days[-1][1] + HOUR_MS)
    said: list[str] = []
    with planted.database.reading() as conn:
        event.listen(conn, "before_cursor_execute", lambda *told: said.append(told[2]))
        day_series(
            conn, planted.site_id, "LVL", days[0][0], days[-1][1], zone=DENVER.zone, contract_hour=7
        )
    assert any("FROM point_day" in one for one in said)
    assert not any("FROM point_hour" in one for one in said)


def test_days_are_computed_anew_when_the_contract_changes(planted: Any) -> None:
    set_contract(planted.database, DENVER)
    days = own_days(DENVER.zone, 7, (2026, 3, 6), 4)
    polls = some_polls(planted, days[0][0], days[-1][1])
    store(planted.database, polls, days[0][0])
    now_ms = days[-1][1] + 24 * HOUR_MS
    close_hours(planted.database, now_ms)
    set_contract(planted.database, FIXED)
    fixed = own_days(FIXED.zone, 7, (2026, 3, 6), 4)
    check_points(planted, FIXED, fixed, polls)  # by their hours, before anything is computed
    close_days(planted.database, now_ms)
    check_points(planted, FIXED, fixed, polls)
    with planted.database.reading() as conn:
        kept = conn.execute(select(schema.comm_day.c.day_ms, schema.comm_day.c.end_ms)).all()
    assert {(row[0], row[1]) for row in kept} >= set(fixed)
    assert all(end - start == 24 * HOUR_MS for start, end in kept)


def test_a_database_of_before_days_gets_them(planted: Any) -> None:
    set_contract(planted.database, DENVER)
    days = own_days(DENVER.zone, 7, (2026, 3, 6), 3)
    polls = some_polls(planted, days[0][0], days[-1][1])
    store(planted.database, polls, days[0][0])
    now_ms = days[-1][1] + 24 * HOUR_MS
    close_hours(planted.database, now_ms)
    with planted.database.writing() as conn:
        for table in (schema.comm_day, schema.point_day, schema.dirty, schema.setting):
            conn.execute(table.delete())
    asked = iter([False, False, False, True])
    close_days(planted.database, now_ms, stop=lambda: next(asked, True))  # cut short
    check_points(planted, DENVER, days, polls)
    close_days(planted.database, now_ms)
    check_points(planted, DENVER, days, polls)
    check_comm(planted, days, polls)


def test_the_day_that_goes_on_is_not_kept_yet(planted: Any) -> None:
    set_contract(planted.database, DENVER)
    (start, end), *_ = own_days(DENVER.zone, 7, (2026, 3, 6), 1)
    polls = some_polls(planted, start, end - 5 * HOUR_MS)
    store(planted.database, polls, start)
    close_hours(planted.database, end - HOUR_MS)
    with planted.database.reading() as conn:
        assert conn.execute(select(schema.comm_day)).all() == []
    check_points(planted, DENVER, [(start, end)], polls)
