"""How the sign of life and the weekly test are set up comes back, and mistakes change nothing."""

from dataclasses import replace

import pytest
from tests.dialects import both_dialects

from tallymast.domain.alarms.weekly import Weekly
from tallymast.domain.errors import ConfigError
from tallymast.domain.heartbeat import Heartbeat, HeartbeatNow
from tallymast.storage import heartbeat, test_alarm
from tallymast.storage.engine import Database


@both_dialects
def test_the_sign_of_life_is_off_until_it_is_set_up_and_comes_back(database: Database) -> None:
    beat = Heartbeat("https://watch.example.org/ö?a=%25s", 5, True)
    with database.writing() as conn:
        assert heartbeat.load(conn) == Heartbeat()
        assert heartbeat.told(conn) == HeartbeatNow()
        for one in (Heartbeat("https://watch.example.org/", 9), beat):
            heartbeat.save(conn, one)
        with pytest.raises(ConfigError):
            heartbeat.save(conn, replace(beat, url="watch"))
    with database.reading() as conn:
        assert heartbeat.load(conn) == beat


@both_dialects
def test_the_weekly_test_is_kept_as_it_was_set(database: Database) -> None:
    weekly = Weekly(4, 14, False)
    with database.writing() as conn:
        assert test_alarm.load(conn) == Weekly()
        test_alarm.save(conn, weekly)
        with pytest.raises(ConfigError):
            test_alarm.save(conn, replace(weekly, weekday=7))
    with database.reading() as conn:
        assert test_alarm.load(conn) == weekly
