"""A simulated station, written apart from our codec, does what orders write and shows it."""

import numpy as np
import pytest
from tests.domain.orders.around import LAMP, OFF, ON, RAISE, SET, START, pulse, setpoint, site

from tallymast.domain.model import Point, Table, WriteTarget
from tallymast.domain.orders.model import Wanted
from tallymast.domain.orders.writing import holds, read_of, request_of, shows
from tallymast.simulator.outputs import Outputs

T0 = 1_772_953_200.0
VALVE = Point(
    "VALVE",
    "Valve",
    START.kind,
    Table.HOLDING,
    40,
    START.layout,
    write=WriteTarget(Table.HOLDING, 40, 6),
)
STATION = site(points=(START, LAMP, RAISE, SET, VALVE))


@pytest.mark.parametrize(
    ("point", "wanted", "after_s", "value"),
    [
        (START, ON, 1.0, 1.0),
        (START, OFF, 1.0, 0.0),
        (LAMP, ON, 1.0, 1.0),
        (VALVE, ON, 1.0, 1.0),
        (VALVE, OFF, 1.0, 0.0),
        (SET, setpoint(42.54), 1.0, 42.5),
        (RAISE, pulse(60), 1.0, 59.0),  # it counts down by itself
        (RAISE, pulse(60), 59.9, 0.1),
    ],
)
def test_a_station_takes_what_is_written_and_shows_it(
    point: Point, wanted: Wanted, after_s: float, value: float
) -> None:
    outputs = Outputs(STATION)
    outputs.heard(T0)
    request = request_of(2, point, wanted)
    assert outputs.write(request.target.table, request.start, request.values, T0)
    words = outputs.words(point, T0 + after_s)
    assert words is not None
    read_back = tuple(int(word) for word in np.ravel(words))
    assert len(read_back) == read_of(2, point).count
    # a tenth: one count of a pulse; a set-point's count is 0.1 too
    assert shows(point, read_back) == pytest.approx(value, abs=0.1)
    assert holds(point, wanted, read_back, after_s)


def test_a_station_whose_pulse_was_ended_shows_nothing_left() -> None:
    outputs = Outputs(STATION)
    for wanted, at_s in ((pulse(60), T0), (OFF, T0 + 5)):
        request = request_of(2, RAISE, wanted)
        outputs.write(request.target.table, request.start, request.values, at_s)
    words = tuple(int(word) for word in np.ravel(outputs.words(RAISE, T0 + 6)))
    assert holds(RAISE, OFF, words, 1.0)
    assert not holds(RAISE, pulse(60), words, 6.0)
    assert outputs.ran_s(RAISE, T0 + 60) == pytest.approx(5.0)
