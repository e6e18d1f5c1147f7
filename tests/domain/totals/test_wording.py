"""The sentences that pages show of counts."""

from tallymast.domain.totals.model import CountStep, Step, StepKind
from tallymast.domain.totals.segments import Segment
from tallymast.domain.totals.wording import event_words, known_words, unknown_words

MIN = 60_000
HOUR = 60 * MIN


def clock(at_ms: int) -> str:
    return f"{at_ms // HOUR:02d}:{at_ms // MIN % 60:02d}"


def test_a_restart_is_told_with_its_hours_and_what_is_unknown() -> None:
    reset = Step(StepKind.RESET, 0.0, 4920.0)
    one = CountStep(2 * HOUR + 14 * MIN, 2 * HOUR + 55 * MIN, 48112, 7, reset)
    told = event_words(one, clock).replace("\u202f", " ")
    assert told == "counter restarted 02:14\u201302:55; 0 to 4 920 pulses unknown"
    day = Segment(0, 24 * HOUR, 1399, known_ms=24 * HOUR - 41 * MIN)
    assert known_words(day) == "97\u00a0% of the day is known"


def test_what_has_no_bound_is_never_told_as_a_number() -> None:
    assert unknown_words(None) == "nobody can say how many pulses are unknown"
    assert unknown_words(0.0) == ""
    assert unknown_words(7.0, both_ways=True) == "up to 7 pulses either way unknown"
    gap = Step(StepKind.UNPROVEN, 40.0, 0.0, 1160.0)
    told = event_words(CountStep(0, HOUR, 1, 41, gap), clock).replace("\u202f", " ")
    assert told.endswith("if it had none, up to 1 160 pulses more passed")


def test_a_restart_that_may_lie_elsewhere_is_told_with_no_sure_hour() -> None:
    near = CountStep(2 * HOUR, 3 * HOUR, 20, 620, Step(StepKind.NEARBY, 600.0, 600.0))
    told = event_words(near, clock)
    assert told == "station restarted at some time about 02:00\u201303:00; 0 to 600 pulses unknown"


def test_nearly_all_is_not_all_and_nearly_nothing_is_something() -> None:
    assert known_words(Segment(0, 1000, known_ms=999)) == "99\u00a0% of the day is known"
    assert known_words(Segment(0, 1000, known_ms=1), "month") == "1\u00a0% of the month is known"
    assert known_words(Segment(0, 1000, known_ms=1000)) == "all of the day is known"
    assert known_words(Segment(0, 1000)) == "nothing of the day is known"
