"""What can be said of a site beyond its newest reading, from its last weeks."""

from dataclasses import dataclass

from tallymast.domain.health.comms.model import CommHealth
from tallymast.domain.health.diagnosis.clues import NO_CLUES, Clues
from tallymast.domain.health.supply.model import SupplyHealth


@dataclass(frozen=True, slots=True)
class SiteHealth:
    """A site's supply and contact, as judged last, and what may tell the causes of trouble."""

    supply: SupplyHealth | None = None
    comm: CommHealth | None = None
    clues: Clues = NO_CLUES


NOT_JUDGED = SiteHealth()
