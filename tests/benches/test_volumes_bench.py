"""The bench of volumes on two meters and three days of the simulator's past."""

from tallymast.benches.volumes import run


def test_lost_polls_cost_no_pulse_and_restarts_are_covered() -> None:
    found = run(seed=5, days=3, sites=2)
    assert found["pulse_error"] == 0
    assert found["unknown_covers_truth"] is True
    assert found["spans"] == 3  # two whole contract days and the whole
    assert isinstance(found["pulses"], float)
    assert found["pulses"] > 5_000  # three days of a meter that may do 2 Hz
