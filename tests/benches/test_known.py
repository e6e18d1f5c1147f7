"""The comparison that kills are judged by sees a single wrong number."""

import shutil
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import select, text
from tests.blank import blank

from tallymast import networks
from tallymast.benches.known import BEGIN_MS, DAY_MS, DAYS, HOUR_MS, NETWORK, Known, is_told, known
from tallymast.domain.model import Poll
from tallymast.domain.record.hour_packs import LAST, LEAST, TOTAL, N, pack_hours, unpack_hours
from tallymast.storage import schema
from tallymast.storage.batch import store_polls
from tallymast.storage.changes import insert_many
from tallymast.storage.engine import Database, open_database
from tallymast.storage.hours import close_hours

LATER_MS = BEGIN_MS + DAYS * DAY_MS + 3 * HOUR_MS


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Known]:
    """The network's database before its polls, and the polls; made once, copied for each."""
    file = tmp_path_factory.mktemp("begun") / "tallymast.sqlite3"
    with closing(blank(file)) as database:
        networks.bring_network(database, NETWORK, "known.toml")
        _, plan = networks.load_network(database)
    return file, known(plan.gateways[0].sites[0])


@pytest.fixture(scope="module")
def stored(begun: tuple[Path, Known]) -> Path:
    """The database with all its polls stored and its hours closed."""
    file, truth = begun
    place = file.with_name("stored.sqlite3")
    shutil.copy(file, place)
    with closing(open_database(place)) as database:
        close_with(database, truth.polls)
    return place


@pytest.fixture
def truth(begun: tuple[Path, Known]) -> Known:
    return begun[1]


@pytest.fixture
def empty(begun: tuple[Path, Known], tmp_path: Path) -> Iterator[Database]:
    with closing(open_database(Path(shutil.copy(begun[0], tmp_path)))) as opened:
        yield opened


@pytest.fixture
def database(stored: Path, tmp_path: Path) -> Iterator[Database]:
    with closing(open_database(Path(shutil.copy(stored, tmp_path)))) as opened:
        yield opened


def close_with(database: Database, polls: Sequence[Poll]) -> None:
    with database.writing() as conn:
        store_polls(conn, polls)
    close_hours(database, LATER_MS)


def agrees(database: Database, truth: Known) -> bool:
    with database.reading() as conn:
        return is_told(conn, truth)


def test_what_was_stored_is_told(database: Database, truth: Known) -> None:
    assert agrees(database, truth)


@pytest.mark.parametrize("lost", [0, 700, -1])
def test_one_poll_too_few_is_seen(empty: Database, truth: Known, lost: int) -> None:
    close_with(empty, [poll for poll in truth.polls if poll is not truth.polls[lost]])
    assert not agrees(empty, truth)


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM point_pack WHERE day_ms = (SELECT min(day_ms) FROM point_pack)",
        "UPDATE point_day SET sum = sum + 1000 WHERE day_ms = (SELECT min(day_ms) FROM point_day)",
        "UPDATE point_day SET n = n - 1 WHERE day_ms = (SELECT max(day_ms) FROM point_day)",
        "UPDATE comm_hour SET garbled = garbled + 1 WHERE hour_ms = {hour}",
        "DELETE FROM chunk WHERE start_ms = (SELECT min(start_ms) FROM chunk)",
    ],
)
def test_one_wrong_row_is_seen(database: Database, truth: Known, statement: str) -> None:
    with database.writing() as conn:
        conn.execute(text(statement.format(hour=BEGIN_MS + 30 * HOUR_MS)))
    assert not agrees(database, truth)


@pytest.mark.parametrize(("column", "by"), [(TOTAL, 1), (LEAST, -1), (LAST, 1), (N, 1)])
def test_one_wrong_number_of_a_packed_hour_is_seen(
    database: Database, truth: Known, column: int, by: float
) -> None:
    pack = schema.point_pack
    with database.writing() as conn:
        site_id, day_ms, body = conn.execute(select(pack).order_by(pack.c.day_ms).limit(1)).one()
        first, *others = unpack_hours(bytes(body), day_ms)
        first.rows[0, column] += by
        body = pack_hours([first, *others], day_ms)
        insert_many(conn, pack, [(site_id, day_ms, body)])
    assert not agrees(database, truth)
