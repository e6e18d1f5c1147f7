"""Performance figures of journals made and counted by hand.

Targets: ANSI/ISA-18.2, IEC 62682 and EEMUA 191 (secondary restatement).
"""

import pytest

from tallymast.domain.alarms.figures import TARGETS, Figures, figures
from tallymast.domain.alarms.model import AlarmState, Entry, Event
from tallymast.domain.alarms.windows import busiest, counts, floods, rate_words, upset_words
from tallymast.domain.model import Priority

T0 = 1_772_928_000_000  # midnight UTC
S, MIN, HOUR, DAY = 1000, 60_000, 3_600_000, 86_400_000


def wrote(event: Event, at_ms: int, alarm: str = "a", **more: object) -> Entry:
    state = AlarmState.NORMAL  # figures look at events alone
    return Entry(T0 + at_ms, alarm, event, state, state, **more)  # type: ignore[arg-type]


def raised(at_ms: int, alarm: str = "a", lasts_ms: int = 5 * MIN) -> list[Entry]:
    return [
        wrote(Event.RAISED, at_ms, alarm),
        wrote(Event.CLEARED, at_ms + lasts_ms, alarm),
    ]


def day_of(*journals: list[Entry], days: float = 1) -> Figures:
    return figures([entry for one in journals for entry in one], T0, T0 + round(days * DAY))


# --- rates -------------------------------------------------------------------------------------


def test_one_alarm_every_ten_minutes_is_144_a_day() -> None:
    # 144 in a day, evenly: 6 an hour, 1 in ten minutes (arithmetic).
    found = day_of(*(raised(n * 10 * MIN) for n in range(144)))
    assert (found.raised, found.windows) == (144, 144)
    assert found.per_ten_min == pytest.approx(1.0)
    assert found.per_day == pytest.approx(144.0)
    assert found.busiest == 1
    assert found.flood_share == 0.0
    assert found.full_hours_share == 0.0


def test_eleven_alarms_in_ten_minutes_are_one_flood_of_a_144th_of_the_day() -> None:
    # 11 in one window: 1 of 144, 0.694 % (arithmetic).
    found = day_of(*(raised(3 * HOUR + n * 50 * S, f"a{n}") for n in range(11)))
    (flood,) = found.floods
    assert (flood.from_ms, flood.to_ms) == (T0 + 3 * HOUR, T0 + 3 * HOUR + 10 * MIN)
    assert flood.alarms == 11
    assert found.flood_share == pytest.approx(0.00694, abs=0.000005)  # rounded to three digits
    assert found.full_windows_share == pytest.approx(1 / 144)
    assert (found.busiest, found.busiest_ms) == (11, T0 + 3 * HOUR)


def test_ten_alarms_in_ten_minutes_are_no_flood() -> None:
    found = day_of(*(raised(n * 50 * S, f"a{n}") for n in range(10)))
    assert (found.floods, found.busiest) == ((), 10)


def test_a_flood_goes_on_until_fewer_than_five_come_in_ten_minutes() -> None:
    # ends below five: from memory
    assert [
        (flood.from_ms, flood.windows, flood.alarms) for flood in floods([3, 12, 7, 5, 4, 9, 2], 0)
    ] == [(10 * MIN, 3, 24)]
    assert [flood.windows for flood in floods([11, 6], 0)] == [2]  # to the end of the span
    assert [flood.windows for flood in floods([11, 4, 11, 0], 0)] == [1, 1]


def test_the_busiest_ten_minutes_lie_across_windows() -> None:
    # six before ten o'clock and six after it, all within eight minutes
    at = [n * MIN for n in (6, 7, 7, 8, 8, 9, 10, 11, 12, 12, 13, 13)]
    assert counts(at, 0, 20 * MIN) == [6, 6]
    assert busiest(at) == (12, 6 * MIN)
    assert busiest([0, 10 * MIN]) == (1, 0)  # ten minutes apart are not within ten
    assert busiest([]) == (0, None)


def test_an_hour_of_31_alarms_is_too_full() -> None:
    found = day_of(*(raised(HOUR + n * 115 * S, f"a{n}") for n in range(31)))
    assert found.full_hours_share == pytest.approx(1 / 24)


def test_alarms_before_and_after_the_span_are_not_counted() -> None:
    found = day_of(raised(-MIN), raised(0), raised(DAY))
    assert found.raised == 1


@pytest.mark.parametrize(
    ("rate", "words"),
    [  # EEMUA 191 (secondary restatement); 3 is between its marks
        (0.9, "acceptable"),
        (2.0, "manageable"),
        (3.0, "more than manageable"),
        (5.0, "over-demanding"),
        (10.1, "very likely unacceptable"),
    ],
)
def test_an_average_rate_has_its_word(rate: float, words: str) -> None:
    assert rate_words(rate) == words


@pytest.mark.parametrize(
    ("alarms", "words"),
    [  # EEMUA 191 (secondary restatement); 12 is between its marks
        (9, "manageable"),
        (12, "demanding"),
        (20, "hard to cope with"),
        (100, "hard to cope with"),
        (101, "excessive"),
    ],
)
def test_an_upset_has_its_word(alarms: int, words: str) -> None:
    assert upset_words(alarms) == words


# --- which alarms ------------------------------------------------------------------------------


def test_the_ten_most_frequent_have_their_share() -> None:
    # one alarm 20 times, 20 others twice each: the ten first 20 + 9 * 2 = 38 of 60
    often = [raised(n * 20 * MIN, "often") for n in range(20)]
    others = [raised(n * 7 * MIN, f"b{n % 20}") for n in range(40)]
    found = day_of(*often, *others)
    assert found.top[0] == ("often", 20)
    assert len(found.top) == 10
    assert found.top_share == pytest.approx(38 / 60)


def test_three_times_in_a_minute_is_chattering_and_twice_is_not() -> None:
    quick = [raised(at * S, "quick", 5 * S) for at in (0, 20, 59)]
    slower = [raised(at * S, "slower", 5 * S) for at in (0, 30, 60, 90)]
    assert day_of(*quick, *slower).chattering == ("quick",)


def test_what_is_over_within_a_minute_is_fleeting() -> None:
    found = day_of(raised(0, "a", 59 * S), raised(HOUR, "a", 60 * S), raised(2 * HOUR, "b", 1 * S))
    assert found.fleeting == 2


def test_an_alarm_still_active_at_the_end_is_not_fleeting() -> None:
    assert day_of([wrote(Event.RAISED, DAY - S)]).fleeting == 0


def test_what_is_active_for_more_than_a_day_is_stale() -> None:
    journal = [
        *raised(0, "long", 3 * DAY),  # stale on the second and third day
        *raised(HOUR, "longer", 2 * DAY),  # stale on the second and third
        wrote(Event.RAISED, 3 * DAY + HOUR, "still"),  # stale from the fifth day on
        wrote(Event.RAISED, 4 * DAY, "young"),
    ]
    found = day_of(journal, days=4.5)
    assert found.stale == ("still",)
    assert found.stale_most == 2


def test_an_alarm_raised_before_the_span_may_be_stale_in_it() -> None:
    found = day_of([wrote(Event.RAISED, -2 * DAY, "old")])
    assert (found.raised, found.stale, found.stale_most) == (0, ("old",), 1)


def test_what_was_held_back_called_nobody() -> None:
    journal = [
        wrote(Event.SHELVED, -HOUR, "shelved"),
        *raised(HOUR, "shelved"),
        wrote(Event.UNSHELVED, 2 * HOUR, "shelved"),
        *raised(3 * HOUR, "shelved"),
        wrote(Event.SUPPRESSED, 0, "behind"),
        *raised(HOUR, "behind"),
        wrote(Event.OUT_OF_SERVICE, 0, "out"),
        *raised(HOUR, "out"),
    ]
    found = day_of(journal)
    assert (found.raised, found.hidden) == (1, 3)


def test_two_reasons_to_hold_an_alarm_back_must_both_end() -> None:
    journal = [
        wrote(Event.SHELVED, 0),
        wrote(Event.SUPPRESSED, 1),
        wrote(Event.UNSHELVED, 2),
        *raised(HOUR),
    ]
    assert day_of(journal).hidden == 1


# --- people ------------------------------------------------------------------------------------


def test_how_soon_alarms_were_acknowledged() -> None:
    journal = [
        *raised(0, "a"),
        wrote(Event.ACKNOWLEDGED, 2 * MIN, "a"),
        *raised(HOUR, "a"),
        wrote(Event.ACKNOWLEDGED, HOUR + 30 * MIN, "a"),
        *raised(HOUR, "b"),
        wrote(Event.ACKNOWLEDGED, HOUR + 10 * MIN, "b"),
        *raised(2 * HOUR, "c"),
    ]
    told = day_of(journal).acknowledging
    # 120, 600 and 1800 s; one is open
    assert (told.done, told.open, told.within_ten_min) == (3, 1, 2)
    assert (told.median_s, told.longest_s) == (600.0, 1800.0)


def test_alarms_by_priority() -> None:
    journal = [entry for n in range(20) for entry in raised(n * HOUR, f"a{n}")]
    priorities = {f"a{n}": Priority.NORMAL for n in range(16)}
    priorities |= {f"a{n}": Priority.HIGH for n in range(16, 19)} | {"a19": Priority.URGENT}
    found = figures(journal, T0, T0 + DAY, priorities)
    assert found.priorities == {Priority.URGENT: 1, Priority.HIGH: 3, Priority.NORMAL: 16}


# --- targets -----------------------------------------------------------------------------------


def test_nothing_is_judged_under_thirty_days() -> None:
    # A trade journal's article on ISA-18.2, table 2: at least 30 days.
    calm = [entry for n in range(30) for entry in raised(n * DAY)]
    short, whole = day_of(calm, days=29.9), day_of(calm, days=30)
    assert (short.is_judged, short.meets("per_ten_min")) == (False, None)
    assert (whole.is_judged, whole.meets("per_ten_min")) == (True, True)


def test_a_calm_month_meets_its_targets() -> None:
    calm = day_of([e for n in range(60) for e in raised(n * 12 * HOUR, f"a{n}")], days=30)
    missed = {name for name in TARGETS if calm.meets(name) is False}
    # ten of sixty alarms that came once each are 17 %: a share of so few says little, and is told
    assert missed == {"top_share"}
    assert calm.meets("priorities") is None


def test_a_bad_month_misses_them() -> None:
    flood = [e for n in range(30 * 144) for e in raised(n * 10 * MIN, f"a{n % 40}")]
    burst = [
        e
        for day in range(30)
        for n in range(24)
        for e in raised(day * DAY + 8 * HOUR + n * 50 * S, "quick", 20 * S)
    ]
    chatter = [e for n in range(3) for e in raised(n * 15 * S, "chatter", 5 * S)]
    stale = [wrote(Event.RAISED, 0, f"s{n}") for n in range(5)]
    found = day_of(flood, burst, chatter, stale, days=30)
    missed = {name for name in TARGETS if found.meets(name) is False}
    assert missed == {
        "busiest",
        "chattering",
        "fleeting",
        "flood_share",
        "full_windows_share",
        "stale_most",
        "top_share",
    }


def test_an_empty_journal_has_no_shares() -> None:
    found = day_of(days=30)
    assert (found.raised, found.top_share, found.per_day) == (0, None, 0.0)
    assert found.acknowledging.median_s is None
    assert found.meets("top_share") is None
    assert figures([], T0, T0).per_day is None


@pytest.mark.parametrize("name", sorted(TARGETS))
def test_every_target_names_whose_it_is(name: str) -> None:
    assert "secondary restatement" in TARGETS[name].source
