"""All that a cause may be told from: what each site does now, its weeks, and the others round it.

A cause is a function of one site's evidence and of the network round it. It never sees the
record itself, nor anything of how the record came about.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

from tallymast.domain.bearings import bearing_between
from tallymast.domain.health.site_health import NOT_JUDGED, SiteHealth
from tallymast.domain.model import Gateway, GatewayStatus, Site, SiteStatus


@dataclass(frozen=True, slots=True)
class Moment:
    """What a site is doing at the moment.

    Attributes:
        status: its contact.
        since_ms: since when; of a silent site its first missed poll.
        last_answer_ms: its newest answered poll.
        missed_in_row: polls missed since.
        code: exception code of its newest poll, 0: none.
        refused: tags of points whose registers the station does not have.
        supply_v: its newest supply reading [V].
        supply_ms: when that was read.
        invalid: tags of points whose newest answer holds no valid value, and why in words.
        gateway: what its gateway is doing.
        gateway_since_ms: since when.
        gateway_reason: what is wrong with the gateway, in words.

    """

    status: SiteStatus
    since_ms: int = 0
    last_answer_ms: int | None = None
    missed_in_row: int = 0
    code: int = 0
    refused: tuple[str, ...] = ()
    supply_v: float | None = None
    supply_ms: int | None = None
    invalid: tuple[tuple[str, str], ...] = ()
    gateway: GatewayStatus = GatewayStatus.CONNECTED
    gateway_since_ms: int = 0
    gateway_reason: str = ""

    @property
    def is_silent(self) -> bool:
        """Whether it was asked and does not answer."""
        return self.status is SiteStatus.COMM_FAIL


@dataclass(frozen=True, slots=True)
class SiteEvidence:
    """One site's evidence at an instant.

    Attributes:
        site_id: whose.
        site: as people described it.
        gateway_id: of its gateway.
        gateway: through which it is reached.
        now_ms: the instant, UTC milliseconds.
        moment: what it is doing.
        health: as its last weeks were weighed, clues included.

    """

    site_id: int
    site: Site
    gateway_id: int
    gateway: Gateway
    now_ms: int
    moment: Moment
    health: SiteHealth = NOT_JUDGED

    @property
    def bearing_deg(self) -> float | None:
        """True bearing from its gateway."""
        return bearing_between(self.gateway, self.site)


@dataclass(frozen=True)
class Around:
    """The network round a site: every polled site's evidence at the same instant."""

    sites: Sequence[SiteEvidence] = field(default=())

    @cached_property
    def _by_key(self) -> dict[str, SiteEvidence]:
        return {one.site.key: one for one in self.sites}

    @cached_property
    def _by_gateway(self) -> dict[int, tuple[SiteEvidence, ...]]:
        found: dict[int, list[SiteEvidence]] = {}
        for one in self.sites:
            found.setdefault(one.gateway_id, []).append(one)
        return {gateway_id: tuple(some) for gateway_id, some in found.items()}

    def behind(self, gateway_id: int) -> tuple[SiteEvidence, ...]:
        """Return every polled site of a gateway."""
        return self._by_gateway.get(gateway_id, ())

    def carriers(self, one: SiteEvidence) -> tuple[SiteEvidence, ...]:
        """Return the repeaters that carry a site, the nearest to it first."""
        found: list[SiteEvidence] = []
        via = one.site.via
        while via in self._by_key and self._by_key[via] not in found:
            found.append(self._by_key[via])
            via = found[-1].site.via
        return tuple(found)

    def carried(self, one: SiteEvidence) -> tuple[SiteEvidence, ...]:
        """Return every polled site that a site carries as a repeater, however far behind it."""
        return tuple(other for other in self.sites if one in self.carriers(other))
