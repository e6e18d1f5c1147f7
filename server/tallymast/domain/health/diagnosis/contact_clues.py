"""What a site's contact and signal tell of a cause."""

from dataclasses import dataclass
from datetime import tzinfo

from tallymast.domain.health.comms.model import CommHealth
from tallymast.domain.health.record import SiteRecord
from tallymast.domain.model import Site


@dataclass(frozen=True, slots=True)
class ContactClues:
    """Clues from polls and signal.

    Attributes:
        days: of record.

    """

    days: float = 0.0


def contact_clues(
    site: Site, record: SiteRecord, comm: CommHealth, *, now_ms: int, zone: tzinfo
) -> ContactClues | None:
    """Return what contact and signal tell, None where nobody asked the site."""
    del site, now_ms, zone
    return None if record.contact is None else ContactClues(comm.days)
