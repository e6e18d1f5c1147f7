"""What a site's points tell of a cause: restarts, totals, loops, readings that stand still."""

from dataclasses import dataclass

from tallymast.domain.health.record import SiteRecord
from tallymast.domain.model import Site


@dataclass(frozen=True, slots=True)
class PointClues:
    """Clues from points other than supply and signal."""


NO_POINT_CLUES = PointClues()


def point_clues(site: Site, record: SiteRecord, *, now_ms: int) -> PointClues:
    """Return what points tell."""
    del site, record, now_ms
    return NO_POINT_CLUES
