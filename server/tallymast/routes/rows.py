"""What one site's row on the Morning round shows, worked out; templates only write it down."""

from collections.abc import Sequence
from dataclasses import dataclass

from tallymast.domain.health.attention import Standing, number_of
from tallymast.domain.health.findings import (
    ContactAlarm,
    FarOutside,
    NoValue,
    Outside,
    SupplyBelowDisconnect,
    SupplyNearDisconnect,
)
from tallymast.domain.model import Point, PointKind, Quality, Reading, SiteStatus, Supply
from tallymast.routes.day import SiteDay
from tallymast.routes.formats import number, value_words
from tallymast.routes.nights import Spark
from tallymast.routes.round_order import NO_NEED, NOT_ASKED
from tallymast.routes.tape import Tape

MAIN_VALUES = 3
# What people look for first at a site; everything else is on the site's own page.
_MAIN = (
    (PointKind.ANALOG_INPUT, PointKind.RATE),
    (PointKind.TOTALIZER,),
    (PointKind.DISCRETE_INPUT, PointKind.DISCRETE_OUTPUT, PointKind.ANALOG_OUTPUT),
)


@dataclass(frozen=True, slots=True)
class Mark:
    """A state by word, shape and tone: ``calm``, ``watch``, ``act`` or ``off``."""

    word: str
    shape: str
    tone: str


CALM = Mark("answering", "disc", "calm")
_MARKS = {
    SiteStatus.COMM_FAIL: Mark("comm fail", "octagon", "act"),
    SiteStatus.NEVER_ANSWERED: Mark("never answered", "octagon", "act"),
    SiteStatus.UNREACHABLE: Mark("gateway lost", "square", "off"),
    SiteStatus.MAINTENANCE: Mark("maintenance", "diamond", "off"),
    SiteStatus.NOT_POLLED: Mark("not polled", "dash", "off"),
}
WAITS = Mark("not asked yet", "dash", "off")


@dataclass(frozen=True, slots=True)
class Cell:
    """A value as shown: its words, tone, and what to add when it is not good."""

    name: str
    words: str
    tone: str = "calm"
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Need:
    """What all findings together say of a site.

    Attributes:
        rank: of the gravest that names it.
        tone: ``act`` where one is for today, ``watch`` where it is worth watching, else empty.
        supply: the same, of what its supply's nights call for.

    """

    rank: int = NO_NEED
    tone: str = ""
    supply: str = ""


NOBODY = Need()


@dataclass(frozen=True, slots=True)
class SupplyCell:
    """A supply voltage, what it is measured against, and its nights."""

    words: str
    tone: str
    remark: str
    against: str
    spark: Spark
    left: int | None = None  # above the disconnect, in thousandths of the nominal voltage


@dataclass(frozen=True, slots=True)
class SiteRow:
    """One row; equal rows look the same, ages apart.

    ``mast`` is its gateway's name, ``rank`` that of the gravest finding that names it;
    ``traits`` are the words it can be chosen by (round_order.SHOWS).
    """

    key: str
    name: str
    area: str
    hops: int  # repeaters between its gateway and it
    mark: Mark
    pause: str
    last_answer_ms: int | None
    missed_in_row: int
    tape: Tape
    answered: int
    asked: int
    supply: SupplyCell | None
    values: tuple[Cell, ...]
    mast: str = ""
    rank: int = NO_NEED
    traits: str = ""
    tagged: str = ""  # what its do-not-operate tags hang on, in words

    @property
    def left(self) -> int | None:
        """What its supply is above the disconnect, in thousandths of the nominal voltage."""
        return None if self.supply is None else self.supply.left


def row(
    standing: Standing,
    day: SiteDay,
    hops: int = 0,
    mast: str = "",
    need: Need = NOBODY,
    tagged: str = "",
) -> SiteRow:
    """Return what a site's row shows."""
    site, state = standing.plan.site, standing.state
    supply = supply_cell(standing, day, need.supply)
    paused = standing.status in (SiteStatus.NOT_POLLED, SiteStatus.MAINTENANCE)
    return SiteRow(
        site.key,
        site.name,
        site.area,
        hops,
        row_mark(standing, need.tone),
        day.pause if standing.status is SiteStatus.NOT_POLLED else "",
        state.last_answer_ms if state else None,
        state.missed_in_row if state and standing.status is SiteStatus.IN_SERVICE else 0,
        day.tape,
        day.counts.answered,
        day.counts.asked,
        supply,
        tuple(cell(standing, point) for point in main_points(site.points)),
        mast,
        NOT_ASKED if paused else need.rank,
        _traits(standing, supply, paused, need.rank),
        tagged,
    )


def _traits(standing: Standing, supply: SupplyCell | None, paused: bool, rank: int) -> str:
    has = {
        "needs": rank < NO_NEED and not paused,
        "silent": standing.is_silent or standing.status is SiteStatus.UNREACHABLE,
        "supply": supply is not None and supply.tone in ("watch", "act"),
        "paused": paused,
    }
    return " ".join(word for word, holds in has.items() if holds)


def row_mark(standing: Standing, tone: str = "") -> Mark:
    """Return the mark of a site among others: what it is doing, and whether it needs a look.

    Args:
        standing: how it stands by its newest readings.
        tone: what all findings call for (see ``Need``); empty: as it stands.

    """
    mark = mark_of(standing)
    if mark is not CALM or not (standing.findings or tone):
        return mark
    if tone == "act" or any(finding.act for finding in standing.findings):
        return Mark("answering, look today", "octagon", "act")
    return Mark("answering, worth watching", "triangle", "watch")


def mark_of(standing: Standing) -> Mark:
    """Return the mark of what a site is doing."""
    if standing.waits:
        return WAITS
    if standing.status is SiteStatus.IN_SERVICE:
        return CALM
    return _MARKS[standing.status]


def main_points(points: Sequence[Point]) -> tuple[Point, ...]:
    """Return the points a row shows, in the order of the network file inside each kind."""
    ranked = [point for kinds in _MAIN for point in points if point.kind in kinds]
    return tuple(ranked[:MAIN_VALUES])


def cell(standing: Standing, point: Point) -> Cell:
    """Return a point's value as shown, toned by the site's own findings."""
    reading = standing.readings.get(point.tag)
    return Cell(
        point.name,
        value_words(reading, point),
        tone_of(standing, point, reading),
        remark_of(standing, reading),
    )


def tone_of(standing: Standing, point: Point, reading: Reading | None) -> str:
    """Return how loud a value is: what is not current is off, what is abnormal is not calm."""
    if reading is None or reading.quality in (Quality.STALE, Quality.NONE):
        faulty = any(isinstance(f, NoValue) and f.point == point for f in standing.findings)
        return "act" if faulty else "off"
    for finding in standing.findings:
        if isinstance(finding, FarOutside | ContactAlarm) and finding.point == point:
            return "act"
        if isinstance(finding, Outside) and finding.point == point:
            return "watch"
    return "calm"


def remark_of(standing: Standing, reading: Reading | None) -> str:
    """Return the word that goes with a value which is not good; empty where it is."""
    if reading is None or reading.quality in (Quality.NONE, Quality.GOOD):
        return ""
    if reading.quality is Quality.STALE and standing.status is not SiteStatus.IN_SERVICE:
        return "last"
    return str(reading.quality)


def supply_cell(standing: Standing, day: SiteDay, tone: str = "") -> SupplyCell | None:
    """Return the supply voltage as shown, None where the site reports none.

    Args:
        standing: how the site stands.
        day: its nights among it.
        tone: what its nights call for (see ``Need``).

    """
    site = standing.plan.site
    point = site.point_of(PointKind.SUPPLY_VOLTAGE)
    if point is None:
        return None
    reading = standing.readings.get(point.tag)
    disconnect = site.supply.disconnect_v if site.supply else None
    parts = [
        f"{name}\u00a0{number(volts, 2)}"
        for name, volts in (("pre-dawn", day.predawn_v), ("disconnect", disconnect))
        if volts is not None
    ]
    return SupplyCell(
        value_words(reading, point),
        supply_tone(standing, reading, tone),
        remark_of(standing, reading),
        ", ".join(parts),
        day.spark,
        _left(site.supply, number_of(reading), day.predawn_v),
    )


def _left(supply: Supply | None, *volts: float | None) -> int | None:
    """Return what the lowest of these voltages is above the disconnect, in 1/1000 of nominal."""
    known = [one for one in volts if one is not None]
    if supply is None or supply.disconnect_v is None or not known:
        return None
    return round(1000 * (min(known) - supply.disconnect_v) / supply.nominal_v)


def supply_tone(standing: Standing, reading: Reading | None, tone: str = "") -> str:
    """Return how loud a supply is; ``tone`` is what its nights call for."""
    if reading is None or reading.quality in (Quality.STALE, Quality.NONE):
        return "off"
    if tone == "act" or any(
        isinstance(finding, SupplyBelowDisconnect) for finding in standing.findings
    ):
        return "act"
    if tone or any(isinstance(one, SupplyNearDisconnect) for one in standing.findings):
        return "watch"
    return "calm"
