"""What holds of every cause about supplies, points and counts, whatever it names."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from tests.domain.health.diagnosis.supply_traces import (
    AGM,
    Made,
    named,
    neighbours,
    shown,
    text_of,
)
from tests.domain.health.diagnosis.test_points_and_counts import (
    OPEN,
    counter,
    level,
    refusing,
)
from tests.domain.health.diagnosis.test_supply_mains import FLOATED

from tallymast.domain.health.diagnosis.model import About, Diagnosis, Said

CUT = Made(cut=(20.5, 99.0))


@cache
def everything() -> tuple[Diagnosis, ...]:
    """One diagnosis of each kind."""
    worn = Made(capacity=lambda day: 1.0 if day < 18 else 0.02, days=28.0)
    lost = level(lambda day, v: np.where(day < 24.0, v, np.nan))
    still = level(lambda day, v: np.where(day < 24.0, v, 2.3))
    found = [
        *named([shown(CUT), *neighbours(CUT)], 24.9),
        *named([shown(worn)], 27.3),
        *named([shown(replace(CUT, supply=FLOATED))], 21.0),
        *named([shown(Made(over_from=20.0))], 23.9),
        *named([lost], 25.0, invalid=OPEN),
        *named([still], 26.0),
        *named([counter()], 24.5),
        *named([refusing(1.0)], 21.0, code=2),
        *named([refusing(1.0)], 21.0, code=4),
        *named([refusing(1.0)], 21.0, code=10),
    ]
    return tuple(found)


def test_there_is_one_of_each_kind() -> None:
    assert [one.cause for one in everything()] == [
        "not-charged",
        "battery",
        "mains-lost",
        "overcharge",
        "loop",
        "stuck",
        "restarts",
        "wrong-registers",
        "station-failed",
        "no-path",
    ]


def said_by(one: Diagnosis) -> list[Said]:
    return [one.says, one.advice, one.decides, *one.rests_on]


def test_texts_take_as_many_values_as_they_have_and_never_name_the_site() -> None:
    for one in everything():
        for said in said_by(one):
            assert said.text.count("{}") == len(said.values), one.cause
            assert "None" not in text_of(said)
            assert "nan" not in text_of(said).split()
        assert "Site 1" not in text_of(one.says)


def test_each_names_what_decides_a_chart_and_no_certainty_of_a_day() -> None:
    for one in everything():
        assert len(text_of(one.decides)) > 40
        assert len(text_of(one.advice)) < 120
        assert one.chart.from_ms < one.since_ms
        assert "will fail" not in text_of(one.says)


def test_batteries_and_mains_come_with_their_cautions() -> None:
    for one in everything():
        if one.about is About.SUPPLY:
            assert any("short circuit" in caution for caution in one.cautions), one.cause
            assert any("hydrogen" in caution for caution in one.cautions), one.cause


@pytest.mark.parametrize("day", [21.75, 24.9])
def test_two_packs_in_a_row_are_judged_as_one(day: float) -> None:
    pair = replace(AGM, nominal_v=24.0, disconnect_v=23.0)
    (one,) = named([shown(CUT), *neighbours(CUT)], day)
    (two,) = named([shown(replace(CUT, supply=pair)), *neighbours(CUT)], day)
    assert one.cause == two.cause
    assert two.score == pytest.approx(one.score, abs=0.2)
    assert two.chart.levels == ((23.0, "load disconnect"),)


def test_the_longer_a_panel_gives_nothing_the_surer_it_is() -> None:
    sites = [shown(CUT), *neighbours(CUT)]
    scores = [named(sites, day)[0].score for day in (21.75, 22.75, 23.75, 24.75)]
    assert scores == sorted(scores)
    assert scores[0] < scores[1]


def test_more_neighbours_with_sun_never_make_it_less_sure() -> None:
    own = shown(CUT)
    alone = named([own], 22.75)
    one = named([own, *neighbours(CUT, 1)], 22.75)[0].score
    three = named([own, *neighbours(CUT, 3)], 22.75)[0].score
    assert (alone[0].score if alone else 0.0) <= one <= three


def test_a_charge_that_comes_back_ends_the_accusation() -> None:
    made = replace(CUT, cut=(20.5, 24.5))
    sites = [shown(made), *neighbours(made)]
    assert named(sites, 24.4)[0].cause == "not-charged"
    assert named(sites, 25.9) == []
