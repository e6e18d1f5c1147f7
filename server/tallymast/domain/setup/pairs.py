"""Puts what was beside what becomes of it: sites and gateways of two networks, by key."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from tallymast.domain.model import Gateway, Network, Site
from tallymast.domain.setup.proposals import Rename


@dataclass(frozen=True, slots=True)
class SitePair:
    """A site before and after; None where there is none."""

    before: Site | None
    after: Site | None

    @property
    def name(self) -> str:
        """What people call it, by its newest name."""
        found = self.after or self.before
        return found.name if found else ""


@dataclass(frozen=True, slots=True)
class GatewayPair:
    """A gateway before and after; None where there is none."""

    before: Gateway | None
    after: Gateway | None


@dataclass(frozen=True, slots=True)
class Pairs:
    """Two networks, thing beside thing; renamed ones together, by their new keys."""

    before: Network
    after: Network
    renamed: tuple[Rename, ...]
    sites: tuple[SitePair, ...]
    gateways: Mapping[str, GatewayPair]

    def new_key(self, table: str, key: str) -> str:
        """Return the key a thing of the network before has after the change."""
        for one in self.renamed:
            if one.table == table and one.old == key:
                key = one.new
        return key


def paired(before: Network, after: Network, renamed: Iterable[Rename]) -> Pairs:
    """Return two networks beside each other, in the order of the newer one, lost things last."""
    bare = Pairs(before, after, tuple(renamed), (), {})
    old_sites = {bare.new_key("site", site.key): site for site in (*before.sites, *before.retired)}
    new_sites = {site.key: site for site in (*after.sites, *after.retired)}
    sites = tuple(
        SitePair(old_sites.get(key), new_sites.get(key))
        for key in [*new_sites, *(key for key in old_sites if key not in new_sites)]
    )
    old = {bare.new_key("gateway", one.key): one for one in before.gateways}
    new = {one.key: one for one in after.gateways}
    gateways = {
        key: GatewayPair(old.get(key), new.get(key))
        for key in [*new, *(key for key in old if key not in new)]
    }
    return Pairs(before, after, bare.renamed, sites, gateways)


def is_polled(site: Site | None) -> bool:
    """Whether anybody asks a site; seasons and acts of the day are not looked at."""
    return site is not None and site.in_service and site.retired is None
