"""What is exported is what is read: every poll, hour and contract day, once, in order."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any
from weakref import ref
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from tests.files.conftest import a_point
from tests.storage.test_hours import store

from tallymast.domain.exports import Batch, Cell, Choice, Extract, Resolution, columns_of
from tallymast.domain.model import Outcome, PollFlag, WordLayout
from tallymast.storage.exports import batch_count, batches
from tallymast.storage.hours import close_hours
from tallymast.storage.readings import raw_series
from tallymast.storage.span_readings import day_series, hour_series

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
DENVER = ZoneInfo("America/Denver")
POINTS = (
    a_point("DOOR", "Door", layout=WordLayout.BOOL),
    a_point("LVL", "Level", "m"),
    a_point("TOT", "Total"),
)


def midnight(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=DENVER).timestamp() * 1000)


SPRING, AUTUMN = midnight("2026-03-08"), midnight("2026-11-01")


def extract(
    planted: Any, resolution: Resolution, from_ms: int, to_ms: int, points: Sequence[Any] = POINTS
) -> Extract:
    chosen = tuple(Choice(planted.site_id, "weir-1", "Weir", point, 60) for point in points)
    return Extract(
        "N", "America/Denver", 7, "America/Denver", resolution, from_ms, to_ms, chosen, "0", 0
    )


def exported(planted: Any, wanted: Extract) -> list[dict[str, Cell]]:
    names = [column.name for column in columns_of(wanted)]
    some = list(batches(planted.database, wanted))
    assert len(some) == batch_count(wanted)
    return [dict(zip(names, row, strict=True)) for batch in some for row in batch.rows()]


def a_day(planted: Any, from_ms: int, hours: int) -> None:
    """A poll every ten minutes; some missed, some late, the oldest hours closed."""
    polls = [
        planted.poll(
            from_ms + n * 600_000 + n,
            Outcome.NO_ANSWER if n % 11 == 5 else Outcome.FIRST_TRY,
            flags=PollFlag.SUSPECT if n % 13 == 3 else PollFlag.NONE,
        )
        for n in range(6 * hours)
    ]
    store(planted.database, polls)
    close_hours(planted.database, from_ms + hours // 2 * HOUR_MS)


@pytest.mark.parametrize("tag", ["DOOR", "LVL", "TOT"])
def test_every_poll_is_there_as_it_is_read(planted: Any, tag: str) -> None:
    a_day(planted, SPRING, 60)
    span = (SPRING + 1000, SPRING + 50 * HOUR_MS)  # begins and ends inside days
    with planted.database.reading() as conn:
        truth = raw_series(conn, planted.site_id, tag, *span)
    points = [one for one in POINTS if one.tag == tag]
    rows = exported(planted, extract(planted, "raw", *span, points))
    assert [row["time (UTC)"] for row in rows] == truth.at_ms.tolist()
    assert [row["quality"] for row in rows] == [
        ("none", "suspect", "good")[number] for number in truth.quality.tolist()
    ]
    assert {"none", "suspect", "good"} == {row["quality"] for row in rows}
    for row, value, raw in zip(rows, truth.value.tolist(), truth.raw.tolist(), strict=True):
        gap = row["quality"] == "none"
        assert row["value"] == (None if gap else value)
        assert row["raw"] == (None if gap else raw)
    assert {row["unit"] for row in rows} == {"m" if tag == "LVL" else ""}


def test_rows_come_by_point_and_time(planted: Any) -> None:
    a_day(planted, SPRING, 30)
    rows = exported(planted, extract(planted, "raw", SPRING, SPRING + 30 * HOUR_MS))
    keys = [(row["point"], row["time (UTC)"]) for row in rows]
    assert keys == sorted(keys)
    assert len(keys) == len(set(keys)) == 3 * 180


@pytest.mark.parametrize(
    ("day_ms", "hours", "offsets"),
    [
        # IANA: Denver's clocks go from 02:00 to 03:00 on 8 March, from 02:00 to 01:00 on
        # 1 November 2026; so these days have 23 and 25 hours.
        (SPRING, 23, ["-07:00"] * 2 + ["-06:00"] * 21),
        (AUTUMN, 25, ["-06:00"] * 2 + ["-07:00"] * 23),
    ],
    ids=["spring", "autumn"],
)
def test_a_day_on_which_clocks_change(
    planted: Any, day_ms: int, hours: int, offsets: list[str]
) -> None:
    a_day(planted, day_ms, hours)
    next_day = datetime.fromtimestamp(day_ms / 1000, DENVER) + timedelta(days=1)
    to_ms = round(next_day.timestamp() * 1000)
    rows = exported(planted, extract(planted, "hour", day_ms, to_ms, POINTS[1:2]))
    assert len(rows) == hours
    local = [str(row["begins (America/Denver)"]) for row in rows]
    assert local[0].endswith("T00:00:00.000" + offsets[0])
    assert [text[-6:] for text in local[1:]] == offsets[1:]
    assert len(set(local)) == hours
    for text, row in zip(local, rows, strict=True):
        assert datetime.fromisoformat(text).timestamp() * 1000 == row["begins (UTC)"]
    assert all(row["readings"] for row in rows)


def test_hours_are_those_that_are_read_and_empty_ones_have_no_values(planted: Any) -> None:
    a_day(planted, SPRING, 5)
    span = (SPRING - 2 * HOUR_MS, SPRING + 70 * DAY_MS)  # three batches a point
    with planted.database.reading() as conn:
        truth = hour_series(conn, planted.site_id, "LVL", *span)
    rows = exported(planted, extract(planted, "hour", *span, POINTS[1:2]))
    assert [row["begins (UTC)"] for row in rows] == truth.at_ms.tolist()
    assert [row["readings"] for row in rows] == truth.n.tolist()
    for name in ("least", "mean", "most", "first", "last"):
        found = np.array([row[name] for row in rows], np.float64)
        np.testing.assert_array_equal(found, getattr(truth, name))
    empty = [row for row in rows if not row["readings"]]
    assert len(empty) == 70 * 24 + 2 - 5
    assert all(row["changes"] is None and row["on (s)"] is None for row in empty)
    assert {row["unit"] for row in empty} == {"m"}


def test_days_are_contract_days(planted: Any) -> None:
    a_day(planted, SPRING, 60)
    span = (SPRING, SPRING + 400 * DAY_MS)
    with planted.database.reading() as conn:
        truth = day_series(
            conn, planted.site_id, "LVL", *span, zone="America/Denver", contract_hour=7
        )
    rows = exported(planted, extract(planted, "day", *span, POINTS[1:2]))
    assert [row["begins (UTC)"] for row in rows] == truth.at_ms.tolist()
    assert [row["mean"] for row in rows[:2]] == truth.mean.tolist()[:2]
    assert str(rows[0]["begins (America/Denver)"]) == "2026-03-08T07:00:00.000-06:00"
    assert len(rows) == 400


def test_only_contacts_say_how_long_they_were_on(planted: Any) -> None:
    a_day(planted, SPRING, 5)
    rows = exported(planted, extract(planted, "hour", SPRING, SPRING + 5 * HOUR_MS))
    on = {str(row["point"]): row["on (s)"] for row in rows[::5]}
    # By hand from a_poll: bit 1 of the word 3 is set in every answer, so the door stays on.
    assert on["LVL"] is None
    assert isinstance(on["DOOR"], float)
    assert 0 < on["DOOR"] <= 3600


def test_a_batch_is_forgotten_before_the_next_is_read(planted: Any) -> None:
    a_day(planted, SPRING, 60)
    known: list[ref[Batch]] = []
    wanted = extract(planted, "raw", SPRING, SPRING + 60 * HOUR_MS)
    rows = 0
    for batch in batches(planted.database, wanted):
        assert not [one for one in known if one() is not None]
        known.append(ref(batch))
        rows += len(batch)
        del batch
    assert rows == 3 * 360
    assert len(known) == batch_count(wanted) == 3 * 3  # 60 h from 07:00 UTC touch three days


def test_no_transaction_is_held_between_batches(planted: Any) -> None:
    a_day(planted, SPRING, 60)
    going = batches(planted.database, extract(planted, "raw", SPRING, SPRING + 60 * HOUR_MS))
    next(going)
    held = planted.database._reader.pool.checkedout()
    assert held == 0
    going.close()
