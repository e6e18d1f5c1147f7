"""Outages read from days, hours and fresh polls are those one sees by walking along the polls."""

from random import Random
from typing import Any

import pytest
from sqlalchemy import update
from tests.storage.test_days import DENVER, FIXED, KOLKATA, instant, set_contract, store

from tallymast.domain.model import Outcome, Poll, PollFlag
from tallymast.domain.record.days import Contract
from tallymast.storage import schema
from tallymast.storage.days import close_days
from tallymast.storage.hours import close_hours
from tallymast.storage.outages import known_from, miss_runs, outages

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
EVERY_MS = 300_000


def some_polls(planted: Any, from_ms: int, to_ms: int) -> list[Poll]:
    """Every five minutes; silences of some polls or some hours; people and gateways in between."""
    random, polls, silent = Random(7), [], 0
    for at_ms in range(from_ms, to_ms, EVERY_MS):
        if silent == 0 and random.random() < 0.04:
            silent = random.choice([1, 2, 3, 5, 12, 40, 150])
        outcome = random.choice([Outcome.NO_ANSWER, Outcome.GARBLED]) if silent else None
        silent = max(0, silent - 1)
        flags = PollFlag.MAINTENANCE if random.random() < 0.03 else PollFlag.NONE
        if random.random() < 0.03:
            outcome = Outcome.GATEWAY_LOST
        polls.append(planted.poll(at_ms, outcome or Outcome.FIRST_TRY, flags=flags))
    return polls


def by_eye(polls: list[Poll], limit: int) -> list[tuple[int, int | None, int, int | None]]:
    found: list[tuple[int, int | None, int, int | None]] = []
    run: list[int] = []
    before: int | None = None
    for poll in polls:
        if poll.flags & PollFlag.MAINTENANCE or poll.outcome is Outcome.GATEWAY_LOST:
            continue
        if not poll.outcome.is_answered:
            run.append(poll.at_ms)
            continue
        if len(run) >= limit:
            found.append((run[0], poll.at_ms, len(run), before))
        run, before = [], poll.at_ms
    if len(run) >= limit:
        found.append((run[0], None, len(run), before))
    return found


@pytest.mark.parametrize("contract", [DENVER, FIXED, KOLKATA], ids=["dst", "fixed", "half-hour"])
def test_outages_are_those_of_the_polls(planted: Any, contract: Contract) -> None:
    set_contract(planted.database, contract)
    begin = instant("UTC", 2026, 3, 6, 3)
    now = begin + 4 * DAY_MS + 5 * HOUR_MS + 20 * 60_000
    polls = some_polls(planted, begin, now)
    store(planted.database, polls, now)
    close_hours(planted.database, now)
    with planted.database.reading() as conn:
        found = outages(conn, begin, now, miss_limits={planted.site_id: 3})
    shown = [(one.from_ms, one.to_ms, one.missed, one.last_answer_ms) for one in found[1]]
    assert shown == by_eye(polls, 3)
    assert len(shown) > 5


def test_before_anything_is_closed_they_are_the_same(planted: Any) -> None:
    begin = instant("UTC", 2026, 3, 6, 3)
    now = begin + DAY_MS
    polls = some_polls(planted, begin, now)
    store(planted.database, polls, now)
    with planted.database.reading() as conn:
        open_ones = outages(conn, begin, now, miss_limits={})
    close_hours(planted.database, now + 10 * 60_000)
    with planted.database.reading() as conn:
        closed_ones = outages(conn, begin, now, miss_limits={})
    assert open_ones == closed_ones != {}


def test_hours_stored_before_runs_were_kept_are_not_taken_for_good_ones(planted: Any) -> None:
    begin = instant("UTC", 2026, 3, 6, 3)
    now = begin + 3 * DAY_MS
    store(planted.database, some_polls(planted, begin, now), now)
    close_hours(planted.database, now)
    lost_ms = begin + DAY_MS
    with planted.database.writing() as conn:
        table = schema.comm_hour
        conn.execute(update(table).where(table.c.hour_ms < lost_ms).values(runs=None))
        days = schema.comm_day
        conn.execute(update(days).where(days.c.day_ms < lost_ms).values(runs=None))
    close_days(planted.database, now)
    with planted.database.reading() as conn:
        found = outages(conn, begin, now, miss_limits={})[1]
        first = known_from(conn)
    assert first is not None
    assert first >= lost_ms
    assert all(one.from_ms >= lost_ms for one in found)
    assert found


def test_how_many_runs_there_were_is_told_too(planted: Any) -> None:
    begin = instant("UTC", 2026, 3, 6, 3)
    now = begin + 2 * DAY_MS
    polls = some_polls(planted, begin, now)
    store(planted.database, polls, now)
    close_hours(planted.database, now)
    with planted.database.reading() as conn:
        runs = miss_runs(conn, begin, now)[1]
    assert runs.n == len(by_eye(polls, 1))
