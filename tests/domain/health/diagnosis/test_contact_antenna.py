"""A signal that fell at once, or sinks: the antenna, the path, or the mast's antenna."""

import numpy as np
import pytest
from tests.domain.health.diagnosis.contact_traces import (
    DAY,
    HOUR,
    NOW,
    Trace,
    a_site,
    evidence,
    named,
    network,
    since,
)

from tallymast.domain.health.diagnosis.model import Confidence, Diagnosis


def a_step(db: float, ago_ms: float, **how: float) -> Trace:
    return Trace(**how, moved=[lambda at: -db * since(ago_ms)(at)])


def a_slope(db: float, over: float, **how: float) -> Trace:
    moved = lambda at: -db * np.clip((at - (NOW - over * DAY)) / (over * DAY), 0, 1)  # noqa: E731
    return Trace(**how, moved=[moved])


def only(traces: list[Trace], seed: int = 1) -> Diagnosis:
    (found,) = named(network(traces, seed))
    return found


def text_of(one: Diagnosis) -> str:
    values = [value for value in one.says.values if isinstance(value, str)]
    return " ".join([one.says.text, *values, *(said.text for said in one.rests_on)])


def test_a_fall_of_19_db_that_loses_first_tries_is_the_antenna_with_its_numbers() -> None:
    broken = a_step(19, 2 * DAY)
    broken.weak = [(since(2 * DAY), 0.26)]
    found = only([broken, Trace(), Trace()])
    assert (found.cause, found.site_ids) == ("antenna", (1,))
    assert found.confidence is Confidence.SURE
    assert abs(found.since_ms - (NOW - 2 * DAY)) < 5 * 60_000
    text = text_of(found)
    # what is read scatters by a dB or two
    assert any("fell {} between" in text and f"{db}\u00a0dB" in text for db in (18, 19, 20))
    assert "retries still deliver 9" in text
    assert "of 2 others of the mast did not fall" in text
    assert any("fall protection" in one for one in found.cautions)


def test_a_step_without_lost_polls_is_one_too_within_hours() -> None:
    found = only([a_step(14, 3 * HOUR), Trace(), Trace()])
    assert found.cause == "antenna"
    assert "no more polls are lost" in text_of(found)


@pytest.mark.parametrize(("step_db", "every_s"), [(3.0, 60.0), (1.0, 600.0), (0.5, 15.0)])
def test_steps_of_the_meter_and_poll_periods_do_not_matter(step_db: float, every_s: float) -> None:
    found = only([a_step(15, DAY, step_db=step_db, every_s=every_s), Trace(), Trace()])
    assert (found.cause, found.site_ids) == ("antenna", (1,))


def test_a_dip_of_some_hours_no_deeper_than_others_before_is_nothing() -> None:
    dips = lambda at: -8.0 * (at // HOUR % 61 < 4)  # noqa: E731  every few days, four hours
    for hours in (2, 3):
        ago = (NOW // HOUR % 61 - hours) * HOUR
        moved = [lambda at, ago=ago: dips(at + ago)]
        assert named(network([Trace(moved=moved), Trace(), Trace()], 5)) == []


def test_most_of_a_mast_at_once_is_the_masts_antenna() -> None:
    found = only([a_step(12, 5 * HOUR) for _ in range(4)])
    assert (found.cause, found.site_ids) == ("mast-antenna", ())
    assert sorted(found.touched) == [1, 2, 3, 4]


def test_sites_behind_a_repeater_that_fell_with_it_only_suffer() -> None:
    traces = [a_step(12, 9 * HOUR), a_step(12, 9 * HOUR), Trace(), Trace(), Trace(), Trace()]
    sites = [
        evidence(a_site(n, 60.0 * n, one, via="site-1" if n == 2 else None), one, n)
        for n, one in enumerate(traces, 1)
    ]
    (found,) = named(sites)
    assert (found.cause, found.site_ids, found.touched) == ("antenna", (1,), (2,))


def test_a_signal_that_sinks_for_weeks_is_fading_with_its_slope() -> None:
    sinking = a_slope(9, 12, days=24)
    found = only([sinking, Trace(), Trace()])
    assert (found.cause, found.site_ids) == ("fading", (1,))
    text = text_of(found)
    assert "Slope -0." in text  # 9 dB in 12 days: 0.75 dB a day
    assert abs(found.since_ms - (NOW - 12 * DAY)) < 4 * DAY
    assert "reflected" in found.decides.text.lower()


def test_a_season_that_sinks_everywhere_accuses_no_site() -> None:
    assert named(network([a_slope(6, 15, days=28) for _ in range(4)], 3)) == []


def test_a_fall_is_never_fading_and_a_slope_never_a_fall() -> None:
    for seed in range(6):
        fell = named(network([a_step(8 + seed, 3 * DAY, days=25), Trace(), Trace()], seed))
        sank = named(network([a_slope(9 + seed, 14, days=25), Trace(), Trace()], seed))
        assert [one.cause for one in fell] == ["antenna"]
        assert [one.cause for one in sank] == ["fading"]


def test_a_sum_of_slopes_over_nine_days_is_too_young() -> None:
    assert named(network([a_slope(5, 8, days=9.2), Trace(), Trace()], 2)) == []


def test_without_a_signal_single_misses_at_all_hours_leave_two_causes_open() -> None:
    weak = Trace(signal=False, weak=[(since(2 * DAY), 0.25)])
    found = only([weak, Trace(), Trace()])
    assert found.cause == "weak-path"
    assert found.rivals
    assert found.confidence is not Confidence.SURE
