"""What a site's supply tells of a cause beyond its verdict."""

from dataclasses import dataclass
from datetime import tzinfo

from tallymast.domain.health.record import SiteRecord
from tallymast.domain.health.supply.model import SupplyHealth
from tallymast.domain.model import Site


@dataclass(frozen=True, slots=True)
class SupplyClues:
    """Clues from the supply's voltage.

    Attributes:
        nights: that are known.

    """

    nights: int = 0


def supply_clues(
    site: Site,
    record: SiteRecord,
    supply: SupplyHealth | None,
    *,
    now_ms: int,
    zone: tzinfo,
    place: tuple[float, float] | None,
) -> SupplyClues | None:
    """Return what the supply tells, None where nothing measures it."""
    del site, now_ms, zone, place
    return None if supply is None else SupplyClues(len(record.nights))
