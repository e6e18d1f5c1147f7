"""What the causes about a supply share: words, cautions, charts, and whether others had sun."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tallymast.domain.bearings import place_of
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import ChartOf, Said, Shown
from tallymast.domain.health.diagnosis.supply_clues import SupplyClues
from tallymast.domain.health.nights import DAY_MS
from tallymast.domain.health.supply.limits import Limits, limits_of, packs_of
from tallymast.domain.health.supply.model import Forecast, SupplyHealth, Verdict
from tallymast.domain.model import Chemistry, PointKind, Supply, SupplyKind
from tallymast.domain.positions import distance_bearing

_NEAR_KM: Final = 100.0  # ours: sites so near share their weather, more or less
_LEAST_OTHERS: Final = 2  # ours: what one other had may be its own trouble
_LEAST_LIFT_V: Final = 0.25  # ours: a usual lift that shows the sun at all
_LOW_V: Final = 0.35  # ours, of a 12 V pack: so near its disconnect a battery has run down
_CHARGED_V: Final = 13.2  # of a 12 V pack: no lead-acid battery rests so high

BATTERY_CAUTIONS: Final = (
    "Batteries: a short circuit burns and throws metal; insulated tools, no rings or watch.",
    "Acid and hydrogen: goggles and gloves, air the box, no flame or spark.",
    "Lift heavy batteries with two.",
)
PANEL_CAUTION: Final = "A panel in the sun cannot be switched off: cover it, open its fuse first."
MAINS_CAUTIONS: Final = (
    "Mains wiring and its fuses are for licensed persons only.",
    "Isolate, lock out and tag by local law; a screen never replaces it.",
)


@dataclass(frozen=True, slots=True)
class Powered:
    """A site's supply as its causes see it; voltages as of a 12 V pack."""

    one: SiteEvidence
    supply: Supply
    health: SupplyHealth
    clues: SupplyClues
    limits: Limits
    packs: float

    @property
    def disconnect_v(self) -> float:
        """At which the load is dropped."""
        return self.limits.disconnect_v / self.packs

    @property
    def last_v(self) -> float | None:
        """The newest reading."""
        shown = self.one.moment.supply_v
        return self.clues.newest_v if shown is None else shown / self.packs

    @property
    def has_run_down(self) -> bool:
        """Whether it is silent, and its last reading was near where the load is dropped."""
        volts = self.last_v
        near = volts is not None and volts <= self.disconnect_v + _LOW_V
        return self.one.moment.is_silent and near

    @property
    def is_stuck(self) -> bool:
        """Whether its reading stands still, so that it tells nothing of the supply."""
        point = self.one.site.point_of(PointKind.SUPPLY_VOLTAGE)
        tags = {still.tag for still in self.one.health.clues.points.still}
        return self.health.verdict is Verdict.STUCK or (point is not None and point.tag in tags)

    @property
    def today(self) -> int:
        """The newest local day that anything is known of."""
        return self.clues.days[-1].day if self.clues.days else 0

    def volts(self, of_twelve: float) -> str:
        """Return a voltage of the pack as it is, in words."""
        return f"{of_twelve * self.packs:.1f}\u00a0V"

    def chart(self, since_ms: int, mark: str, *, before_days: float = 5.0) -> ChartOf:
        """Return the chart of its volts from some days before something began."""
        at_v, what = self.limits.disconnect_v, "load disconnect"
        levels = () if self.supply.kind is SupplyKind.MAINS else ((at_v, what),)
        begin_ms = since_ms - round(before_days * DAY_MS)
        return ChartOf(Shown.VOLTS, begin_ms, marks=((since_ms, mark),), levels=levels)


def powered(one: SiteEvidence, *kinds: SupplyKind) -> Powered | None:
    """Return a site's supply, None where it is of another kind or little is known of it."""
    supply, health = one.site.supply, one.health.supply
    clues = one.health.clues.supply
    if supply is None or health is None or clues is None or supply.kind not in kinds:
        return None
    limits = limits_of(supply)
    if limits is None or not clues.days:
        return None
    return Powered(one, supply, health, clues, limits, packs_of(supply))


def days_words(forecast: Forecast) -> str:
    """Return when the load is disconnected, as a range of days in words."""
    low, high = max(math.floor(forecast.low_days), 0), forecast.high_days
    if high is None:
        return f"{low} days at the soonest"
    return f"{low} to {math.ceil(high)} days"


def how_long(forecast: Forecast | None) -> tuple[Said, ...]:
    """Return how many nights a forecast rests on, in words."""
    if forecast is None:
        return ()
    return (Said("The forecast rests on {} nights.", f"{forecast.nights}"),)


def is_charged(found: Powered, days: Iterable[int]) -> bool | None:
    """Return whether a supply was charged as usual on some days, None where nobody knows."""
    wanted = set(days)
    shares = [
        (found.clues.share(day) or 0.0, day.peak_v or 0.0)
        for day in found.clues.days
        if day.day in wanted and day.peak_v is not None
    ]
    if not shares:
        return None
    return any(share >= 0.6 or peak >= _CHARGED_V for share, peak in shares)


# --- what the others of the network had of the sun ---------------------------------------


class Others:
    """The other sites on the sun near a site.

    Args:
        one: the site.
        around: the network.

    """

    def __init__(self, one: SiteEvidence, around: Around) -> None:
        lithium = one.site.supply is not None and one.site.supply.chemistry is Chemistry.LIFEPO4
        self._all = [
            _shares(other) for other in around.sites if _is_like(one, other, lithium=lithium)
        ]
        self.count = len(self._all)
        self._had: dict[int, float | None] = {}

    def had(self, day: int) -> float | None:
        """Return the share of a good day's lift they had, None where none of them is known."""
        if day not in self._had:
            self._had[day] = _together([shares[day] for shares in self._all if day in shares])
        return self._had[day]

    def least(self, day: int) -> float | None:
        """Return what the one of them had that had least, None where fewer than two are known."""
        known = [shares[day] for shares in self._all if day in shares]
        return min(known) if len(known) >= _LEAST_OTHERS else None


def _together(known: Sequence[float]) -> float | None:
    """Return what most of them had; of one or two the most, for one may be ill itself."""
    if not known:
        return None
    return float(max(known) if len(known) < 3 else np.median(known))


def _shares(other: SiteEvidence) -> dict[int, float]:
    clues = other.health.clues.supply
    days = clues.days if clues is not None else ()
    return {
        day.day: share
        for day in days
        if clues is not None and (share := clues.share(day)) is not None
    }


def _is_like(one: SiteEvidence, other: SiteEvidence, *, lithium: bool) -> bool:
    supply, clues = other.site.supply, other.health.clues.supply
    if other is one or other.site_id == one.site_id or supply is None or clues is None:
        return False
    if supply.kind is not SupplyKind.SOLAR or (clues.usual_lift_v or 0.0) < _LEAST_LIFT_V:
        return False
    if (supply.chemistry is Chemistry.LIFEPO4) is not lithium:
        return False
    return is_near(one, other, _NEAR_KM)


def is_near(one: SiteEvidence, other: SiteEvidence, km: float) -> bool:
    """Return whether two sites lie near each other; of one gateway where that is not known."""
    here, there = place_of(one.gateway, one.site), place_of(other.gateway, other.site)
    if here is None or there is None:
        return one.gateway_id == other.gateway_id
    return distance_bearing(*here, *there).distance_km <= km
