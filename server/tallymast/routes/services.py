"""What the routes are handed by whoever starts them: states, database, network, clock.

Everything the web knows of the rest of the house stands here, as Protocols where another
room builds it, so that a page can be tried with twins.
"""

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, field, replace
from typing import Annotated, Protocol

from fastapi import Depends, Request

from tallymast.domain.alarms.model import Alarms
from tallymast.domain.desks import Standstill
from tallymast.domain.health.diagnosis.model import Diagnosis
from tallymast.domain.health.losses import GatewayWas
from tallymast.domain.health.since import Since
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.heartbeat import HeartbeatNow
from tallymast.domain.model import (
    GatewayPlan,
    GatewayState,
    Job,
    Network,
    Poll,
    PollPlan,
    Site,
    SitePlan,
    SiteState,
)
from tallymast.files.report_shelf import ReportShelf
from tallymast.files.shelf import Shelf
from tallymast.storage.engine import Database

LOOPBACK_HOSTS = ("127.0.0.1", "localhost", "[::1]")


class Changes(Protocol):
    """Ids of what changed after a version."""

    @property
    def version(self) -> int:
        """The version this answer brings one to."""

    @property
    def sites(self) -> frozenset[int]:
        """Sites with a newer state."""

    @property
    def gateways(self) -> frozenset[int]:
        """Gateways with a newer state."""

    @property
    def jobs(self) -> frozenset[int]:
        """Jobs that moved."""


class Follower(Protocol):
    """Somebody who waits for changes."""

    async def wait(self, timeout_s: float) -> bool:
        """Return True after a change, False when the time ran out."""


class LiveView(Protocol):
    """The newest that is known."""

    @property
    def version(self) -> int:
        """Climbs at every change."""

    def sites(self) -> Mapping[int, SiteState]:
        """Return the newest state of every site, by id."""

    def gateways(self) -> Mapping[int, GatewayState]:
        """Return the newest state of every gateway, by id."""

    def polls(self, site_id: int) -> tuple[Poll, ...]:
        """Return the latest polls of a site, oldest first."""

    def jobs(self) -> Mapping[int, Job]:
        """Return the newest jobs, by id."""

    def publish_asked(self, job: Job) -> None:
        """Take a piece of work just asked for, unless more of it is known by now."""

    def changes_since(self, version: int) -> Changes:
        """Return what changed after ``version``."""

    def follow(self) -> AbstractAsyncContextManager[Follower]:
        """Return a follower."""


class StorageCondition(Protocol):
    """How storing goes."""

    @property
    def state(self) -> str:
        """One of ok, waiting, failing."""

    @property
    def since_ms(self) -> int | None:
        """Since when."""

    @property
    def waiting(self) -> int:
        """Polls not stored yet."""

    @property
    def dropped(self) -> int:
        """Polls lost since the start."""

    @property
    def sentence(self) -> str:
        """What is wrong, for people; empty when nothing is."""


@dataclass(frozen=True, slots=True)
class PollerCondition:
    """How polling goes: ``polling``, ``standing`` (it should and does not) or ``elsewhere``."""

    state: str
    since_ms: int | None = None
    sentence: str = ""


class NetworkView:
    """The network as the web needs it: the plan, with ways to find things in it.

    Args:
        network: the network with its defaults.
        plan: all its gateways and sites, those out of service too.

    """

    def __init__(self, network: Network, plan: PollPlan) -> None:
        self.network = network
        self.title = network.title
        self.time_zone = network.time_zone
        self.contract_hour = network.contract_hour
        self.contract_zone = network.contract_zone
        self.revision_id = plan.revision_id
        self.gateways: tuple[GatewayPlan, ...] = plan.gateways
        self._sites = {site.site.key: site for gateway in plan.gateways for site in gateway.sites}
        self._gateway_of = {
            site.site_id: gateway for gateway in plan.gateways for site in gateway.sites
        }
        gateways = {one.gateway_id: one for one in plan.gateways}
        self._retired = {site.site.key: site for _, site in plan.retired}
        self._gateway_of |= {site.site_id: gateways[number] for number, site in plan.retired}

    @property
    def sites(self) -> tuple[SitePlan, ...]:
        """Every site, by gateway in file order."""
        return tuple(self._sites.values())

    @property
    def retired(self) -> tuple[SitePlan, ...]:
        """Sites that are history only; none of them is among ``sites``."""
        return tuple(self._retired.values())

    def gateways_with_retired(self) -> tuple[GatewayPlan, ...]:
        """Return every gateway with its sites, the retired ones last: for what reads history."""
        return tuple(
            replace(
                one,
                sites=(
                    *one.sites,
                    *(gone for gone in self.retired if self.gateway_of(gone.site_id) is one),
                ),
            )
            for one in self.gateways
        )

    def site(self, key: str) -> SitePlan | None:
        """Return the site with this key that is in use, or None."""
        return self._sites.get(key)

    def site_or_retired(self, key: str) -> SitePlan | None:
        """Return the site with this key, a retired one too, or None."""
        return self._sites.get(key) or self._retired.get(key)

    def hops(self, site: Site) -> int:
        """Return how many repeaters carry a site."""
        count, via = 0, site.via
        while via is not None and count < len(self._sites):
            count, via = count + 1, self._sites[via].site.via
        return count

    def gateway(self, key: str) -> GatewayPlan | None:
        """Return the gateway with this key, or None."""
        return next((one for one in self.gateways if one.gateway.key == key), None)

    def gateway_of(self, site_id: int) -> GatewayPlan:
        """Return the gateway behind which a site lies."""
        return self._gateway_of[site_id]


@dataclass(frozen=True)
class Services:
    """All that routes may use."""

    database: Database
    live: LiveView
    network: Callable[[], NetworkView]
    now_ms: Callable[[], int]
    version: str
    storage_condition: Callable[[], StorageCondition]
    poller_condition: Callable[[], PollerCondition]
    is_ready: Callable[[], bool] = lambda: True
    hosts: tuple[str, ...] = field(default=LOOPBACK_HOSTS)
    by_address: bool = False  # whether any host in figures may be asked for
    notice: Callable[[], str] = lambda: ""  # a calm sentence above every page; empty for none
    viewing: str = "open"  # or "login": seeing needs an account too, once there are any
    sign_in_hint: str = ""  # what the sign-in page says besides
    shelf: Shelf | None = None  # where finished exports lie, None where none are made
    health: Callable[[], Mapping[int, SiteHealth]] = dict  # every site's, as judged last
    losses: Callable[[], tuple[GatewayWas, ...]] = tuple  # of gateways, over since yesterday
    causes: Callable[[], tuple[Diagnosis, ...]] = tuple  # that are named now, the surest first
    judged_ms: Callable[[], int | None] = lambda: None  # when health was judged last
    reports: ReportShelf | None = None  # where the months' reports lie, None where none are kept
    report_trouble: Callable[[], str] = lambda: ""  # why the last month is not kept, a sentence
    findings_between: Callable[[int, int], Sequence[str]] = lambda *_: ()  # of a span, in words
    began: Callable[[], Mapping[str, Since]] = dict  # since when findings about points hold
    alarms: Callable[[], Alarms] = Alarms  # every alarm that is set up, and how it stands
    blind: Callable[[], str] = lambda: ""  # how long nobody looked for alarms, a sentence
    telling_trouble: Callable[[], str] = lambda: ""  # why people are not told, a sentence
    heartbeat: Callable[[], HeartbeatNow] = HeartbeatNow  # how the sign of life goes
    beat: Callable[[], None] | None = None  # sends one at once, None where none is sent from here
    mail_password: Callable[[], bool | None] = lambda: None  # whether it is set; None: not known
    desks: Callable[[], tuple[Standstill, ...]] = tuple  # that stand still
    started_ms: int = 0  # tells one run from another, so that a tab knows when to begin anew


def services(request: Request) -> Services:
    """Return what this application was created with."""
    found = request.app.state.services
    assert isinstance(found, Services)
    return found


Given = Annotated[Services, Depends(services)]
