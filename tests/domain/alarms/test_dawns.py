"""A solar supply is judged by the voltage a night leaves, not by what the sun hides."""

from dataclasses import replace

import pytest
from tests.domain.alarms.around import NOW, around, reading, site, standing, supply

from tallymast.domain.alarms.conditions import seen_of
from tallymast.domain.alarms.dawns import Dawn
from tallymast.domain.alarms.model import Alarm, AlarmState, Condition, Kind, Seen, Standing
from tallymast.domain.alarms.stepping import look
from tallymast.domain.model import Priority, SupplyKind

HOUR = 3_600_000
ABNORMAL, NORMAL = Condition.ABNORMAL, Condition.NORMAL
WARN = Alarm(
    "upper-weir/VOLT/supply-low", Kind.SUPPLY, Priority.NORMAL, "upper-weir", "VOLT", "scarp",
    12.3, 0.2, 900.0,
)  # fmt: skip
URGENT = replace(WARN, key="upper-weir/VOLT/supply-far-low", limit=12.1, priority=Priority.HIGH)


def seen(
    live: float, dawn: float | None, hours_ago: float, *, dark: bool = False, alarm: Alarm = WARN
) -> Seen:
    here = around(standing(site(supply=supply()), reading("VOLT", live)))
    night = Dawn(NOW - round(hours_ago * HOUR), dawn or 0.0, dark)
    return seen_of(alarm, replace(here, dawns={"upper-weir": night} if dawn else {}))


def test_a_night_that_left_too_little_is_abnormal_all_day() -> None:
    found = seen(13.4, 12.2, 5)  # charged by the sun since
    assert (found.condition, found.value) == (ABNORMAL, "12.2 V before dawn")
    assert found.since_ms == NOW - 5 * HOUR


@pytest.mark.parametrize(
    ("live", "hours_ago", "dark", "condition", "held"),
    [
        (13.4, 5, False, NORMAL, False),  # a sound night: over
        (12.2, 5, False, NORMAL, True),  # by day a load may pull it down: a warning waits
        (12.2, 20, True, ABNORMAL, False),  # at night it calls before the dawn
        (12.6, 20, True, NORMAL, True),  # and is not over before the dawn
        (13.4, 24.1, False, NORMAL, True),  # the sun is up, its night not judged yet
    ],
)
def test_after_a_sound_night_the_live_voltage_calls_at_night_only(
    live: float, hours_ago: float, dark: bool, condition: Condition, held: bool
) -> None:
    found = seen(live, 12.6, hours_ago, dark=dark)
    assert (found.condition, found.back) == (condition, held)


def test_near_the_disconnect_it_calls_by_day_too() -> None:
    assert seen(12.0, 12.6, 5, alarm=URGENT).condition is ABNORMAL


def test_without_a_night_of_the_last_30_hours_the_live_voltage_decides() -> None:
    for night in (None, 12.0):
        assert seen(12.9, night, 31).condition is NORMAL
        assert seen(12.2, night, 31).condition is ABNORMAL


def test_a_battery_on_a_charger_is_judged_live() -> None:
    mains = supply(kind=SupplyKind.MAINS_WITH_BATTERY)
    here = around(standing(site(supply=mains), reading("VOLT", 13.6)))
    here = replace(here, dawns={"upper-weir": Dawn(NOW - HOUR, 11.9, False)})
    assert seen_of(URGENT, here).condition is NORMAL


def test_a_sinking_battery_calls_once_and_not_each_night_anew() -> None:
    raised, standing_ = 0, Standing()
    for hour in range(72):  # dark 18 to 6; a night is judged an hour after its sunrise
        dark, day = hour % 24 >= 18 or hour % 24 < 6, hour // 24
        newest = day if hour % 24 >= 7 else day - 1
        dawn = Dawn(NOW + (newest * 24 + 6) * HOUR, 12.25 - 0.05 * newest, dark)
        here = around(
            standing(
                site(supply=supply()),
                reading("VOLT", 12.2 if dark else 13.5, at_ms=NOW + hour * HOUR),
            )
        )
        now_ms = NOW + hour * HOUR
        here = replace(here, now_ms=now_ms, dawns={"upper-weir": dawn})
        step = look(WARN, standing_, seen_of(WARN, here), now_ms)
        standing_ = step.standing
        raised += sum(one.event.value == "raised" for one in step.entries)
    assert raised == 1
    assert standing_.state is AlarmState.UNACKNOWLEDGED
