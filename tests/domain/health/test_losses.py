"""Outputs that fell while their gateway was lost, told from readings before and after."""

import numpy as np
import pytest

from tallymast.domain.health.losses import Fell, fell
from tallymast.domain.model import (
    FailSafe,
    Point,
    PointKind,
    Site,
    Table,
    WordLayout,
    WriteTarget,
)

MINUTE = 60_000
LOST = (100 * MINUTE, 147 * MINUTE)
START = Point(
    "START",
    "Pump",
    PointKind.DISCRETE_OUTPUT,
    Table.COIL,
    0,
    WordLayout.BOOL,
    write=WriteTarget(Table.COIL, 0, 5),
    fail_safe=FailSafe("off", 120.0),
)
SITE = Site("sedge-well", "Sedge Well", "long-scarp", 12, "pump", (START,), 60, (), 2.0, 2, 20.0, 3)


def read(before: bool, after: bool, back_min: int | None = None) -> Fell | None:
    """Polled each minute, nothing while the gateway is lost."""
    minutes = [n for n in range(60, 200) if not LOST[0] <= n * MINUTE < LOST[1]]
    on = [
        float(before if n * MINUTE < LOST[0] else after or (back_min is not None and n >= back_min))
        for n in minutes
    ]
    return fell(SITE, START, np.array(minutes, np.int64) * MINUTE, np.array(on), LOST)


def test_it_drops_its_fail_safe_time_after_the_last_poll_and_is_told_as_set_again() -> None:
    found = read(before=True, after=False, back_min=165)
    assert found is not None
    assert found.at_ms == 101 * MINUTE  # the last poll at minute 99, two minutes as set
    assert found.back_ms == 165 * MINUTE


def test_one_that_is_still_off_says_so() -> None:
    found = read(before=True, after=False)
    assert found is not None
    assert found.back_ms is None


@pytest.mark.parametrize(("before", "after"), [(False, False), (True, True), (False, True)])
def test_what_was_off_or_stayed_on_did_not_fall(before: bool, after: bool) -> None:
    assert read(before, after) is None


def test_a_loss_shorter_than_its_time_drops_nothing() -> None:
    at_ms = np.array([99, 101, 102], np.int64) * MINUTE
    short = (100 * MINUTE, round(100.5 * MINUTE))
    assert fell(SITE, START, at_ms, np.array([1.0, 0.0, 0.0]), short) is None


def test_without_a_reading_before_nothing_is_said() -> None:
    at_ms = np.array([90, 150], np.int64) * MINUTE
    assert fell(SITE, START, at_ms, np.array([np.nan, 0.0]), LOST) is None
