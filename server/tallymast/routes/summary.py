"""What the Morning round says above its table: what was checked and clean, what is not known."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil

from tallymast.domain.health.attention import Checked, Standing
from tallymast.domain.health.findings import Finding
from tallymast.domain.model import GatewayPlan, GatewayState, GatewayStatus, SiteStatus
from tallymast.routes.formats import plural
from tallymast.routes.rows import Mark


@dataclass(frozen=True, slots=True)
class Summary:
    """Counts behind the sentence on top of the page."""

    polled: int = 0
    clean: int = 0
    waiting: int = 0
    not_polled: tuple[str, ...] = ()
    maintenance: tuple[str, ...] = ()
    checked: Checked = field(default_factory=Checked)
    answering: int = 0

    @property
    def headline(self) -> str:
        """What a person reads first."""
        if self.polled == 0:
            return "No site is polled."
        if self.waiting == self.polled:
            return f"{plural(self.polled, 'site')} to ask for the first time."
        if self.clean == self.polled:
            return f"All {self.polled} polled sites need nobody."
        return f"{self.clean} of {self.polled} polled sites need nobody."

    @property
    def clean_words(self) -> str:
        """What was looked at, in counts."""
        checked = self.checked
        parts = [
            plural(self.answering, "contact"),
            plural(
                checked.supplies, "supply against its disconnect", "supplies against disconnect"
            ),
            plural(checked.limits, "value against its limits", "values against limits"),
            plural(checked.contacts, "alarm contact"),
        ]
        return ", ".join(part for part in parts if not part.startswith("0 "))

    @property
    def unknown_words(self) -> str:
        """What could not be looked at."""
        parts = []
        if self.waiting:
            parts.append(f"{plural(self.waiting, 'site')} not asked yet")
        if self.checked.unknown:
            parts.append(f"{plural(self.checked.unknown, 'value')} without a current reading")
        if self.maintenance:
            parts.append(f"in maintenance: {', '.join(self.maintenance)}")
        if self.not_polled:
            parts.append(f"not polled on purpose: {', '.join(self.not_polled)}")
        return "; ".join(parts)


def summary(
    standings: Iterable[Standing],
    found: Iterable[Finding],
    pauses: Mapping[int, str] | None = None,
) -> Summary:
    """Return the counts over all sites."""
    needing = {key for finding in found for key in finding.site_keys}
    off: dict[SiteStatus, list[str]] = {}
    polled = clean = waiting = answering = 0
    checked = Checked()
    for standing in standings:
        checked += standing.checked
        if standing.status in (SiteStatus.NOT_POLLED, SiteStatus.MAINTENANCE):
            pause = (pauses or {}).get(standing.plan.site_id, "")
            name = standing.plan.site.name
            off.setdefault(standing.status, []).append(f"{name} ({pause})" if pause else name)
            continue
        polled += 1
        waiting += standing.waits
        answering += standing.status is SiteStatus.IN_SERVICE
        clean += not standing.waits and standing.plan.site.key not in needing
    return Summary(
        polled,
        clean,
        waiting,
        tuple(off.get(SiteStatus.NOT_POLLED, ())),
        tuple(off.get(SiteStatus.MAINTENANCE, ())),
        checked,
        answering,
    )


@dataclass(frozen=True, slots=True)
class GatewayHead:
    """What stands over a gateway's sites."""

    key: str
    name: str
    mark: Mark
    sites: int
    cycle_s: float | None
    airtime_used: float | None
    holds_s: float | None
    even_s: float | None
    sentence: str

    @property
    def air_words(self) -> str:
        """Cycle and airtime, as far as known."""
        parts = []
        if self.cycle_s is not None:
            parts.append(f"a cycle takes {self.cycle_s:.1f} s")
        if self.airtime_used is not None:
            parts.append(f"airtime {self.airtime_used:.0%} used".replace("%", "\u00a0%"))
        if self.holds_s is not None:
            parts.append(f"too full: it can hold {self.holds_s:.0f} s a cycle")
        elif self.even_s is not None:
            parts.append(f"all that answer could be polled every {ceil(self.even_s)} s")
        return ", ".join(parts)


_GATEWAY_MARKS = {
    GatewayStatus.STARTING: Mark("connecting", "dash", "off"),
    GatewayStatus.CONNECTED: Mark("connected", "disc", "calm"),
    GatewayStatus.UNREACHABLE: Mark("unreachable", "octagon", "act"),
    GatewayStatus.MUTE: Mark("mute", "octagon", "act"),
}
NOT_STARTED = Mark("not polled yet", "dash", "off")


def gateway_head(plan: GatewayPlan, state: GatewayState | None) -> GatewayHead:
    """Return what stands over a gateway's sites."""
    if state is None:
        nothing = (None, None, None, None)
        name, sites = plan.gateway.name, len(plan.sites)
        return GatewayHead(plan.gateway.key, name, NOT_STARTED, sites, *nothing, "")
    return GatewayHead(
        plan.gateway.key,
        plan.gateway.name,
        _GATEWAY_MARKS[state.status],
        len(plan.sites),
        None if state.cycle_s is None else round(state.cycle_s, 1),
        None if state.airtime_used is None else round(state.airtime_used, 2),
        state.holds_s,
        None if state.even_s is None else round(state.even_s),
        state.sentence,
    )


def worst_first(found: Sequence[Finding]) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Return the findings for today, and those worth watching."""
    return tuple(f for f in found if f.act), tuple(f for f in found if not f.act)
