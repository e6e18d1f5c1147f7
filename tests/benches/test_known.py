"""The comparison that kills are judged by sees a single wrong number."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import text

from tallymast import wiring
from tallymast.benches.known import BEGIN_MS, DAY_MS, DAYS, HOUR_MS, NETWORK, Known, is_told, known
from tallymast.storage.batch import store_polls
from tallymast.storage.engine import Database, open_database
from tallymast.storage.hours import close_hours

LATER_MS = BEGIN_MS + DAYS * DAY_MS + 3 * HOUR_MS


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = open_database(tmp_path / "tallymast.sqlite3")
    yield opened
    opened.close()


@pytest.fixture
def truth(database: Database) -> Known:
    wiring.bring_network(database, NETWORK, "known.toml")
    _, plan = wiring.load_network(database)
    return known(plan.gateways[0].sites[0])


def store_and_close(database: Database, truth: Known) -> None:
    with database.writing() as conn:
        store_polls(conn, truth.polls)
    close_hours(database, LATER_MS)


def agrees(database: Database, truth: Known) -> bool:
    with database.reading() as conn:
        return is_told(conn, truth)


def test_what_was_stored_is_told(database: Database, truth: Known) -> None:
    store_and_close(database, truth)
    assert agrees(database, truth)


@pytest.mark.parametrize("lost", [0, 700, -1])
def test_one_poll_too_few_is_seen(database: Database, truth: Known, lost: int) -> None:
    with database.writing() as conn:
        left = [poll for poll in truth.polls if poll is not truth.polls[lost]]
        store_polls(conn, left)
    close_hours(database, LATER_MS)
    assert not agrees(database, truth)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE point_hour SET sum = sum + 1 WHERE hour_ms = {hour}",
        "UPDATE point_hour SET min = min - 1 WHERE hour_ms = {hour}",
        "UPDATE point_hour SET last = last + 1 WHERE hour_ms = {hour}",
        "DELETE FROM point_hour WHERE hour_ms = {hour}",
        "UPDATE comm_hour SET garbled = garbled + 1 WHERE hour_ms = {hour}",
        "DELETE FROM chunk WHERE start_ms = (SELECT min(start_ms) FROM chunk)",
    ],
)
def test_one_wrong_row_is_seen(database: Database, truth: Known, statement: str) -> None:
    store_and_close(database, truth)
    with database.writing() as conn:
        conn.execute(text(statement.format(hour=BEGIN_MS + 30 * HOUR_MS)))
    assert not agrees(database, truth)
