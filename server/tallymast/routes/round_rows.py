"""Keeps the rows of the Morning round: each is worked out again only when it may have changed.

So a page of many sites costs what has changed, not what is there.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from tallymast.domain.health.attention import Standing
from tallymast.domain.health.findings import Finding
from tallymast.domain.health.judged import SupplyJudged
from tallymast.domain.model import GatewayPlan
from tallymast.domain.orders.model import TagOut
from tallymast.routes.day import NOTHING, SiteDay
from tallymast.routes.rows import NOBODY, Need, SiteRow, row
from tallymast.routes.services import NetworkView


def ranks_of(found: Iterable[Finding]) -> dict[str, Need]:
    """Return what is found of each site that is named, by its key."""
    needs: dict[str, Need] = {}
    for finding in found:
        tone = "act" if finding.act else "watch"
        for key in finding.site_keys:
            need = needs.get(key, NOBODY)
            needs[key] = Need(
                min(finding.rank, need.rank),
                _graver(tone, need.tone),
                _graver(tone, need.supply) if isinstance(finding, SupplyJudged) else need.supply,
            )
    return needs


def _graver(one: str, other: str) -> str:
    return "act" if "act" in (one, other) else one or other


@dataclass(frozen=True, slots=True)
class _Made:
    """A row and what it was made of."""

    standing: Standing
    day: SiteDay
    need: Need
    tagged: str
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
        ranks: Mapping[str, Need],
        tags: Mapping[int, Sequence[TagOut]],
    ) -> tuple[SiteRow, ...]:
        """Return the rows of a gateway's sites.

        Args:
            network: where they are; another one than last time forgets all rows.
            gateway: whose sites.
            standings: how sites stand, the same object while nothing changed.
            days: sites' last 24 h.
            ranks: as ``ranks_of`` gives them.
            tags: do-not-operate tags that hang, by site id.

        """
        if network is not self._network:
            self._made.clear()
            self._network = network
        rows = []
        for plan in gateway.sites:
            standing, day = standings.get(plan.site_id), days.get(plan.site_id, NOTHING)
            if standing is None:  # the network was changed while this was made
                continue
            need = ranks.get(plan.site.key, NOBODY)
            made = self._made.get(plan.site_id)
            tagged = tagged_words(tags.get(plan.site_id, ()))
            if made is None or not _same(made, standing, day, need, tagged):
                hops, mast = network.hops(plan.site), gateway.gateway.name
                made_row = row(standing, day, hops, mast, need, tagged)
                made = _Made(standing, day, need, tagged, made_row)
                self._made[plan.site_id] = made
            rows.append(made.row)
        return tuple(rows)


def tagged_words(tags: Sequence[TagOut]) -> str:
    """Return on what do-not-operate tags hang: ``the whole site`` or tags of outputs."""
    if any(one.point_id is None for one in tags):
        return "the whole site"
    return ", ".join(one.tag for one in tags)


def _same(made: _Made, standing: Standing, day: SiteDay, need: Need, tagged: str) -> bool:
    same = made.standing is standing and made.need == need and made.day == day
    return same and made.tagged == tagged
