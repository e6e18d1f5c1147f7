"""What a last reading before a silence says of the battery."""

from dataclasses import replace

import pytest

from tallymast.domain.health.supply.ruled_out import is_not_the_battery
from tallymast.domain.model import Chemistry, Supply, SupplyKind

AGM = Supply(SupplyKind.SOLAR, Chemistry.AGM, 12.0, 100.0)


@pytest.mark.parametrize(
    ("supply", "volts", "expected"),
    [
        (AGM, 12.9, True),  # the repeater of the demo's second sentence
        (AGM, 12.2, False),  # below where pre-dawn volts are worth a look (common practice)
        (AGM, 11.5, False),
        (replace(AGM, nominal_v=24.0), 25.6, True),
        (replace(AGM, nominal_v=24.0), 12.9, False),
        (replace(AGM, chemistry=Chemistry.LIFEPO4), 13.1, False),  # flat until it opens
        (Supply(SupplyKind.PRIMARY, Chemistry.LITHIUM_PRIMARY, 14.4, 38.0), 14.2, False),
        (Supply(SupplyKind.MAINS), 13.8, False),  # there is none to speak of
        (None, 12.9, False),
    ],
)
def test_only_volts_that_tell_clear_it(supply: Supply | None, volts: float, expected: bool) -> None:
    assert is_not_the_battery(supply, volts) is expected
