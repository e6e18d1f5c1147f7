"""When a desk stands still, and what pages say of it."""

from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.desks import Desk, Going, Standstill, Why, standstill

# 2026-03-08 07:00:00 UTC; Denver is seven hours behind until two o'clock that night.
NOON = 1_772_953_200_000
DENVER = ZoneInfo("America/Denver")


def test_one_step_that_breaks_stands_until_the_next_that_does_not() -> None:
    first = Going().broke(NOON)
    assert standstill(Desk.ORDERS, first, None) == Standstill(Desk.ORDERS, NOON, Why.BREAKS)
    again = first.broke(NOON + 500)
    assert again.since_ms == NOON  # since the first of them
    assert again.faults == 2
    assert standstill(Desk.ORDERS, again.went(), None) is None
    assert again.went().faults == 2  # and is not forgotten


@given(st.lists(st.booleans(), max_size=20))
def test_it_stands_still_exactly_while_the_last_step_broke(steps: list[bool]) -> None:
    going = Going()
    for n, is_broken in enumerate(steps):
        going = going.broke(n) if is_broken else going.went()
    found = standstill(Desk.ALARMS, going, None)
    assert (found is not None) == bool(steps and steps[-1])
    if found is not None:
        assert all(steps[found.since_ms :])
        assert found.since_ms == 0 or not steps[found.since_ms - 1]


def test_a_loop_that_has_ended_stands_still_for_good_since_its_first_fault() -> None:
    broken = Going().broke(NOON - 9_000)
    assert standstill(Desk.VOLUMES, broken, NOON) == Standstill(
        Desk.VOLUMES, NOON - 9_000, Why.ENDED
    )
    assert standstill(Desk.VOLUMES, Going(), NOON) == Standstill(Desk.VOLUMES, NOON, Why.ENDED)


def test_it_says_since_when_what_that_means_and_what_to_do() -> None:
    said = Standstill(Desk.ORDERS, NOON - 55_000, Why.BREAKS).words(NOON, DENVER)
    assert said == (
        "The order desk stands still since Sat 7 Mar 23:59:05, by a fault of the program; it tries"
        " again by itself. No order is sent or proven, and none is taken, not even off. Operate"
        " outputs at the site. If that lasts, start Tallymast again; its log says more."
    )
    ended = Standstill(Desk.ALARMS, NOON, Why.ENDED).words(NOON, DENVER)
    assert "since 00:00:00, by a fault of the program. No alarm is raised" in ended
    assert ended.endswith("Start Tallymast again; its log says more.")


def test_every_desk_and_reason_has_words_that_do_not_change_while_it_stands() -> None:
    for desk in Desk:
        for why in Why:
            one = Standstill(desk, NOON, why)
            assert one.words(NOON, DENVER) == one.words(NOON + 3_600_000, DENVER)
