"""What of a site's weeks may tell a cause, boiled down to few numbers."""

from dataclasses import dataclass

from tallymast.domain.health.diagnosis.contact_clues import ContactClues
from tallymast.domain.health.diagnosis.point_clues import NO_POINT_CLUES, PointClues
from tallymast.domain.health.diagnosis.supply_clues import SupplyClues


@dataclass(frozen=True, slots=True)
class Clues:
    """A site's clues; ``contact`` and ``supply`` are None where there is nothing to tell from."""

    contact: ContactClues | None = None
    supply: SupplyClues | None = None
    points: PointClues = NO_POINT_CLUES


NO_CLUES = Clues()
