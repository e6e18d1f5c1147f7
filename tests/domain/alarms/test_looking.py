"""What a look makes of an alarm: delays, deadband, the unknown, the clock."""

from dataclasses import dataclass, field, replace

import pytest

from tallymast.domain.alarms.judged import judged
from tallymast.domain.alarms.model import (
    Alarm,
    AlarmState,
    Condition,
    Entry,
    Event,
    Kind,
    Seen,
    Standing,
)
from tallymast.domain.alarms.stepping import acknowledge, look
from tallymast.domain.model import Priority

T0 = 1_772_953_200_000
HIGH = Alarm("tank/LVL/high", Kind.HIGH, Priority.HIGH, "tank", "LVL", limit=3.1)
BAD, GOOD = Condition.ABNORMAL, Condition.NORMAL
UNKNOWN = Seen(Condition.UNKNOWN)


@dataclass
class Watch:
    """Looks at one alarm, and keeps what was written down; times in seconds from T0."""

    alarm: Alarm
    standing: Standing = field(default_factory=Standing)
    journal: list[Entry] = field(default_factory=list)

    def see(self, at_s: float, condition: Condition, now_s: float | None = None, **more: object):  # type: ignore[no-untyped-def]
        now = at_s if now_s is None else now_s
        seen = Seen(condition, T0 + round(at_s * 1000), **more)  # type: ignore[arg-type]
        return self.look(seen, now)

    def look(self, seen: Seen, now_s: float) -> AlarmState:
        step = look(self.alarm, self.standing, seen, T0 + round(now_s * 1000))
        self.standing = step.standing
        self.journal += step.entries
        return step.standing.state

    @property
    def events(self) -> list[Event]:
        return [entry.event for entry in self.journal]


def watch(on_s: float = 0.0, off_s: float = 0.0, **more: object) -> Watch:
    return Watch(replace(HIGH, on_delay_s=on_s, off_delay_s=off_s, **more))  # type: ignore[arg-type]


def raised(off_s: float = 0.0) -> Watch:
    one = watch(0.0, off_s)
    one.see(-10, BAD)
    one.see(0, BAD)
    assert one.standing.state is AlarmState.UNACKNOWLEDGED
    return one


# --- the on-delay: time and two readings (OPC 10000-9 Annex B.1.5: it lasts the whole delay) -----


def test_the_on_delay_lasts_to_its_end() -> None:
    one = watch(on_s=60)
    states = [one.see(at, BAD) for at in (0, 15, 30, 45, 59.9)]
    assert set(states) == {AlarmState.NORMAL}
    assert one.see(60, BAD) is AlarmState.UNACKNOWLEDGED
    assert one.standing.raised_ms == T0 + 60_000


def test_a_poll_period_longer_than_the_delay_needs_two_polls() -> None:
    one = watch(on_s=15)
    one.see(0, BAD)
    states = [one.see(0, BAD, now_s=now) for now in (15, 30, 59)]  # the same reading, looked at
    assert set(states) == {AlarmState.NORMAL}
    assert one.see(60, BAD) is AlarmState.UNACKNOWLEDGED


def test_one_reading_raises_nothing_even_without_a_delay() -> None:
    one = watch(on_s=0)
    assert one.see(0, BAD) is AlarmState.NORMAL
    assert one.see(0, BAD, now_s=3600) is AlarmState.NORMAL
    assert one.see(10, BAD, now_s=3600) is AlarmState.UNACKNOWLEDGED


def test_a_normal_reading_between_begins_the_delay_anew() -> None:
    one = watch(on_s=30)
    for at, condition in ((0, BAD), (20, BAD), (25, GOOD), (30, BAD), (50, BAD)):
        assert one.see(at, condition) is AlarmState.NORMAL
    assert one.see(60, BAD) is AlarmState.UNACKNOWLEDGED


def test_a_delay_may_have_begun_before_anybody_looked() -> None:
    # A control site calls after 2 min of silence, counted from its first missed poll.
    one = watch(on_s=120)
    since = {"since_ms": T0 - 70_000}
    assert one.see(0, BAD, **since) is AlarmState.NORMAL
    assert one.see(20, BAD, now_s=49, **since) is AlarmState.NORMAL
    assert one.see(20, BAD, now_s=50, **since) is AlarmState.UNACKNOWLEDGED


# --- deadband and off-delay (OPC 10000-9 Annex B.1.5) -----------------------------------------


@pytest.mark.parametrize(
    ("limit", "above", "on", "holding", "off"),
    [
        (250.0, True, 250.0, 240.1, 240.0),  # worked numbers: on at >= 250, off at <= 240
        (50.0, False, 50.0, 59.9, 60.0),  # low 50: off at >= 60
    ],
)
def test_the_worked_deadband_of_ten_at_250_degrees(
    limit: float, above: bool, on: float, holding: float, off: float
) -> None:
    # Semantics of OPC 10000-9 Annex B.1.5; the numbers are a manual's (secondary).
    alarm = replace(HIGH, limit=limit, deadband=10.0)
    one = Watch(alarm)

    def read(value: float, at_s: float) -> AlarmState:
        seen = judged(alarm, value, T0 + round(1000 * at_s), "", above=above)
        return one.look(seen, at_s)

    short = on - 0.1 if above else on + 0.1
    assert read(short, 0) is read(short, 10) is AlarmState.NORMAL  # in the deadband: not raised
    read(on, 20)
    assert read(on, 30) is AlarmState.UNACKNOWLEDGED
    assert read(holding, 40) is read(holding, 50) is AlarmState.UNACKNOWLEDGED
    assert read(off, 60) is AlarmState.RETURNED


def test_a_value_in_the_deadband_stops_a_delay() -> None:
    one = watch(on_s=30)
    one.see(0, BAD)
    one.see(20, GOOD, back=True)
    one.see(40, BAD)
    assert one.standing.state is AlarmState.NORMAL
    assert one.standing.pending_ms == T0 + 40_000


def test_the_off_delay_holds_an_alarm_through_short_clears() -> None:
    one = raised(off_s=60)
    for at, condition in ((10, GOOD), (60, GOOD), (65, BAD), (70, GOOD), (129, GOOD)):
        assert one.see(at, condition) is AlarmState.UNACKNOWLEDGED
    assert one.see(130, GOOD) is AlarmState.RETURNED
    assert one.events == [Event.RAISED, Event.CLEARED]


def test_an_off_delay_needs_two_readings_too() -> None:
    one = raised(off_s=60)
    one.see(10, GOOD)
    assert one.see(10, GOOD, now_s=600) is AlarmState.UNACKNOWLEDGED
    assert one.see(20, GOOD, now_s=601) is AlarmState.RETURNED


def test_without_an_off_delay_one_good_reading_clears() -> None:
    assert raised().see(10, GOOD) is AlarmState.RETURNED


@pytest.mark.parametrize("kind", [Kind.STATE, Kind.LOOP_FAULT])
def test_a_contact_that_makes_and_breaks_clears_at_two_equal_readings(kind: Kind) -> None:
    # common practice, no published source: 2 equal readings
    one = watch(kind=kind)
    for at, condition in ((0, BAD), (10, BAD), (20, GOOD), (30, BAD), (40, GOOD)):
        one.see(at, condition)
    assert one.events == [Event.RAISED]
    assert one.see(50, GOOD) is AlarmState.RETURNED


def test_an_alarm_that_comes_again_unacknowledged_is_written_again() -> None:
    # OPC 10000-9 Annex B.1.5: a re-alarm returns it to unacknowledged.
    one = raised()
    one.see(10, GOOD)
    one.see(20, BAD)
    assert one.see(30, BAD) is AlarmState.UNACKNOWLEDGED
    assert one.events == [Event.RAISED, Event.CLEARED, Event.RAISED]
    assert one.standing.raised_ms == T0 + 30_000
    assert one.standing.cleared_ms is None


def test_whoever_acknowledged_the_last_time_has_not_seen_this_one() -> None:
    one = raised()
    one.standing = acknowledge(one.alarm, one.standing, T0 + 5000, "ines", "on my way").standing
    assert one.see(10, GOOD) is AlarmState.NORMAL
    one.see(20, BAD)
    one.see(30, BAD)
    assert one.standing.state is AlarmState.UNACKNOWLEDGED
    assert (one.standing.acked_ms, one.standing.acked_by) == (None, "")


# --- the unknown -----------------------------------------------------------------------------


def test_an_active_alarm_stays_and_says_once_that_it_is_unknown_now() -> None:
    one = raised()
    one.standing = replace(one.standing, value="3.2 m")
    states = [one.look(UNKNOWN, now) for now in (200, 201, 99_999)]
    assert set(states) == {AlarmState.UNACKNOWLEDGED}
    assert one.events == [Event.RAISED, Event.UNKNOWN]
    assert one.journal[-1].note == "was high, now unknown"
    assert one.journal[-1].value == "3.2 m"
    assert one.standing.value == "3.2 m"  # the last good one stays


def test_it_says_once_that_it_is_known_again() -> None:
    one = raised()
    one.look(UNKNOWN, 200)
    one.see(300, BAD)
    one.see(310, BAD)
    assert one.events == [Event.RAISED, Event.UNKNOWN, Event.KNOWN]
    one.look(UNKNOWN, 600)
    one.see(700, GOOD)
    assert one.events[3:] == [Event.UNKNOWN, Event.KNOWN, Event.CLEARED]


def test_a_normal_alarm_says_nothing_of_being_unknown() -> None:
    one = watch()
    one.see(0, GOOD)
    one.look(UNKNOWN, 300)
    one.see(600, GOOD)
    assert one.journal == []


def test_the_unknown_completes_no_on_delay() -> None:
    one = watch(on_s=60)
    one.see(0, BAD)
    one.see(30, BAD)
    for now in (100, 1000, 5000):
        assert one.look(UNKNOWN, now) is AlarmState.NORMAL
    assert one.see(5010, BAD) is AlarmState.NORMAL  # 30 s known of 60, not 5010
    assert one.see(5039, BAD) is AlarmState.NORMAL
    assert one.see(5040, BAD) is AlarmState.UNACKNOWLEDGED


def test_gaps_in_contact_do_not_keep_a_delay_from_ever_ending() -> None:
    # A failing supply: 15 min on-delay, five minutes of readings, ten of silence, again and again.
    one = watch(on_s=900)
    for hour_part in range(4):
        began = 900.0 * hour_part
        for at in range(0, 301, 60):
            one.see(began + at, BAD)
        one.look(UNKNOWN, began + 500)
    # known time: 300 s a round, so the third round's last reading completes 900 s
    assert one.events == [Event.RAISED, Event.UNKNOWN, Event.KNOWN, Event.UNKNOWN]
    assert one.standing.raised_ms == T0 + 2_100_000


def test_the_unknown_begins_a_wait_to_be_cleared_anew() -> None:
    one = raised(off_s=60)
    one.see(10, GOOD)
    one.see(50, GOOD)
    one.look(UNKNOWN, 300)
    for at in (400, 430, 459):
        assert one.see(at, GOOD) is AlarmState.UNACKNOWLEDGED
    assert one.see(460, GOOD) is AlarmState.RETURNED


# --- the clock -------------------------------------------------------------------------------


def test_a_clock_set_back_completes_no_delay() -> None:
    one = watch(on_s=60)
    one.see(0, BAD)
    one.see(30, BAD)
    assert one.see(-3600, BAD) is AlarmState.NORMAL  # an hour back: the wait begins anew
    assert one.see(-3590, BAD) is AlarmState.NORMAL
    assert one.standing.pending_ms == T0 - 3_600_000
    assert one.see(-3541, BAD) is AlarmState.NORMAL
    assert one.see(-3540, BAD) is AlarmState.UNACKNOWLEDGED


def test_a_clock_set_back_clears_nothing() -> None:
    one = raised(off_s=60)
    one.see(10, GOOD)
    one.see(-3600, GOOD)
    assert one.see(-3599, GOOD) is AlarmState.UNACKNOWLEDGED


def test_a_clock_set_forward_lets_readings_grow_stale_and_completes_no_delay() -> None:
    one = watch(on_s=60)
    one.see(0, BAD)
    one.see(10, BAD)
    one.look(UNKNOWN, 3611)  # an hour forward: the newest reading is an hour old at once
    assert one.see(3620, BAD) is AlarmState.NORMAL
    assert one.see(3669, BAD) is AlarmState.NORMAL
    assert one.see(3670, BAD) is AlarmState.UNACKNOWLEDGED
