"""Sunrise, on which every pre-dawn voltage hangs, against a table made outside of the project."""

from datetime import UTC, date, datetime, timedelta, timezone

import pytest

from tallymast.domain.health.nights import day_number, sunrise_ms
from tallymast.domain.health.supply.dark import Place

WEST = timezone(timedelta(hours=-7))
SOUTH, MIDDLE, NORTH = (32.0, -103.0), (44.5, -106.0), (55.5, -117.5)


@pytest.mark.parametrize(
    ("place", "day", "clock"),
    [
        # Root of pvlib 0.16.1 spa_python's elevation at -0.8333 degrees, sea level; astropy 8.0.2
        # agrees within 0.15 s. NREL's own rise and set routine is a day off west of Greenwich.
        (SOUTH, date(2026, 3, 20), "05:55:35"),
        (SOUTH, date(2026, 6, 21), "04:46:30"),
        (SOUTH, date(2026, 12, 21), "06:48:33"),
        (MIDDLE, date(2026, 3, 20), "06:06:52"),
        (MIDDLE, date(2026, 6, 21), "04:19:18"),
        (MIDDLE, date(2026, 12, 21), "07:37:24"),
        (NORTH, date(2026, 3, 20), "06:51:38"),
        (NORTH, date(2026, 6, 21), "04:07:01"),
        (NORTH, date(2026, 12, 21), "09:16:27"),
    ],
)
def test_the_sun_rises_within_half_a_minute_of_two_other_libraries(
    place: tuple[float, float], day: date, clock: str
) -> None:
    found = datetime.fromtimestamp(sunrise_ms(day, *place, WEST) / 1000, UTC)
    expected = datetime.fromisoformat(f"{day}T{clock}-07:00")
    assert abs(found - expected) < timedelta(seconds=30)


def test_without_coordinates_six_o_clock_stands_for_the_sunrise() -> None:
    day = date(2026, 6, 21)
    at_ms = Place(None, None, WEST).sunrise_ms(day_number(day))
    assert datetime.fromtimestamp(at_ms / 1000, WEST) == datetime(2026, 6, 21, 6, tzinfo=WEST)
