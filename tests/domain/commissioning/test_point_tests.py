"""Every kind of point has a way to be proven, in words, with what to mind."""

from dataclasses import replace

import pytest
from tests.domain.commissioning.conftest import HATCH, LEVEL, VOLTS

from tallymast.domain.commissioning.point_tests import (
    OPERATED,
    Way,
    cautions_for,
    method_of,
)
from tallymast.domain.model import (
    FailSafe,
    Feedback,
    Point,
    PointKind,
    Site,
    Table,
    WordLayout,
)


def a_point(kind: PointKind, **more: object) -> Point:
    return replace(
        Point("P", "A point", kind, Table.HOLDING, 0, WordLayout.UINT16),
        **more,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize("kind", PointKind)
def test_every_kind_is_told_how(kind: PointKind) -> None:
    method = method_of(a_point(kind))
    assert method.how.endswith(".")
    assert method.tolerance_pct >= 0


@pytest.mark.parametrize("kind", OPERATED)
def test_an_output_is_operated_by_hand_or_ordered(kind: PointKind) -> None:
    method = method_of(a_point(kind))
    assert method.how.startswith("By hand at the station, or ordered from here:")
    assert method.operates


def test_the_words_of_a_contact_are_asked_for() -> None:
    assert "shut and open" in method_of(HATCH).how
    assert method_of(HATCH).way is Way.STATES


def test_an_outputs_effect_and_fail_safe_are_told() -> None:
    start = a_point(
        PointKind.DISCRETE_OUTPUT,
        feedback=Feedback("RUN", 30),
        fail_safe=FailSafe("off", 120),
    )
    told = method_of(start).how
    assert "its effect shows at RUN within 30 s" in told
    assert "after 120 s the station goes off by itself" in told
    holds = replace(start, fail_safe=FailSafe("hold", 600))
    assert "after 600 s the station holds as it is" in method_of(holds).how


def test_a_loop_has_five_points_and_a_voltage_one() -> None:
    assert method_of(LEVEL).way is Way.FIVE
    assert method_of(VOLTS).way is Way.ONE
    assert method_of(a_point(PointKind.ANALOG_INPUT)).way is Way.ONE


def test_counters_are_counted() -> None:
    assert (method_of(a_point(PointKind.TOTALIZER)).count, 10) == (10, 10)
    assert method_of(a_point(PointKind.COUNTER)).count == 1


def a_site(*points: Point) -> Site:
    return Site("weir", "Weir", "mast", 1, "tank", points, 60, (), 2.0, 2, 50.0, 3)


def test_where_something_moves_people_are_told_to_stand_clear() -> None:
    # OSHA 29 CFR 1910.147: energy is controlled at the site, not on a screen.
    told = " ".join(cautions_for(a_site(a_point(PointKind.PULSE_OUTPUT), LEVEL)))
    assert "People clear" in told
    assert "1910.147" in told
    assert "never a lock-out" in told
    assert "classified area" in told


def test_where_nothing_moves_less_is_said() -> None:
    told = " ".join(cautions_for(a_site(VOLTS)))
    assert "pinch" not in told
    assert "A loop that is opened" not in told
    assert "classified area" in told
