"""Keeps the rows of the Morning round: each is worked out again only when it may have changed.

So a page of many sites costs what has changed, not what is there.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from tallymast.domain.health.attention import Standing
from tallymast.domain.health.findings import Finding
from tallymast.domain.model import GatewayPlan
from tallymast.routes.day import NOTHING, SiteDay
from tallymast.routes.round_order import NO_NEED
from tallymast.routes.rows import SiteRow, row
from tallymast.routes.services import NetworkView


def ranks_of(found: Iterable[Finding]) -> dict[str, int]:
    """Return the rank of the gravest finding that names a site, by its key."""
    ranks: dict[str, int] = {}
    for finding in found:
        for key in finding.site_keys:
            ranks[key] = min(finding.rank, ranks.get(key, NO_NEED))
    return ranks


@dataclass(frozen=True, slots=True)
class _Made:
    """A row and what it was made of."""

    standing: Standing
    day: SiteDay
    rank: int
    row: SiteRow


class KeptRows:
    """The rows made last, by site id; those of one network at a time."""

    def __init__(self) -> None:
        self._network: NetworkView | None = None
        self._made: dict[int, _Made] = {}

    def of(
        self,
        network: NetworkView,
        gateway: GatewayPlan,
        standings: Mapping[int, Standing],
        days: Mapping[int, SiteDay],
        ranks: Mapping[str, int],
    ) -> tuple[SiteRow, ...]:
        """Return the rows of a gateway's sites.

        Args:
            network: where they are; another one than last time forgets all rows.
            gateway: whose sites.
            standings: how sites stand, the same object while nothing changed.
            days: sites' last 24 h.
            ranks: as ``ranks_of`` gives them.

        """
        if network is not self._network:
            self._made.clear()
            self._network = network
        rows = []
        for plan in gateway.sites:
            standing, day = standings[plan.site_id], days.get(plan.site_id, NOTHING)
            rank = ranks.get(plan.site.key, NO_NEED)
            made = self._made.get(plan.site_id)
            if made is None or not _same(made, standing, day, rank):
                hops, mast = network.hops(plan.site), gateway.gateway.name
                made = _Made(standing, day, rank, row(standing, day, hops, mast, rank))
                self._made[plan.site_id] = made
            rows.append(made.row)
        return tuple(rows)


def _same(made: _Made, standing: Standing, day: SiteDay, rank: int) -> bool:
    return made.standing is standing and made.rank == rank and made.day == day
