"""Old polls go in slices; what they added up to stays, whatever comes late."""

from typing import Any

import pytest
from sqlalchemy import func, select
from tests.storage.test_days import DENVER, KOLKATA, own_days, set_contract, some_polls, store

from tallymast.domain.errors import StorageError
from tallymast.domain.record.chunks import block_widths, columns_of
from tallymast.domain.record.days import Contract
from tallymast.storage import schema
from tallymast.storage.days import close_days
from tallymast.storage.history import store_day
from tallymast.storage.hours import close_hours
from tallymast.storage.readings import raw_series
from tallymast.storage.retention import give_up, kept_from
from tallymast.storage.span_readings import day_series, hour_series

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
DAYS = 14


def filled(planted: Any, contract: Contract) -> tuple[Any, int]:
    """A fortnight of closed days; returns them and a now that is a day later."""
    set_contract(planted.database, contract)
    days = own_days(contract.zone, contract.hour, (2026, 3, 1), DAYS)
    store(planted.database, some_polls(planted, days[0][0], days[-1][1]), days[0][0])
    now_ms = days[-1][1] + DAY_MS
    close_hours(planted.database, now_ms)
    return days, now_ms


def added_up(planted: Any, contract: Contract, days: Any) -> list[list[Any]]:
    span = (days[0][0], days[-1][1])
    with planted.database.reading() as conn:
        hours = hour_series(conn, planted.site_id, "LVL", *span)
        whole = day_series(
            conn, planted.site_id, "LVL", *span, zone=contract.zone, contract_hour=contract.hour
        )
        comm = conn.execute(select(schema.comm_day).order_by(schema.comm_day.c.day_ms)).all()
    columns = [hours.n, hours.mean, hours.changes, whole.n, whole.least, whole.most, whole.on_ms]
    return [*(column.tolist() for column in columns), [tuple(row) for row in comm]]


def same(one: Any, other: Any) -> bool:
    return repr(one) == repr(other)  # NaN equals NaN here


@pytest.mark.parametrize("contract", [DENVER, KOLKATA])
def test_polls_go_and_what_they_added_up_to_stays(planted: Any, contract: Contract) -> None:
    days, now_ms = filled(planted, contract)
    before = added_up(planted, contract, days)
    cutoff_ms = days[10][0] // DAY_MS * DAY_MS
    assert give_up(planted.database, cutoff_ms) > 0
    with planted.database.reading() as conn:
        assert kept_from(conn) == cutoff_ms
        polls = raw_series(conn, planted.site_id, "LVL", days[0][0], days[-1][1])
        first = conn.execute(select(func.min(schema.chunk.c.start_ms))).scalar_one()
    assert polls.at_ms[0] >= cutoff_ms
    assert first == cutoff_ms
    assert same(added_up(planted, contract, days), before)
    assert give_up(planted.database, cutoff_ms) == 0
    # A poll of a day that was given up, two weeks late, changes nothing.
    store(planted.database, [planted.poll(days[2][0] + HOUR_MS)], now_ms)
    close_hours(planted.database, now_ms)
    assert same(added_up(planted, contract, days), before)
    with planted.database.reading() as conn:
        assert conn.execute(select(func.count()).select_from(schema.poll)).scalar_one() == 0


def test_cut_short_the_rest_goes_the_next_time(planted: Any) -> None:
    days, _ = filled(planted, DENVER)
    cutoff_ms = days[12][0] // DAY_MS * DAY_MS
    asked = iter([False])
    first = give_up(planted.database, cutoff_ms, stop=lambda: next(asked, True))
    assert first == 8  # one slice
    assert give_up(planted.database, cutoff_ms) > 0
    with planted.database.reading() as conn:
        assert conn.execute(select(func.min(schema.chunk.c.start_ms))).scalar_one() == cutoff_ms


def test_what_is_not_closed_yet_stays(planted: Any) -> None:
    days, now_ms = filled(planted, DENVER)
    late = planted.poll(days[5][0] + HOUR_MS)
    store(planted.database, [late], now_ms)
    give_up(planted.database, days[12][0])
    with planted.database.reading() as conn:
        first = conn.execute(select(func.min(schema.chunk.c.start_ms))).scalar_one()
    assert first == late.at_ms // DAY_MS * DAY_MS


def test_history_before_what_is_kept_is_refused(planted: Any) -> None:
    days, _ = filled(planted, DENVER)
    give_up(planted.database, days[10][0])
    polls = [planted.poll(days[3][0] + 2 * HOUR_MS)]
    columns = columns_of(polls, block_widths(planted.layout.blocks))
    with pytest.raises(StorageError, match="were given up"):
        store_day(planted.database, planted.site_id, planted.layout, columns)


def test_days_of_another_contract_are_added_up_from_hours_that_stayed(planted: Any) -> None:
    days, now_ms = filled(planted, DENVER)
    give_up(planted.database, days[10][0])
    set_contract(planted.database, KOLKATA)
    close_days(planted.database, now_ms)
    with planted.database.reading() as conn:
        counted = conn.execute(select(func.sum(schema.comm_day.c.asked))).scalar_one()
        hours = conn.execute(select(func.sum(schema.comm_hour.c.asked))).scalar_one()
    assert counted == hours  # each hour counts once
