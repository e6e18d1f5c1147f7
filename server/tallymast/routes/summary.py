"""What the Morning round says above its table: what was checked and clean, what is not known."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil
from typing import Final

from tallymast.domain.health.attention import Checked, Standing
from tallymast.domain.health.findings import Finding
from tallymast.domain.health.site_health import NOT_JUDGED, SiteHealth
from tallymast.domain.health.supply.model import Verdict
from tallymast.domain.model import GatewayPlan, GatewayState, GatewayStatus, SiteStatus
from tallymast.routes.formats import plural
from tallymast.routes.rows import Mark

NAMED: Final = 3  # ours: so many sites are named where little is known, more are counted


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
    out_of_season: int = 0
    few_nights: tuple[str, ...] = ()
    nights_judged: int = 0
    weeks_judged: int = 0
    weeks_young: int = 0

    @property
    def total(self) -> int:
        """All sites, those that are not polled too."""
        return self.polled + len(self.not_polled) + len(self.maintenance)

    @property
    def headline(self) -> str:
        """What a person reads first, as the end of a sentence."""
        return f"{'; '.join([self._needing, *self._apart])}."

    @property
    def _needing(self) -> str:
        if self.polled == 0:
            return "no site is polled"
        if self.waiting == self.polled:
            return f"{plural(self.polled, 'site')} to ask for the first time"
        if self.clean == self.total:
            return f"all {self.total} sites need nobody" if self.total > 1 else "it needs nobody"
        return f"{self.clean} of {self.total} sites need nobody"

    @property
    def _apart(self) -> list[str]:
        counts = (
            (self.out_of_season, "out of season"),
            (len(self.not_polled) - self.out_of_season, "not polled on purpose"),
            (len(self.maintenance), "in maintenance"),
        )
        return [f"{n} {'is' if n == 1 else 'are'} {words}" for n, words in counts if n]

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
            plural(self.nights_judged, "supply's nights", "supplies' nights"),
            plural(self.weeks_judged, "contact against its weeks", "contacts against their weeks"),
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
        if len(self.few_nights) > NAMED:  # in a network's first week it is all of them
            parts.append(f"{len(self.few_nights)} supplies known for few nights only, no trend yet")
        else:
            parts += [f"{one}, no supply trend yet" for one in self.few_nights]
        if self.weeks_young:
            parts.append(f"{plural(self.weeks_young, 'contact')} known for less than a week")
        if self.maintenance:
            parts.append(f"in maintenance: {', '.join(self.maintenance)}")
        if self.not_polled:
            parts.append(f"not polled on purpose: {', '.join(self.not_polled)}")
        return "; ".join(parts)


def summary(
    standings: Iterable[Standing],
    found: Iterable[Finding],
    pauses: Mapping[int, str] | None = None,
    health: Mapping[int, SiteHealth] | None = None,
) -> Summary:
    """Return the counts over all sites.

    Args:
        standings: how each stands.
        found: what calls for a person.
        pauses: why sites are not asked, by id, as the end of a sentence.
        health: what their last weeks say, by id.

    """
    needing = {key for finding in found for key in finding.site_keys}
    off: dict[SiteStatus, list[str]] = {}
    clean = waiting = answering = out_of_season = 0
    polled: list[Standing] = []
    checked = Checked()
    for standing in standings:
        checked += standing.checked
        if standing.status in (SiteStatus.NOT_POLLED, SiteStatus.MAINTENANCE):
            pause = (pauses or {}).get(standing.plan.site_id, "")
            name = standing.plan.site.name
            off.setdefault(standing.status, []).append(f"{name} ({pause})" if pause else name)
            out_of_season += pause.startswith("out of season")
            continue
        polled.append(standing)
        waiting += standing.waits
        answering += standing.status is SiteStatus.IN_SERVICE
        clean += not standing.waits and standing.plan.site.key not in needing
    weeks = [(one, (health or {}).get(one.plan.site_id, NOT_JUDGED)) for one in polled]
    comms = [one.comm for _, one in weeks if one.comm is not None]
    return Summary(
        len(polled),
        clean,
        waiting,
        tuple(off.get(SiteStatus.NOT_POLLED, ())),
        tuple(off.get(SiteStatus.MAINTENANCE, ())),
        checked,
        answering,
        out_of_season,
        _few_nights(weeks),
        sum(_nights_told(one) for _, one in weeks),
        sum(one.is_judged for one in comms),
        sum(not one.is_judged for one in comms),
    )


def _nights_told(health: SiteHealth) -> bool:
    supply = health.supply
    return supply is not None and supply.verdict not in (Verdict.FEW_NIGHTS, Verdict.UNKNOWN)


def _few_nights(weeks: Iterable[tuple[Standing, SiteHealth]]) -> tuple[str, ...]:
    return tuple(
        f"{standing.plan.site.name}: {plural(one.supply.nights, 'night')} only"
        for standing, one in weeks
        if one.supply is not None and one.supply.verdict is Verdict.FEW_NIGHTS
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
