"""A site's period by hand, and the grid of its hours over two changes of clocks."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from tallymast.domain.health.comms.model import Outage, SitePeriod
from tallymast.domain.health.comms.periods import hour_of_day, site_period
from tallymast.domain.model import HourCounts

HOUR = 3_600_000
DAY = 24 * HOUR
AT = 20_000 * DAY
DENVER = ZoneInfo("America/Denver")


def week(
    outages: list[Outage] | None,
    holes: list[tuple[int, int]],
    *,
    now_ms: int = AT + 7 * DAY,
    asked: int = 60,
    runs: int | None = 84,
) -> SitePeriod:
    """Seven days of 60 polls an hour, one retried and one missed in each."""
    hours = np.tile([asked, max(asked - 2, 0), min(asked, 1)], (168, 1))
    counts = HourCounts(
        first_try=int(hours[:, 1].sum()),
        retried=168 if asked else 0,
        no_answer=int(hours[:, 2].sum()),
    )
    return site_period(
        7,
        counts,
        hours,
        span=(AT, AT + 7 * DAY),
        now_ms=now_ms,
        runs=runs,
        outages=outages,
        answers={29: 10_000},
        holes=holes,
        maintenance_ms=HOUR,
    )


def test_a_period_counts_polls_and_time_apart() -> None:
    outages = [
        Outage(7, AT - 5 * HOUR, AT + 2 * HOUR, 60),  # began before: 2 h of it
        Outage(7, AT + DAY, AT + DAY + 6 * HOUR, 90),
    ]
    found = week(outages, [])
    assert found.success.share == pytest.approx(59 / 60)
    assert found.first_try.share == pytest.approx(58 / 60)
    assert found.mean_burst == 2.0
    assert (found.in_service_ms, found.down_ms) == (168 * HOUR, 8 * HOUR)
    assert found.availability == pytest.approx(160 / 168)
    assert (found.mtbf_ms, found.mttr_ms, found.longest_gap_ms) == (80 * HOUR, 4 * HOUR, 6 * HOUR)
    assert [one.from_ms for one in found.outages] == [AT, AT + DAY]
    assert found.answers is not None
    assert found.answers.n == 10_000


def test_an_outage_counts_only_outside_of_maintenance_and_gateway_losses() -> None:
    outages = [Outage(7, AT + DAY, AT + DAY + 6 * HOUR, 90), Outage(7, AT, AT + HOUR, 30)]
    holes = [(AT - DAY, AT + HOUR), (AT + DAY + HOUR, AT + DAY + 3 * HOUR), (AT + DAY, AT + DAY)]
    found = week(outages, holes)
    assert (found.in_service_ms, found.down_ms) == (165 * HOUR, 4 * HOUR)
    assert found.mtbf_ms == 161 * HOUR  # the one in maintenance is no failure
    assert (found.mttr_ms, found.longest_gap_ms) == (4 * HOUR, 4 * HOUR)


def test_an_outage_that_lasts_is_no_time_to_restore() -> None:
    now_ms = AT + 2 * DAY
    found = week([Outage(7, AT + DAY, None, 90)], [], now_ms=now_ms)
    assert (found.in_service_ms, found.down_ms) == (48 * HOUR, 24 * HOUR)
    assert (found.availability, found.mttr_ms, found.longest_gap_ms) == (0.5, None, 24 * HOUR)
    later = week([Outage(7, AT + 6 * DAY, AT + 9 * DAY, 90)], [], now_ms=AT + 20 * DAY)
    assert (later.down_ms, later.mttr_ms) == (24 * HOUR, None)


def test_a_period_without_outages_has_no_time_between_them() -> None:
    found = week([], [], runs=0)
    assert (found.availability, found.longest_gap_ms) == (1.0, 0)
    assert (found.mtbf_ms, found.mttr_ms, found.mean_burst) == (None, None, None)


def test_what_was_not_asked_is_neither_0_nor_100_percent() -> None:
    found = week([], [(AT, AT + 7 * DAY)], asked=0)
    assert (found.success.share, found.first_try.share) == (None, None)
    assert (found.availability, found.longest_gap_ms, found.in_service_ms) == (None, None, 0)


def test_where_outages_are_not_known_nothing_is_said_of_them() -> None:
    found = week(None, [], runs=None)
    assert (found.availability, found.mtbf_ms, found.longest_gap_ms) == (None, None, None)
    assert (found.mean_burst, found.outages) == (None, ())
    assert found.success.is_known


def hours_of(day: date, hours: int) -> np.ndarray:
    """Begins of clock hours from a local midnight on."""
    midnight = datetime(day.year, day.month, day.day, tzinfo=DENVER).astimezone(UTC)
    return np.arange(hours) * HOUR + int(midnight.timestamp() * 1000)


def test_an_hour_that_autumn_repeats_adds_up() -> None:
    # 2026-11-01 has 25 hours in Denver, 01:00 twice
    grid = hour_of_day(hours_of(date(2026, 11, 1), 25), np.tile([60, 50, 2], (25, 1)), DENVER)
    assert grid.rows == (0, 1, 2, 3, 4, 5, 6)
    assert grid.cells[6, 1].tolist() == [120, 100, 4]
    assert grid.cells[6, 0].tolist() == grid.cells[6, 23].tolist() == [60, 50, 2]
    assert grid.cells.sum(axis=(0, 1)).tolist() == [1500, 1250, 50]


def test_an_hour_that_spring_leaves_out_stays_unasked() -> None:
    # 2026-03-08 has 23 hours in Denver, none of them 02:00
    day = date(2026, 3, 8)
    grid = hour_of_day(hours_of(day, 24), np.tile([60, 50, 2], (24, 1)), DENVER, by="date")
    assert grid.rows == (day, date(2026, 3, 9))
    assert grid.cells[0, 2].tolist() == [0, 0, 0]
    assert grid.cells[0, :, 0].sum() == 23 * 60
    assert grid.cells[1, 0].tolist() == [60, 50, 2]


def test_no_hours_make_an_empty_grid() -> None:
    grid = hour_of_day(np.zeros(0, np.int64), np.zeros((0, 3), np.int64), DENVER, by="date")
    assert grid.rows == ()
    assert grid.cells.shape == (0, 24, 3)
