"""What waits for the database is bounded: the oldest polls lose their words, then themselves.

A poll is taken for 420 bytes and its words (storage/writer.py). Those here bring 250 bytes of
words, a whole block of 125 registers: 670 bytes a poll.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from threading import Event

import pytest
from sqlalchemy import select
from tests.storage.conftest import Planted

from tallymast.domain.errors import StorageError
from tallymast.domain.model import Poll, PollDone, SiteState, SiteStatus
from tallymast.storage import episodes, schema
from tallymast.storage.engine import Database
from tallymast.storage.writer import Writer

T0 = 1_772_953_200_000  # 2026-03-08 07:00 UTC
LIMIT = 20 * 670


def done(planted: Planted, n: int) -> PollDone:
    words = n.to_bytes(2, "big") * 125
    poll = planted.poll(T0 + n * 10_000, words=words, got=1)
    state = SiteState(planted.site_id, SiteStatus.IN_SERVICE, T0, planted.layout.id, poll.at_ms)
    return PollDone(poll, state)


def put(writer: Writer, planted: Planted, numbers: range) -> list[Poll]:
    some = [done(planted, n) for n in numbers]
    for one in some:
        writer.put(one)
    return [one.poll for one in some]


def a_writer(database: Database, **more: object) -> Writer:
    return Writer(
        database,
        limit_bytes=LIMIT,
        now_ms=lambda: T0 + 7,
        **more,  # type: ignore[arg-type]
    )


def stored(database: Database) -> list[tuple[int, int]]:
    """Each stored poll's number and how many bytes of words it has."""
    with database.reading() as conn:
        rows = conn.execute(select(schema.poll).order_by(schema.poll.c.at_ms)).all()
    return [((row.at_ms - T0) // 10_000, len(row.words)) for row in rows]


def losses(database: Database) -> list[str]:
    with database.reading() as conn:
        found = episodes.between(conn, 0, T0 + 10**9, kind="storage")
    assert all(one.from_ms == one.to_ms == T0 + 7 for one in found)
    return [one.reason for one in found]


@pytest.mark.parametrize(
    ("polls", "stripped", "dropped"),
    [
        # By hand: 20 polls fill 13 400 bytes; each more, up to the 30th, costs 670 and takes
        # words of 250 from as many of the oldest as are needed: (n - 20) * 670 / 250, rounded up.
        (20, 0, 0),
        (21, 3, 0),
        (22, 6, 0),
        (25, 14, 0),
        (30, 27, 0),
        (31, 30, 0),
        # 32 without any words are 13 440 bytes: one too many. From here on each drops one.
        (32, 32, 1),
        (40, 40, 9),
    ],
)
def test_the_oldest_lose_their_words_first_and_then_themselves(
    planted: Planted, polls: int, stripped: int, dropped: int
) -> None:
    writer = a_writer(planted.database)
    put(writer, planted, range(polls))
    status = writer.status()
    assert (status.stripped, status.dropped) == (stripped, dropped)
    assert status.waiting == polls - dropped
    writer.start()
    assert writer.flush()
    writer.stop()
    assert stored(planted.database) == [
        (n, 0 if n < stripped else 250) for n in range(dropped, polls)
    ]


def test_what_keeps_no_words_keeps_its_outcome_and_time(planted: Planted) -> None:
    writer = a_writer(planted.database)
    oldest = put(writer, planted, range(25))[0]
    writer.start()
    assert writer.flush()
    writer.stop()
    with planted.database.reading() as conn:
        row = conn.execute(select(schema.poll).order_by(schema.poll.c.at_ms)).first()
    assert row is not None
    assert (row.at_ms, row.outcome, row.tries) == (oldest.at_ms, oldest.outcome, oldest.tries)
    assert (row.answer_ms, row.got, row.words) == (oldest.answer_ms, 0, b"")


class Refusing:
    """A database that refuses while ``is_full``, once whoever writes has been let go on."""

    def __init__(self, database: Database) -> None:
        self.database = database
        self.is_full = True
        self.tried, self.go_on = Event(), Event()

    @contextmanager
    def writing(self) -> Iterator[object]:
        if self.is_full:
            self.tried.set()
            assert self.go_on.wait(30)
            raise StorageError("The disk is full.")
        with self.database.writing() as conn:
            yield conn


@pytest.fixture
def refusing(planted: Planted, monkeypatch: pytest.MonkeyPatch) -> Refusing:
    monkeypatch.setattr("tallymast.storage.writer._PAUSE_S", 3600.0)  # until it is asked
    return Refusing(planted.database)


def test_what_comes_while_a_try_is_under_way_is_not_lost_in_place_of_older(
    planted: Planted, refusing: Refusing
) -> None:
    writer = a_writer(refusing)  # type: ignore[arg-type]
    put(writer, planted, range(20))
    writer.start()
    assert refusing.tried.wait(30)  # the first twenty are in the database's hands
    put(writer, planted, range(20, 22))
    refusing.is_full = False
    refusing.go_on.set()
    assert writer.flush()
    writer.stop()
    assert stored(planted.database) == [(n, 0 if n < 6 else 250) for n in range(22)]
    assert (writer.status().stripped, writer.status().dropped) == (6, 0)


def test_a_try_that_never_ends_is_bounded_too(planted: Planted, refusing: Refusing) -> None:
    writer = a_writer(refusing)  # type: ignore[arg-type]
    put(writer, planted, range(20))
    writer.start()
    assert refusing.tried.wait(30)
    put(writer, planted, range(20, 400))
    # An eighth more than the limit may wait meanwhile: 1675 bytes, three polls without words.
    assert writer.status().waiting == 23
    refusing.is_full = False
    refusing.go_on.set()
    assert writer.flush()
    writer.stop()
    status = writer.status()
    assert status.dropped + len(stored(planted.database)) == 400


def test_each_loss_is_told_once_with_its_own_numbers(planted: Planted, refusing: Refusing) -> None:
    refusing.is_full = False
    writer = a_writer(refusing, commit_every_s=3600.0)  # type: ignore[arg-type]
    put(writer, planted, range(32))
    assert losses(planted.database) == []
    writer.start()
    assert writer.flush()
    told = "The database refused for so long that {} polls lost their values and {} were lost"
    first, second = told.format(32, 1), told.format(6, 0)
    assert [reason[: len(first)] for reason in losses(planted.database)] == [first]
    put(writer, planted, range(100, 120))
    assert writer.flush()  # as many as fit: nothing new to tell
    assert len(losses(planted.database)) == 1
    refusing.is_full = True
    put(writer, planted, range(200, 222))
    refusing.go_on.set()
    writer.flush(timeout_s=0.2)
    refusing.is_full = False
    assert writer.flush()
    writer.stop()
    assert len(losses(planted.database)) == 2
    assert losses(planted.database)[1].startswith(second)
    assert (writer.status().stripped, writer.status().dropped) == (38, 1)
