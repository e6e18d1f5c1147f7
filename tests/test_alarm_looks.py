"""One look at one alarm: what of its suppression is written down."""

from tallymast.alarms.looks import step_of
from tallymast.domain.alarms.model import (
    Alarm,
    AlarmState,
    Condition,
    Entry,
    Event,
    Kind,
    Seen,
    Standing,
    Step,
)
from tallymast.domain.model import Priority

HIGH = Alarm("weir/LVL/high", Kind.HIGH, Priority.HIGH, "weir", "LVL")
WHY = "suppressed: Weir is in maintenance, somebody works there"
NORMAL = Standing(condition=Condition.NORMAL, seen_ms=1000)
ACTIVE = Standing(AlarmState.UNACKNOWLEDGED, Condition.ABNORMAL, raised_ms=500, seen_ms=1000)


def look(one: Standing, at_ms: int, *, high: bool, why: str = WHY) -> Step:
    seen = Seen(Condition.ABNORMAL if high else Condition.NORMAL, at_ms, "4.7 m")
    return step_of(HIGH, one, seen, why, at_ms)


def events(entries: tuple[Entry, ...]) -> list[Event]:
    return [one.event for one in entries]


def test_that_a_normal_alarm_is_suppressed_is_known_and_not_written_down() -> None:
    begun = look(NORMAL, 2000, high=False)
    assert (begun.standing.suppressed_by, begun.entries) == (WHY, ())
    ended = look(begun.standing, 3000, high=False, why="")
    assert (ended.standing.suppressed_by, ended.entries) == ("", ())


def test_that_an_active_alarm_is_suppressed_is_written_down_with_its_end() -> None:
    begun = look(ACTIVE, 2000, high=True)
    assert events(begun.entries) == [Event.SUPPRESSED]
    cleared = look(begun.standing, 3000, high=False)
    assert events(cleared.entries) == [Event.CLEARED]
    ended = look(cleared.standing, 4000, high=False, why="")
    assert events(ended.entries) == [Event.UNSUPPRESSED]
    assert not ended.standing.is_held_told


def test_what_is_raised_while_it_is_suppressed_is_told_to_be_held_back_first() -> None:
    held = look(NORMAL, 2000, high=False)
    waits = look(held.standing, 3000, high=True)
    raised = look(waits.standing, 4000, high=True)
    assert events((*held.entries, *waits.entries, *raised.entries)) == [
        Event.SUPPRESSED,
        Event.RAISED,
    ]
    assert raised.entries[0].note == WHY
    assert raised.entries[0].after is AlarmState.NORMAL
    assert not raised.standing.is_shown
    ended = look(raised.standing, 5000, high=True, why="")
    assert events(ended.entries) == [Event.UNSUPPRESSED]
    assert ended.standing.is_shown
