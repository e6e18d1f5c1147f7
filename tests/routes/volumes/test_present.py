"""The hour that goes on is told to the last reading, by two readings where these say enough."""

from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest
from tests.routes.volumes.meter_world import DAY, HOUR, MARCH_2, Meters, meters
from tests.routes.volumes.test_volume_pages import text_of

from tallymast.domain.model import Outcome
from tallymast.domain.record.days import Contract
from tallymast.routes.volumes.points import Stood
from tallymast.routes.volumes.present import read_up_to_now
from tallymast.storage import volume_hours

MINUTE = 60_000
EDGE = MARCH_2 + 3 * DAY + 5 * HOUR  # 12:00; it is 12:10
CONTRACT = Contract("UTC", 7)
BEFORE = ((-180, 7400, 4), (-120, 7500, 4), (-60, 7600, 4), (-1, 7698, 4))


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Meters]:
    found = meters(tmp_path)
    found.hours("hobby-pad", MARCH_2, EDGE)  # 100 pulses an hour: 7 700 up to the edge
    yield found
    found.world.database.close()


def read(made: Meters, *rows: tuple[int, int, int], key: str = "hobby-pad") -> None:
    """Polls: minute after the edge, count, restart counter."""
    some = [
        (EDGE + minute * MINUTE, Outcome.FIRST_TRY, b"".join(n.to_bytes(2, "big") for n in counts))
        for minute, *counts in rows
    ]
    made.world.polls(key, some)


def test_the_table_goes_to_the_last_reading_and_says_when_that_was(made: Meters) -> None:
    read(made, *BEFORE, (1, 7702, 4), (4, 7709, 4), (9, 7716, 4))
    told = text_of(made.client, "/volumes?site=hobby-pad")
    assert "up to 12:09 , 1 min ago" in told
    # By hand: five hours of 100 and 16 pulses of half a cubic metre; all of it is known.
    assert "1 200.0 m³ 258.0 m³" in told
    for page in ("/volumes/hobby-pad/TOT", "/volumes/hobby-pad/TOT/2026-03-05", "/sites/hobby-pad"):
        assert "up to 12:09 , 1 min ago" in text_of(made.client, page)


def test_a_restart_in_the_hour_that_goes_on_is_never_bridged(made: Meters) -> None:
    # The count went on from an older value and is past the old one again: only the restart
    # counter tells.
    read(made, *BEFORE, (1, 7702, 4), (5, 7708, 4), (6, 7705, 5), (9, 7716, 5))
    told = text_of(made.client, "/volumes?site=hobby-pad")
    assert "258.0" not in told
    # By hand: 500 up to 12:00, 8 to 12:05, 11 from 12:06 on, and within that minute at most 120.
    assert "259.5 to 319.5 m³" in told


def test_a_silent_site_is_unknown_from_its_last_reading_on(made: Meters) -> None:
    read(made, (-2, 7697, 4))
    told = text_of(made.client, "/volumes?site=hobby-pad")
    assert "up to 11:58 , 12 min ago" in told
    # By hand: 300 of 310 minutes are 97 %.
    assert "at least 250.0 m³ 97 % known" in told


@pytest.mark.parametrize("seed", range(3))
def test_two_readings_come_to_the_truth_of_a_stream_of_pulses(tmp_path: Path, seed: int) -> None:
    lot, made = Random(seed), meters(tmp_path)
    passed = [65_500]  # near its rollover at 65 536
    for _ in range(70):
        passed.append(passed[-1] + lot.randrange(5))
    read(made, *[(n - 61, count % 65_536, 7) for n, count in enumerate(passed)])
    one = made.counted("hobby-pad")
    with made.world.database.writing() as conn:
        closed = volume_hours.work_out(conn, one, (EDGE - HOUR, EDGE), CONTRACT)
        assert closed is not None
        volume_hours.put(conn, one.point_id, closed)
    (gateway,), given = made.world.view.gateways, made.world.services()
    with made.world.database.reading() as conn:
        day = (MARCH_2 + 3 * DAY, MARCH_2 + 4 * DAY)
        told = read_up_to_now(conn, given, CONTRACT, [Stood(gateway.gateway, one)], [day])
    (today,) = told.spans[one.point_id]
    assert today.span == (day[0], EDGE + 9 * MINUTE)
    assert today.pieces[-1].pulses == passed[-1] - passed[61]  # what passed since 12:00
    assert today.pieces[-1].known_ms == 9 * MINUTE
    made.world.database.close()
