"""What is told of a period: every site's figures, the network's, and what was held apart."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.model import CommonCause, Outage, Share, SitePeriod
from tallymast.domain.model import Site, SitePlan
from tallymast.routes.reliability_periods import Period
from tallymast.storage.reliability import SiteHours

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Change:
    """How much a share moved, and the 95 % interval of that, in parts of 1."""

    middle: float
    low: float
    high: float

    @property
    def is_clear(self) -> bool:
        """Whether the interval leaves 0 out."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, slots=True)
class Loss:
    """A time in which a gateway was not to be reached, cut to the period.

    Attributes:
        gateway: its key.
        name: its name.
        from_ms: since when.
        to_ms: till when, or where the period ends.
        lasts: whether it goes on.
        sites: how many sites in service lie behind it; none is charged with it.

    """

    gateway: str
    name: str
    from_ms: int
    to_ms: int
    lasts: bool
    sites: int


@dataclass(frozen=True, slots=True)
class SiteReport:
    """A site's contact in a period and in the one before.

    Attributes:
        plan: whose.
        now: the period.
        before: the one before it.
        change: how the share answered moved, None where either is not known.
        first_change: the same of the share answered at the first try.
        hours: the period hour by hour.
        days: on how many contract days of the period anybody asked it.
        idle_ms: for how long of the period it was not polled on purpose.

    """

    plan: SitePlan
    now: SitePeriod
    before: SitePeriod
    change: Change | None
    first_change: Change | None
    hours: SiteHours
    days: int
    idle_ms: int

    @property
    def site(self) -> Site:
        """The site."""
        return self.plan.site


@dataclass(frozen=True)
class Report:
    """All that is known of a period.

    Attributes:
        period: which.
        sites: in the order of the network.
        network: polls answered of those asked, of all these sites.
        network_before: the same of the period before.
        change: how that moved.
        common: common causes with a site of these in it, oldest first.
        losses: losses of their gateways, oldest first.
        empty_days: contract days without a poll of any of these sites.
        before_days: contract days of the period before, and on how many of them there is one.
        lost: what is told of polls that were lost in storing, in sentences.
        at_ms: when each hour begins that any of them was asked in.
        cells: their polls in it added up: asked, answered at the first try, missed.
        names: key and name of every site of the network, by id.
        gateway_names: every gateway's name, by key.

    """

    period: Period
    sites: tuple[SiteReport, ...]
    network: Share
    network_before: Share
    change: Change | None
    common: tuple[CommonCause, ...]
    losses: tuple[Loss, ...]
    empty_days: int
    before_days: tuple[int, int]
    lost: tuple[str, ...]
    at_ms: Ints
    cells: Ints
    names: Mapping[int, tuple[str, str]]
    gateway_names: Mapping[str, str]

    @property
    def asked(self) -> int:
        """How many sites were asked at all."""
        return sum(1 for one in self.sites if one.now.counts.asked)

    @property
    def outages(self) -> list[tuple[SiteReport, Outage]]:
        """Every outage and whose it is, the newest first."""
        found = [(one, outage) for one in self.sites for outage in one.now.outages]
        return sorted(found, key=lambda pair: (-pair[1].from_ms, pair[0].site.name))
