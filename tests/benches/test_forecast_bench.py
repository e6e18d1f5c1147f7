"""The bench of forecasts, on a few sites: it draws them fairly and counts honestly."""

import pytest

from tallymast.benches import forecast
from tallymast.domain.errors import ConfigError


def test_a_few_sites_give_every_figure() -> None:
    found = forecast.run(seed=5, cases=4)
    assert found["sites"] == 4
    assert set(found) >= {"inside_range", "median_width_days", "median_error_days", "inside"}
    errors = found["median_error_days"]
    assert isinstance(errors, dict)
    assert set(errors) == {"14", "7", "3"}
    inside, width = found["inside_range"], found["median_width_days"]
    assert isinstance(inside, float)
    assert isinstance(width, float)
    # Four sites make some ten forecasts; a method that is worth anything holds half of them.
    assert 0.5 <= inside <= 1.0
    assert width > 0.5


def test_a_site_is_described_as_people_know_it_and_not_as_it_is() -> None:
    drawn = [case for n in range(8) if (case := forecast.draw(9, n)) is not None]
    assert drawn
    for case in drawn:
        assert case.dark_ms > case.begun_ms
        assert case.site.supply is not None
        assert case.site.supply.meter_offset_v == 0.0
        shown = {night.peak_v for night in case.nights if night.peak_v is not None}
        # Readings come in the meter's steps.
        assert all(abs(v / case.step_v - round(v / case.step_v)) < 1e-6 for v in shown)
    assert {case.is_worn for case in drawn} == {False, True}
    assert {case.step_v for case in drawn} == {0.01, 0.1}


def test_no_sites_are_no_bench() -> None:
    with pytest.raises(ConfigError, match="at least one case"):
        forecast.run(cases=0)
