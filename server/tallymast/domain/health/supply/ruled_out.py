"""Whether a last reading before a silence clears the battery of it."""

from typing import Final

from tallymast.domain.health.supply.limits import limits_of, packs_of
from tallymast.domain.model import Chemistry, Supply, SupplyKind

_CLEAR_V: Final = 0.2  # ours: above where pre-dawn volts are worth a look, meter error included


def is_not_the_battery(supply: Supply | None, volts: float) -> bool:
    """Return whether a supply's last reading shows that it did not run down.

    Only where voltage tells: of lithium packs it says little until they are empty.

    Args:
        supply: of the silent site.
        volts: its last reading [V].

    """
    limits = None if supply is None else limits_of(supply)
    if supply is None or limits is None or supply.chemistry is Chemistry.LIFEPO4:
        return False
    if supply.kind not in (SupplyKind.SOLAR, SupplyKind.MAINS_WITH_BATTERY):
        return False
    return volts >= limits.warn_v + _CLEAR_V * packs_of(supply)
