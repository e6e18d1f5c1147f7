"""How a totalizer goes on over a new station: its register begins anew, the count does not."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from tallymast.domain.health.diagnosis.point_restarts import Restart
from tallymast.domain.health.site_health import SiteHealth

NEAR_MS: Final = 30 * 60_000  # ours: so far the stated time of an exchange may be off


@dataclass(frozen=True, slots=True)
class Bridge:
    """What happened to one totalizer, in counts of its register.

    Attributes:
        before: the old register's last reading; None: not known.
        after: the new one's first; None: not known yet.
        unknown: counts that ran while neither counted; None: nobody knows.

    """

    tag: str
    before: float | None
    after: float | None
    unknown: float | None = None

    @property
    def add(self) -> float | None:
        """What continues the old count when added to the new register; None: not known.

        Counts nobody saw are added only where somebody stated them.
        """
        if self.before is None or self.after is None:
            return None
        return self.before - self.after + (self.unknown or 0.0)


def doubt(before: float | None, after: float | None) -> str:
    """Return in a sentence that a first reading looks like the old register's next one."""
    if before is None or after is None or after < before:
        return ""
    return (
        "The new register reads no less than the old one did: is that reading still the old "
        "station's, or was the new one set to go on? Look at the time of the exchange."
    )


def without_replacements(health: SiteHealth, replaced_ms: Sequence[int]) -> SiteHealth:
    """Return a site's health in which no exchange of its station counts as a restart by itself.

    Args:
        health: as weighed from the record alone.
        replaced_ms: when stations were replaced there [UTC ms].

    """
    points = health.clues.points
    if not replaced_ms or not points.restarts:
        return health
    told = tuple(_as_work(one, replaced_ms) for one in points.restarts)
    return replace(health, clues=replace(health.clues, points=replace(points, restarts=told)))


def _as_work(one: Restart, replaced_ms: Sequence[int]) -> Restart:
    near = any(one.from_ms - NEAR_MS <= at <= one.to_ms + NEAR_MS for at in replaced_ms)
    return replace(one, quiet=True) if near else one


def count_words(count: float) -> str:
    """Return a count with grouped digits: ``48 105``."""
    return f"{count:,.0f}".replace(",", "\u202f").replace("-", "\u2212")


def bridge_words(bridge: Bridge) -> str:
    """Return in a sentence how the old count goes on, and what nobody knows of it."""
    add = bridge.add
    if add is None:
        which = "old" if bridge.before is None else "new"
        return f"{bridge.tag}: the {which} register's reading is not known; the count begins anew."
    if add >= 0:
        told = f"add {count_words(add)} to the new register to continue the old count"
    else:
        told = f"take {count_words(-add)} from the new register to continue the old count"
    if bridge.unknown is None:
        return f"{bridge.tag}: {told}; what passed while no station counted is not known."
    if bridge.unknown:
        return (
            f"{bridge.tag}: {told}; {count_words(bridge.unknown)} of it passed while no station "
            "counted, as stated."
        )
    return f"{bridge.tag}: {told}; nothing passed meanwhile, as stated."
