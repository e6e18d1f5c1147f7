"""Airtime against the rule of the serial line guide and plain arithmetic."""

import pytest

from tallymast.domain.modbus.airtime import character_s, exchange_minimum_s, t35_s


@pytest.mark.parametrize(
    ("baud", "milliseconds"), [(1200, 32.08), (4800, 8.02), (9600, 4.01), (19_200, 2.005)]
)
def test_silence_of_three_and_a_half_characters(baud: int, milliseconds: float) -> None:
    # MODBUS over Serial Line V1.02 §2.5.1.1 (the rule from memory, the numbers arithmetic):
    # 3.5 characters of 11 bits; rounded to 0.01 ms in the list these were taken from.
    assert t35_s(baud, 11) * 1000 == pytest.approx(milliseconds, abs=0.005)


@pytest.mark.parametrize("baud", [19_201, 38_400, 115_200])
def test_silence_is_fixed_above_19200(baud: int) -> None:
    # The same clause (from memory): 1.750 ms.
    assert t35_s(baud, 11) == 0.00175


def test_a_character_at_9600_8n1() -> None:
    assert character_s(9600, 10) == pytest.approx(1 / 960)  # arithmetic


def test_the_least_time_of_an_exchange() -> None:
    # By hand: 8 + 25 bytes of 10 bits at 9600 are 34.375 ms; two silences of 3.646 ms;
    # 20 ms turnaround; together 61.667 ms.
    assert exchange_minimum_s(8, 25, 9600, 10, 0.020) * 1000 == pytest.approx(61.667, abs=0.001)
