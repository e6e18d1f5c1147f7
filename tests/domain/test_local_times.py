"""Instants as ISO 8601, many at once. Reference: datetime's own isoformat, one by one."""

from datetime import UTC, datetime

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.local_times import local_texts, utc_texts
from tallymast.domain.zones import find_zone

INSTANTS = st.lists(st.integers(94_694_400_000, 4_102_444_800_000), max_size=30)  # 1973 to 2100
ZONES = st.sampled_from(
    ["America/Denver", "UTC", "Asia/Kathmandu", "Australia/Lord_Howe", "UTC-07:00", "Asia/Tehran"]
)


def one_by_one(at_ms: int, zone: str) -> str:
    at = datetime.fromtimestamp(at_ms // 1000, UTC).replace(microsecond=at_ms % 1000 * 1000)
    return at.astimezone(find_zone(zone)).isoformat(timespec="milliseconds")


@given(INSTANTS, ZONES)
def test_local_texts_are_those_of_datetime(instants: list[int], zone: str) -> None:
    found = local_texts(np.array(instants, np.int64), find_zone(zone))
    assert found == [one_by_one(at_ms, zone) for at_ms in instants]


@given(INSTANTS)
def test_texts_in_utc_end_with_z(instants: list[int]) -> None:
    found = utc_texts(np.array(instants, np.int64))
    assert found == [one_by_one(at_ms, "UTC").replace("+00:00", "Z") for at_ms in instants]


def test_the_hour_that_comes_twice_is_told_apart() -> None:
    # IANA: America/Denver goes back from 02:00 MDT to 01:00 MST on 2026-11-01, at 08:00 UTC.
    first = datetime(2026, 11, 1, 7, 30, tzinfo=UTC).timestamp() * 1000
    both = np.array([first, first + 3_600_000], np.int64)
    assert local_texts(both, find_zone("America/Denver")) == [
        "2026-11-01T01:30:00.000-06:00",
        "2026-11-01T01:30:00.000-07:00",
    ]
