"""Nights are computed from what is recorded, hot or packed, and may be computed again."""

from datetime import UTC, date, timedelta

from tests.storage.conftest import Planted

from tallymast.domain.health.nights import day_number, sunrise_ms
from tallymast.domain.model import Outcome
from tallymast.storage.batch import store_polls
from tallymast.storage.engine import Database
from tallymast.storage.hours import close_hours
from tallymast.storage.nights import NightSite, compute_nights, known_days, load_nights

DAY = date(2026, 3, 9)
PLACE = (44.1, -106.3)
DAWN_MS = sunrise_ms(DAY, *PLACE, UTC)
HOUR_MS = 3_600_000


def night_site(planted: Planted) -> NightSite:
    return NightSite(planted.site_id, "LVL", *PLACE)


def fill(database: Database, planted: Planted) -> None:
    """A poll every ten minutes for the day before sunrise, every fifth missed."""
    polls = [
        planted.poll(at_ms, Outcome.NO_ANSWER if n % 5 == 0 else Outcome.FIRST_TRY)
        for n, at_ms in enumerate(range(DAWN_MS - 24 * HOUR_MS, DAWN_MS + HOUR_MS, 600_000))
    ]
    with database.writing() as conn:
        store_polls(conn, polls)


def test_a_night_is_the_same_from_hot_rows_and_from_chunks(
    database: Database, planted: Planted
) -> None:
    fill(database, planted)
    site = night_site(planted)
    assert compute_nights(database, [site], [DAY], UTC, DAWN_MS + 1) == 1
    with database.reading() as conn:
        (hot,) = load_nights(conn, day_number(DAY), day_number(DAY))[planted.site_id]
    close_hours(database, DAWN_MS + 48 * HOUR_MS)
    compute_nights(database, [site], [DAY], UTC, DAWN_MS + 1)
    with database.reading() as conn:
        (packed,) = load_nights(conn, day_number(DAY), day_number(DAY))[planted.site_id]
    assert packed == hot
    # Twelve polls in two hours, of which two or three were missed.
    assert hot.n in (9, 10)
    assert hot.predawn_v is not None
    assert hot.peak_v is not None
    assert hot.low_v is not None
    assert hot.low_v <= hot.predawn_v <= hot.peak_v


def test_a_night_that_is_not_over_and_one_without_polls_are_left_out(
    database: Database, planted: Planted
) -> None:
    fill(database, planted)
    days = [DAY - timedelta(days=5), DAY, DAY + timedelta(days=1)]
    assert compute_nights(database, [night_site(planted)], days, UTC, DAWN_MS - 1) == 0
    assert compute_nights(database, [night_site(planted)], days, UTC, DAWN_MS + HOUR_MS) == 1
    with database.reading() as conn:
        assert known_days(conn, 0) == {planted.site_id: {day_number(DAY)}}
