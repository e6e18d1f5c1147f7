"""A record held in memory answers as one that is stored."""

import math

import numpy as np

from tallymast.domain.health.held_record import HeldRecord

HOUR_MS = 3_600_000


def test_a_points_hours_are_worked_out_by_hand() -> None:
    at_ms = np.array([HOUR_MS + 1, HOUR_MS + 2, HOUR_MS + 3, 3 * HOUR_MS], np.int64)
    values = np.array([12.0, math.nan, 13.0, 11.0])
    hours = HeldRecord(series={"V": (at_ms, values)}).hours("V", 0, 4 * HOUR_MS)
    assert hours.at_ms.tolist() == [0, HOUR_MS, 2 * HOUR_MS, 3 * HOUR_MS]
    assert hours.n.tolist() == [0, 2, 0, 1]
    assert hours.mean[[1, 3]].tolist() == [12.5, 11.0]
    assert (hours.least[1], hours.most[1], hours.first[1], hours.last[1]) == (12, 13, 12, 13)
    assert math.isnan(hours.mean[2])
    assert hours.changes.tolist() == [0, 1, 0, 0]  # between two hours it is neither's


def test_an_unknown_point_has_hours_without_readings() -> None:
    assert HeldRecord().hours("V", 0, HOUR_MS).n.tolist() == [0]
