"""The things that may call for a person, each with the facts its sentence needs.

A finding says what is so; how it is worded and where it stands on a page is decided by who
shows it. ``rank`` orders findings: the smaller, the sooner somebody should look.
"""

from dataclasses import dataclass, field
from typing import ClassVar

from tallymast.domain.model import Gateway, Point, Reading, Site


@dataclass(frozen=True, slots=True)
class Finding:
    """Something abnormal; ``act`` means today, otherwise it is worth watching."""

    rank: ClassVar[int] = 99
    act: ClassVar[bool] = True

    @property
    def key(self) -> str:
        """Names the finding the same way as long as it lasts."""
        raise NotImplementedError

    @property
    def site_keys(self) -> tuple[str, ...]:
        """The sites that need somebody because of it."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class GatewayLost(Finding):
    """No connection to a gateway: one cause for everything behind it."""

    gateway: Gateway
    since_ms: int
    sites: tuple[str, ...]
    reason: str
    rank: ClassVar[int] = 0

    @property
    def key(self) -> str:
        """Name the finding the same way as long as it lasts."""
        return f"gateway-{self.gateway.key}"

    @property
    def site_keys(self) -> tuple[str, ...]:
        """Name the sites that need somebody because of it."""
        return self.sites


@dataclass(frozen=True, slots=True)
class GatewayMute(Finding):
    """The gateway accepts the connection and no site behind it answers."""

    gateway: Gateway
    since_ms: int
    sites: tuple[str, ...]
    reason: str
    rank: ClassVar[int] = 1

    @property
    def key(self) -> str:
        """Name the finding the same way as long as it lasts."""
        return f"gateway-{self.gateway.key}"

    @property
    def site_keys(self) -> tuple[str, ...]:
        """Name the sites that need somebody because of it."""
        return self.sites


@dataclass(frozen=True, slots=True)
class PathSilent(Finding):
    """A repeater and sites behind it are silent: start at the repeater."""

    site: Site
    since_ms: int
    behind: tuple[str, ...]  # keys
    supply: Reading | None
    rank: ClassVar[int] = 2

    @property
    def key(self) -> str:
        """Name the finding the same way as long as it lasts."""
        return f"path-{self.site.key}"

    @property
    def site_keys(self) -> tuple[str, ...]:
        """Name the sites that need somebody because of it."""
        return (self.site.key, *self.behind)


@dataclass(frozen=True, slots=True)
class OfSites(Finding):
    """A finding about several sites behind a gateway: one cause.

    ``bearing_deg`` is the first and last true bearing, clockwise, where they lie in one direction.
    """

    gateway: Gateway
    sites: tuple[Site, ...]
    since_ms: int
    bearing_deg: tuple[float, float] | None

    @property
    def site_keys(self) -> tuple[str, ...]:
        """Name the sites that need somebody because of it."""
        return tuple(site.key for site in self.sites)


@dataclass(frozen=True, slots=True)
class OfSite(Finding):
    """A finding about one site; ``about`` names it in its key where its class does not."""

    site: Site
    about: ClassVar[str] = ""

    @property
    def key(self) -> str:
        """Name the finding the same way as long as it lasts."""
        return f"{self.about or type(self).__name__.lower()}-{self.site.key}"

    @property
    def site_keys(self) -> tuple[str, ...]:
        """Name the sites that need somebody because of it."""
        return (self.site.key,)


@dataclass(frozen=True, slots=True)
class Silent(OfSite):
    """Comm fail."""

    since_ms: int
    missed_in_row: int
    last_answer_ms: int | None
    supply: Reading | None
    rank: ClassVar[int] = 3


@dataclass(frozen=True, slots=True)
class NeverAnswered(OfSite):
    """Asked, and no answer since it is known."""

    since_ms: int
    asked_in_row: int
    rank: ClassVar[int] = 4


@dataclass(frozen=True, slots=True)
class SupplyBelowDisconnect(OfSite):
    """The supply is at or below the voltage at which the load is dropped."""

    reading: Reading
    disconnect_v: float
    rank: ClassVar[int] = 5


@dataclass(frozen=True, slots=True)
class Refuses(OfSite):
    """The site answered a request with an exception."""

    code: int
    rank: ClassVar[int] = 8


@dataclass(frozen=True, slots=True)
class NoSuchRegister(OfSite):
    """The station does not have some registers its profile names; they are read no more."""

    points: tuple[Point, ...]
    rank: ClassVar[int] = 12
    act: ClassVar[bool] = False


@dataclass(frozen=True, slots=True)
class SupplyNearDisconnect(OfSite):
    """The supply is a little above the voltage at which the load is dropped."""

    reading: Reading
    disconnect_v: float
    rank: ClassVar[int] = 10
    act: ClassVar[bool] = False


@dataclass(frozen=True, slots=True)
class Overdue(OfSite):
    """In service and not asked for much longer than its period."""

    last_poll_ms: int
    rank: ClassVar[int] = 14
    act: ClassVar[bool] = False


@dataclass(frozen=True, slots=True)
class OldValues(OfSite):
    """The site answers, but some of its values have not come for long."""

    points: tuple[Point, ...]
    oldest_ms: int
    rank: ClassVar[int] = 13
    act: ClassVar[bool] = False


@dataclass(frozen=True, slots=True)
class OfPoint(OfSite):
    """A finding about one point of a site.

    ``since_ms`` is when it began, ``last_ms`` and ``last`` the last reading it did not hold for;
    None where they are not known (yet).
    """

    point: Point
    reading: Reading
    since_ms: int | None = field(default=None, kw_only=True)
    last_ms: int | None = field(default=None, kw_only=True)
    last: float | None = field(default=None, kw_only=True)

    @property
    def key(self) -> str:
        """Name the finding the same way as long as it lasts."""
        return f"{type(self).__name__.lower()}-{self.site.key}-{self.point.tag}"


@dataclass(frozen=True, slots=True)
class FarOutside(OfPoint):
    """Beyond an outer limit."""

    bound: float
    above: bool
    rank: ClassVar[int] = 6


@dataclass(frozen=True, slots=True)
class Outside(OfPoint):
    """Beyond an inner limit."""

    bound: float
    above: bool
    rank: ClassVar[int] = 11
    act: ClassVar[bool] = False


@dataclass(frozen=True, slots=True)
class ContactAlarm(OfPoint):
    """A contact stands where its point calls for an alarm."""

    rank: ClassVar[int] = 7


@dataclass(frozen=True, slots=True)
class NoValue(OfPoint):
    """The site answers, and the answer holds no valid value for the point."""

    rank: ClassVar[int] = 9
