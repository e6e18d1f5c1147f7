"""Rest voltages against the published tables and what is written about their disagreement."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.health.supply.chemistry import (
    FLOODED_TABLES,
    LIFEPO4_TABLES,
    REST_DRIFT_V,
    SEALED_V,
    charge_at,
    rest_curve,
    spread,
    volts_at,
)
from tallymast.domain.model import Chemistry


@pytest.mark.parametrize(
    ("volts", "expected"),
    [
        # Straight interpolation in five published tables, by numpy.interp outside of the project.
        (12.2, (60.0, 44.4, 50.0, 33.3, 60.0)),
        (12.0, (46.2, 16.2, 25.0, 25.0, 40.0)),
        (12.5, (90.0, 81.3, 87.5, 81.0, 80.0)),
    ],
)
def test_five_tables_read_five_charges_out_of_one_voltage(
    volts: float, expected: tuple[float, ...]
) -> None:
    found = [100 * charge_at(table, volts) for table in FLOODED_TABLES]
    assert found == pytest.approx(expected, abs=0.1)  # they are written down to a tenth


def test_the_spread_of_the_tables_is_what_is_said_of_a_flooded_battery() -> None:
    # 12.2 V: 33 to 60 % by table, see above.
    assert spread(Chemistry.FLOODED, 12.2) == pytest.approx((0.333, 0.60), abs=0.001)


def test_eleven_and_eight_tenths_is_already_little_charge() -> None:
    # Common practice, no published source: 11.8 V on a 12 V lead-acid battery is 5 to 30 %; two
    # tables put it below their zero.
    low, high = spread(Chemistry.FLOODED, 11.8)
    assert low < 0.05
    assert 0.25 < high < 0.35


def test_lithium_is_flat_for_most_of_its_charge() -> None:
    # 20 to 90 %: 12.8 to 13.4 V by one table, 12.636 to 13.048 V by the other; at 13.0 V one says
    # 40 to 50 %, the other 74 %.
    chart, cell = LIFEPO4_TABLES
    assert volts_at(chart, 0.9) - volts_at(chart, 0.2) == pytest.approx(0.6, abs=0.01)
    assert volts_at(cell, 0.9) - volts_at(cell, 0.2) == pytest.approx(0.412, abs=0.001)
    assert 0.40 <= charge_at(chart, 13.0) <= 0.50
    assert charge_at(cell, 13.0) == pytest.approx(0.74, abs=0.005)
    low, high = spread(Chemistry.LIFEPO4, 13.0)
    assert high - low > 0.2


def test_warmth_lifts_a_rest_voltage_as_a_battery_maker_says() -> None:
    # 12.53 V at 30 °F and 12.698 V at 100 °F, from a battery maker's answers.
    assert pytest.approx(12.698 - 12.53, abs=0.001) == REST_DRIFT_V * (37.8 + 1.1)


def test_sealed_batteries_rest_higher_when_full() -> None:
    # From memory, no public table: full AGM 12.8 to 12.9 V, gel 12.85 to 12.95 V.
    usual = volts_at(FLOODED_TABLES[1], 1.0)
    low, high = (usual + part for part in SEALED_V[Chemistry.AGM])
    assert low < 12.85 < high
    low, high = (usual + part for part in SEALED_V[Chemistry.GEL])
    assert low < 12.9 < high


@given(
    st.sampled_from(FLOODED_TABLES),
    st.floats(-0.08, 1.0),
    st.floats(-0.08, 1.0),
)
def test_less_charge_never_shows_more_volts(table: object, one: float, other: float) -> None:
    volts = rest_curve(table, np.array(sorted((one, other))))  # type: ignore[arg-type]
    assert volts[0] <= volts[1]


@given(st.sampled_from(FLOODED_TABLES), st.floats(0.25, 1.0))
def test_charge_and_volts_lead_back_to_each_other(table: object, charge: float) -> None:
    there = volts_at(table, charge)  # type: ignore[arg-type]
    assert charge_at(table, there) == pytest.approx(charge, abs=1e-6)  # type: ignore[arg-type]
