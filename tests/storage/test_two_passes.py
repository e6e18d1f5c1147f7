"""A clock three hours ahead is put right across a restart: both passes are read, hot and closed."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import select
from tests.storage.conftest import Planted, plant
from tests.storage.test_hours import (
    CLOSABLE_MS,
    DAY_0,
    DAY_MS,
    HOUR_MS,
    all_polls,
    check_hours,
    counted,
    rows_in,
    store,
)

from tallymast.domain import contact
from tallymast.domain.model import Outcome, Poll, SiteState, SiteStatus
from tallymast.storage import comms, schema, states
from tallymast.storage.batch import Batch, EpisodeChange, store_batch, store_polls
from tallymast.storage.engine import Database, open_database
from tallymast.storage.hours import close_hours
from tallymast.storage.readings import Goodness, raw_series
from tallymast.storage.span_readings import day_series

AHEAD_MS = 3 * HOUR_MS
MINUTE_MS = 60_000
BEGIN_MS = DAY_0 + 8 * HOUR_MS + 30_000  # what the time really is
RIGHT_MS = BEGIN_MS + 150 * MINUTE_MS  # when the clock is put right, at 10:30
END_MS = DAY_0 + 16 * HOUR_MS


@dataclass
class Site:
    """A polled site whose state lies in the database between two runs of the program."""

    planted: Planted
    truth: list[Poll] = field(default_factory=list)
    steps: int = 0

    def poll(self, wall_ms: int, **change: object) -> None:
        """Record a poll as the poller does: stamped, with an episode where time was broken."""
        with self.planted.database.reading() as conn:
            kept = states.load_site_states(conn).get(self.planted.site_id)
        state = kept or contact.first_state(self.planted.layout, SiteStatus.NEVER_ANSWERED, wall_ms)
        at_ms, broken = contact.stamp(wall_ms, state.last_poll_ms)
        change = {"words": body(len(self.truth))} | change
        poll = self.planted.poll(at_ms, **change)  # type: ignore[arg-type]
        self._store(poll, replace(state, last_poll_ms=at_ms), broken, state.last_poll_ms, wall_ms)
        self.truth.append(poll)

    def _store(
        self, poll: Poll, state: SiteState, broken: bool, last_ms: int | None, now_ms: int
    ) -> None:
        self.steps += broken
        step = EpisodeChange("clock", None, poll.site_id, poll.at_ms, last_ms, "Set back.")
        batch = Batch([poll], [state], [], [step] if broken else [])
        with self.planted.database.writing() as conn:
            store_batch(conn, batch, now_ms)


def body(number: int) -> bytes:
    """Words that no other poll of the test has: a level of its own."""
    return np.array([12_000 + number, 1, number, 3], ">u2").tobytes()


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """The first pass: ahead by three hours, its hours closed by the same wrong clock; restarted."""
    file = tmp_path / "clock.sqlite3"
    database = open_database(file)
    made = Site(plant(database))
    for now_ms in range(BEGIN_MS, RIGHT_MS, MINUTE_MS):
        made.poll(now_ms + AHEAD_MS)
        close_hours(database, now_ms + AHEAD_MS)
    assert rows_in(database, schema.chunk) == 2  # the hours of 11 and 12 were closed early
    database.close()
    again = open_database(file)
    made.planted = replace(made.planted, database=again)
    yield made
    again.close()


def check(site: Site) -> None:
    """Every poll of every pass, what is counted and the hours agree with what was polled.

    Where passes met at one millisecond they lie a few apart, in no order that matters.
    """
    found = all_polls(site.planted)
    assert len({poll.at_ms for poll in found}) == len(found) == len(site.truth)
    told = {poll.words: poll for poll in found}
    for poll in site.truth:
        mine = told[poll.words]
        assert 0 <= mine.at_ms - poll.at_ms <= 2  # three passes at most
        assert replace(mine, at_ms=poll.at_ms) == poll
    with site.planted.database.reading() as conn:
        counts = comms.counts(conn, DAY_0, DAY_0 + DAY_MS)[site.planted.site_id]
    assert counts == counted(site.truth)
    check_hours(site.planted, found)


def close_all(database: Database) -> None:
    close_hours(database, END_MS + CLOSABLE_MS)
    assert rows_in(database, schema.poll) == 0
    with database.reading() as conn:
        kinds = conn.execute(select(schema.dirty.c.kind)).scalars().all()
    assert "hour" not in kinds


def test_every_poll_of_both_passes_is_read_while_time_goes_on(site: Site) -> None:
    for now_ms in range(RIGHT_MS, END_MS, MINUTE_MS):
        site.poll(now_ms)
        if now_ms % (13 * MINUTE_MS) < MINUTE_MS:
            close_hours(site.planted.database, now_ms)
            check(site)
    assert site.steps == 1
    close_all(site.planted.database)
    check(site)
    assert len(all_polls(site.planted)) == (END_MS - BEGIN_MS) // MINUTE_MS + 1


def test_the_day_counts_both_passes(site: Site) -> None:
    for now_ms in range(RIGHT_MS, END_MS, MINUTE_MS):
        site.poll(now_ms)
    close_hours(site.planted.database, DAY_0 + 2 * DAY_MS)
    with site.planted.database.reading() as conn:
        day = day_series(conn, site.planted.site_id, "LVL", DAY_0, DAY_0 + DAY_MS)
        (span,) = conn.execute(select(schema.chunk.c.span)).scalars()
    # By hand from body: the levels are 12000, 12001, … of 4000..20000 microamps for 0..5 m.
    levels = [(8000 + n) / 16000 * 5 for n in range(len(site.truth))]
    assert span == 24
    assert day.n.tolist() == [len(levels)]
    assert day.mean[0] == pytest.approx(np.mean(levels), abs=1e-9)
    assert (day.least[0], day.most[0]) == pytest.approx((min(levels), max(levels)), abs=1e-9)


def test_readings_of_what_was_passed_twice_are_suspect_and_no_others(site: Site) -> None:
    for now_ms in range(RIGHT_MS, END_MS, MINUTE_MS):
        site.poll(now_ms)
    close_all(site.planted.database)
    with site.planted.database.reading() as conn:
        series = raw_series(conn, site.planted.site_id, "LVL", DAY_0, DAY_0 + DAY_MS)
    last_ms = RIGHT_MS - MINUTE_MS + AHEAD_MS
    twice = [RIGHT_MS <= at_ms <= last_ms for at_ms in series.at_ms.tolist()]
    assert (series.quality == np.where(twice, Goodness.SUSPECT, Goodness.GOOD)).all()
    # The first pass is 11:00:30 to 13:29:30; the second comes by from 10:30:30 on, a minute apart,
    # and its poll of 13:29:30 lies a millisecond behind the last of the first.
    assert sum(twice) == 150 + 179


def test_a_clock_that_swings_twice_loses_nothing(site: Site) -> None:
    for now_ms in range(RIGHT_MS, RIGHT_MS + HOUR_MS, MINUTE_MS):
        site.poll(now_ms)
    for now_ms in range(RIGHT_MS, RIGHT_MS + 2 * HOUR_MS, MINUTE_MS):  # an hour back, again
        site.poll(now_ms)
    assert site.steps == 2
    check(site)
    close_all(site.planted.database)
    check(site)


# --- two polls at one millisecond -------------------------------------------------------


def test_two_polls_at_one_millisecond_are_both_kept(planted: Any) -> None:
    first = planted.poll(DAY_0 + 5, words=body(1))
    second = planted.poll(DAY_0 + 5, words=body(2))
    for polls in ([first], [second], [second, first], [first, second, first]):
        store(planted.database, polls)
    assert all_polls(planted) == [first, replace(second, at_ms=DAY_0 + 6)]


def test_they_are_both_kept_in_one_batch(planted: Any) -> None:
    missed = planted.poll(DAY_0 + 5, Outcome.NO_ANSWER)
    polls = [planted.poll(DAY_0 + 5, words=body(n)) for n in range(3)]
    store(planted.database, [*polls, missed])
    assert [poll.at_ms - DAY_0 for poll in all_polls(planted)] == [5, 6, 7, 8]


def test_a_poll_that_meets_one_in_a_closed_hour_is_kept_beside_it(planted: Any) -> None:
    first, second = (planted.poll(DAY_0 + 5, words=body(n)) for n in (1, 2))
    store(planted.database, [first])
    close_hours(planted.database, DAY_0 + CLOSABLE_MS)
    store(planted.database, [second], DAY_0 + CLOSABLE_MS)
    both = [first, replace(second, at_ms=DAY_0 + 6)]
    assert all_polls(planted) == both  # one packed, one hot
    with planted.database.reading() as conn:
        series = raw_series(conn, planted.site_id, "LVL", DAY_0, DAY_0 + HOUR_MS)
    assert series.raw.tolist() == [12_001, 12_002]
    close_hours(planted.database, DAY_0 + CLOSABLE_MS)
    assert rows_in(planted.database, schema.poll) == 0
    assert all_polls(planted) == both


def test_a_poll_stored_again_after_its_hour_was_closed_reads_as_one(planted: Any) -> None:
    poll = planted.poll(DAY_0 + 5)
    store(planted.database, [poll])
    close_hours(planted.database, DAY_0 + CLOSABLE_MS)
    with planted.database.writing() as conn:
        store_polls(conn, [poll])
    with planted.database.reading() as conn:
        for tag in ("LVL", "TOT", "DOOR"):  # each alone: the other registers are not unpacked
            series = raw_series(conn, planted.site_id, tag, DAY_0, DAY_0 + HOUR_MS)
            assert series.at_ms.tolist() == [DAY_0 + 5]
