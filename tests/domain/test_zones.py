from datetime import UTC, datetime, timedelta

import pytest

from tallymast.domain.zones import UnknownZoneError, find_zone


def test_a_named_zone_follows_its_summer_time() -> None:
    # Rules of the Energy Policy Act of 2005: daylight saving from the second Sunday of March.
    zone = find_zone("America/Denver")
    before = datetime(2026, 3, 8, 8, 59, tzinfo=UTC).astimezone(zone)
    after = datetime(2026, 3, 8, 9, 0, tzinfo=UTC).astimezone(zone)
    assert (before.hour, before.minute, after.hour) == (1, 59, 3)


@pytest.mark.parametrize("name", ["UTC-07:00", "-07:00"])
def test_a_fixed_offset_is_the_same_all_year(name: str) -> None:
    zone = find_zone(name)
    for month in (1, 7):
        assert zone.utcoffset(datetime(2026, month, 1)) == timedelta(hours=-7)


@pytest.mark.parametrize("name", ["UTC+05:45", "UTC+14:00", "UTC-12:00"])
def test_offsets_that_are_used_somewhere_are_known(name: str) -> None:
    assert find_zone(name).tzname(None) == name


@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("America/Denwer", "America/Denver"),
        ("america/denver", "America/Denver"),
        ("Denver", "America/Denver"),
        ("America/Salt Lake", "is not a time zone"),
        ("America", "is not a time zone"),
        ("", "is not a time zone"),
        ("../etc/passwd", "is not a time zone"),
        ("/etc/localtime", "is not a time zone"),
        ("UTC-15:00", "UTC-12:00 to UTC+14:00"),
        ("UTC-07:75", "UTC-12:00 to UTC+14:00"),
        ("Qwertyuiop", 'write it as "America/Denver"'),
    ],
)
def test_a_wrong_zone_is_told_with_what_would_be_right(name: str, part: str) -> None:
    with pytest.raises(UnknownZoneError) as failure:
        find_zone(name)
    assert part in str(failure.value)
