"""Sites that fall silent together: which make one cause, and which are chance.

The scenes are those of an invented basin; what belongs together in each is plain by hand.
"""

import random
from collections.abc import Mapping

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallymast.domain.health.comms.common import Placed, common_causes, explained
from tallymast.domain.health.comms.model import Cause, CommonCause, Outage

MINUTE = 60_000
DAY = 1440 * MINUTE
AT = 100 * DAY

# Long Scarp: eleven sites in service, bearing and poll period as in the invented basin
SADDLE, FAR, YARROW, CRESS = 40, 8, 9, 11
BEARINGS = {1: 22, 2: 64, 3: 79, 4: 93, 5: 110, 6: 127, SADDLE: 155, FAR: 158, YARROW: 163}
BEARINGS |= {CRESS: 170, 12: 201}
EVERY_S = {5: 30, FAR: 120, YARROW: 120, CRESS: 900, 12: 15}
BEHIND = (FAR, YARROW, CRESS)
SCARP = [
    Placed(
        site_id,
        "long-scarp",
        SADDLE if site_id in BEHIND else None,
        bearing,
        EVERY_S.get(site_id, 60) * 1000,
    )
    for site_id, bearing in BEARINGS.items()
]


def mast(*bearings: float | None, gateway: str = "mast") -> list[Placed]:
    """Sites 1, 2, … of a gateway, all reached directly and polled each minute."""
    return [
        Placed(number, gateway, None, bearing, MINUTE)
        for number, bearing in enumerate(bearings, start=1)
    ]


def silence(
    site_id: int, after_min: float = 1.0, every_min: float = 1.0, until: int | None = None
) -> Outage:
    """An outage with its first missed poll some minutes after AT."""
    from_ms = AT + round(after_min * MINUTE)
    return Outage(site_id, from_ms, until, 9, from_ms - round(every_min * MINUTE))


def silent(*site_ids: int) -> dict[int, list[Outage]]:
    """Sites that miss their first poll some seconds after each other."""
    return {one: [silence(one, 0.2 + 0.05 * one)] for one in site_ids}


def saddle_is_gone(cress_min: float = 13.0) -> dict[int, list[Outage]]:
    return {
        SADDLE: [silence(SADDLE, 0.6)],
        FAR: [silence(FAR, 1.4, 2.0)],
        YARROW: [silence(YARROW, 0.3, 2.0)],
        CRESS: [silence(CRESS, cress_min, 15.0)],
    }


def the_cause(found: list[CommonCause]) -> CommonCause:
    assert len(found) == 1
    return found[0]


def test_a_repeater_and_the_three_behind_it_are_one_cause() -> None:
    # 4 of 11: no share of the gateway would see it; the spring is polled each quarter of an hour
    cause = the_cause(common_causes(saddle_is_gone(), SCARP))
    assert (cause.kind, cause.gateway) == ("path", "long-scarp")
    assert cause.site_ids[0] == SADDLE
    assert set(cause.site_ids) == {SADDLE, *BEHIND}
    assert cause.from_ms == AT + round(0.3 * MINUTE)
    assert cause.to_ms is None


def test_a_site_that_was_not_asked_since_does_not_speak_against_a_path() -> None:
    gone = {one: own for one, own in saddle_is_gone().items() if one != CRESS}
    asked_last = {CRESS: AT - 4 * MINUTE}
    cause = the_cause(common_causes(gone, SCARP, newest_answer_ms=asked_last))
    assert (cause.kind, set(cause.site_ids)) == ("path", {SADDLE, FAR, YARROW})


def test_a_path_on_which_a_site_was_heard_is_not_gone() -> None:
    gone = {one: own for one, own in saddle_is_gone().items() if one != YARROW}
    found = common_causes(gone, SCARP, newest_answer_ms={YARROW: AT + 9 * MINUTE})
    assert [cause.kind for cause in found] == []


def test_a_repeater_alone_is_no_common_cause() -> None:
    assert common_causes({SADDLE: [silence(SADDLE)]}, SCARP) == []


def test_a_path_in_the_loss_of_a_mast_is_part_of_it() -> None:
    # 8 of 11: the repeater, the three behind it, and four of the seven others
    gone = saddle_is_gone() | silent(1, 3, 5, 12)
    cause = the_cause(common_causes(gone, SCARP))
    assert cause.kind == "gateway"
    assert set(cause.site_ids) == {SADDLE, *BEHIND, 1, 3, 5, 12}


@pytest.mark.parametrize(("count", "kinds"), [(7, ["gateway"]), (6, ["gateway"]), (5, [])])
def test_a_mast_that_loses_its_antenna_loses_most_sites(count: int, kinds: list[str]) -> None:
    # ten sites, neighbours 36 degrees apart; every second first, so that no arc is silent
    sites = mast(*(36.0 * number for number in range(10)))
    gone = silent(*[1, 3, 5, 7, 9, 2, 4][:count])
    assert [cause.kind for cause in common_causes(gone, sites)] == kinds


def test_two_of_two_sites_are_too_few_for_a_gateway() -> None:
    assert common_causes(silent(1, 2), mast(10.0, 200.0)) == []


def test_a_storm_cell_takes_four_of_twelve_in_one_direction() -> None:
    sites = mast(20, 50, 80, 110, 140, 170, 222, 228, 236, 251, 290, 330)
    cause = the_cause(common_causes(silent(7, 8, 9, 10), sites))
    assert cause.kind == "bearing"
    assert cause.site_ids == (7, 8, 9, 10)
    assert cause.bearing_deg == (222, 251)


def test_a_direction_in_which_a_site_was_heard_is_open() -> None:
    sites = mast(20, 50, 80, 110, 140, 170, 222, 228, 236, 251, 290, 330)
    assert common_causes(silent(7, 8, 10), sites) == []


def test_a_direction_may_lie_across_north() -> None:
    sites = mast(350, 358, 5, 17, 60, 100, 140, 180, 220, 260, 300, 330)
    cause = the_cause(common_causes(silent(1, 2, 3, 4), sites))
    assert cause.site_ids == (1, 2, 3, 4)
    assert cause.bearing_deg == (350, 17)


def test_sites_more_than_forty_degrees_apart_are_not_one_direction() -> None:
    sites = mast(0, 30, 60, 100, 140, 180, 220, 260)
    assert common_causes(silent(1, 2, 3), sites) == []


def test_sites_without_a_bearing_make_no_direction() -> None:
    assert common_causes(silent(1, 2, 3), mast(*[None] * 9)) == []


def test_two_sites_that_fail_in_the_same_minute_are_chance() -> None:
    assert common_causes(silent(2, 3), SCARP) == []


def test_sites_that_fail_one_after_the_other_are_not_together() -> None:
    gone = {one: [silence(one, 10.0 * one)] for one in range(1, 9)}
    assert common_causes(gone, mast(*(36.0 * number for number in range(10)))) == []


def test_a_cycle_longer_than_a_minute_holds_them_together() -> None:
    slow = [Placed(one, "mast", None, None, MINUTE, cycle_ms=5 * MINUTE) for one in range(1, 4)]
    gone = {one: [silence(one, 2.5 * one)] for one in range(1, 4)}
    assert the_cause(common_causes(gone, slow)).kind == "gateway"


def test_a_site_dead_since_yesterday_is_not_in_the_count() -> None:
    # of ten, four died yesterday: 4 of the 6 others are two thirds; of ten they would be 40 %
    sites = mast(*(36.0 * number for number in range(10)))
    dead = {one: [Outage(one, AT - DAY - one * 7 * MINUTE, None, 99)] for one in (2, 4, 6, 8)}
    cause = the_cause(common_causes(silent(1, 3, 5, 9) | dead, sites))
    assert (cause.kind, set(cause.site_ids)) == ("gateway", {1, 3, 5, 9})


def test_a_site_silent_before_the_record_begins_is_not_in_the_count() -> None:
    sites = mast(*(36.0 * number for number in range(10)))
    seen_first = {one: [Outage(one, AT, None, 99)] for one in (2, 4, 6, 8)}
    gone = silent(1, 3, 5, 9)
    cause = the_cause(common_causes(gone | seen_first, sites, [2, 4, 6, 8]))
    assert set(cause.site_ids) == {1, 3, 5, 9}
    assert the_cause(common_causes(gone, sites, [2, 4, 6, 8])) == cause


def test_a_dead_site_behind_a_repeater_does_not_hide_the_path() -> None:
    gone = saddle_is_gone() | {FAR: [Outage(FAR, AT - DAY, None, 99, AT - DAY - MINUTE)]}
    cause = the_cause(common_causes(gone, SCARP))
    assert (cause.kind, set(cause.site_ids)) == ("path", {SADDLE, YARROW, CRESS})


def test_a_site_not_polled_then_is_not_in_the_count() -> None:
    sites = mast(*(72.0 * number for number in range(5)), 180, 300)
    away = {6: [(AT - DAY, AT + DAY)], 7: [(AT, AT + DAY)]}
    assert the_cause(common_causes(silent(1, 2, 4), sites, not_polled=away)).kind == "gateway"
    assert common_causes(silent(1, 2, 4), sites) == []


def test_a_cause_ends_when_the_last_one_answers() -> None:
    gone = {one: [silence(one, 1.0, until=AT + one * 10 * MINUTE)] for one in (1, 2, 3)}
    cause = the_cause(common_causes(gone, mast(0, 90, 180)))
    assert cause.to_ms == AT + 30 * MINUTE


def test_gateways_are_not_mixed() -> None:
    sites = [Placed(number, f"mast-{number % 2}", None, 10.0, MINUTE) for number in range(1, 5)]
    assert common_causes(silent(1, 2, 3, 4), sites) == []


def test_a_chain_of_repeaters_is_one_path() -> None:
    sites = [*mast(*(36.0 * number for number in range(8)))]
    sites += [Placed(20, "mast", 1, None, MINUTE), Placed(21, "mast", 20, None, MINUTE)]
    cause = the_cause(common_causes(silent(1, 20, 21), sites))
    assert (cause.kind, cause.site_ids) == ("path", (1, 20, 21))


def test_an_outage_belongs_to_one_cause_and_is_marked() -> None:
    earlier = Outage(SADDLE, AT - DAY, AT - DAY + 9 * MINUTE, 9, AT - DAY - MINUTE)
    alone = silence(2, 400.0)
    gone = saddle_is_gone()
    gone[SADDLE] = [earlier, *gone[SADDLE]]
    gone[2] = [alone]
    causes = common_causes(gone, SCARP)
    marked: Mapping[int, tuple[Outage, ...]] = explained(gone, causes)
    assert [one.cause for one in marked[SADDLE]] == [Cause.ALONE, Cause.COMMON]
    assert [one.cause for one in marked[2]] == [Cause.ALONE]
    assert {one for one, own in marked.items() if own[-1].cause is Cause.COMMON} == {
        SADDLE,
        *BEHIND,
    }
    assert sum(len(cause.site_ids) for cause in causes) == 4


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from(sorted(BEARINGS)), st.integers(0, 12)), max_size=25),
    st.randoms(use_true_random=False),
)
def test_no_outage_has_two_causes_whatever_the_order_of_sites(
    begun: list[tuple[int, int]], luck: random.Random
) -> None:
    gone: dict[int, list[Outage]] = {}
    for site_id, minute in sorted(set(begun), key=lambda pair: pair[1]):
        begin = AT + minute * 5 * MINUTE
        gone.setdefault(site_id, []).append(
            Outage(site_id, begin, begin + 4 * MINUTE, 4, begin - MINUTE)
        )
    causes = common_causes(gone, SCARP)
    assert common_causes(gone, luck.sample(SCARP, len(SCARP))) == causes
    for cause in causes:
        assert len(cause.site_ids) == len(set(cause.site_ids)) >= 2
    marked = [one for own in explained(gone, causes).values() for one in own]
    common = [one for one in marked if one.cause is Cause.COMMON]
    assert len(common) == sum(len(cause.site_ids) for cause in causes)
