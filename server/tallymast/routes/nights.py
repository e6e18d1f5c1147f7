"""Draws a site's nights and its supply: how far above the load's disconnect the battery stands.

The nights' line stands on the voltage at which the load is dropped; its height is what is left.
All sites of one nominal voltage have one scale, so two lines can be compared at a glance.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from tallymast.domain.health.nights import Night
from tallymast.domain.model import Supply

NIGHTS_SHOWN = 30
WIDTH, HEIGHT = 90, 18
GAUGE_WIDTH = 240
_TOP = 1.12  # of the nominal voltage: a float charge lies at the top
_BOTTOM = 0.94  # where no disconnect is known
_GAUGE_FROM, _GAUGE_TO = 0.9, 1.25


@dataclass(frozen=True, slots=True)
class Spark:
    """A drawing of nights: the line, single nights as dots, the newest night's place.

    Attributes:
        line: SVG path commands.
        dots: x, y of nights without a neighbour.
        last: x, y of the newest night, None where the last night has no reading.

    """

    line: str
    dots: tuple[tuple[float, float], ...]
    last: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark on a gauge: its place along it, what it is, its number in words."""

    x: float
    name: str
    words: str


@dataclass(frozen=True, slots=True)
class Gauge:
    """A supply voltage between what drops the load and what charges: places along 0..240."""

    now: float | None
    ticks: tuple[Tick, ...]
    tone: str


NO_SPARK = Spark("", (), None)


def draw_nights(nights: Sequence[Night], today: int, supply: Supply | None) -> Spark:
    """Return the drawing of the last thirty nights up to the day ``today``; gaps stay gaps."""
    low_v, high_v = _scale(supply)
    places: list[tuple[float, float] | None] = [None] * NIGHTS_SHOWN
    for night in nights:
        place = night.day - (today - NIGHTS_SHOWN + 1)
        if night.predawn_v is not None and 0 <= place < NIGHTS_SHOWN:
            share = min(max((night.predawn_v - low_v) / (high_v - low_v), 0.0), 1.0)
            x = 1.5 + place * (WIDTH - 3) / (NIGHTS_SHOWN - 1)
            places[place] = (round(x, 1), round(HEIGHT - share * (HEIGHT - 2), 1))
    return Spark(join_places(places), lone_places(places), places[-1] or places[-2])


def join_places(places: Sequence[tuple[float, float] | None]) -> str:
    """Return SVG path commands through the places; a gap stays a gap."""
    path, pen = "", "M"
    for place in places:
        if place is None:
            pen = "M"
            continue
        path += f"{pen}{place[0]:g} {place[1]:g}"
        pen = "L"
    return path


def lone_places(places: Sequence[tuple[float, float] | None]) -> tuple[tuple[float, float], ...]:
    """Return the places that no line shows, because both neighbours are missing."""
    padded = [None, *places, None]
    return tuple(
        here
        for before, here, after in zip(padded, padded[1:], padded[2:], strict=False)
        if here is not None and before is None and after is None
    )


def draw_gauge(
    volts: float | None, predawn_v: float | None, supply: Supply | None, tone: str
) -> Gauge:
    """Return the gauge of a supply; what is not known has no mark on it."""
    nominal = supply.nominal_v if supply else 12.0
    named = (
        ("load off", supply.disconnect_v if supply else None),
        ("load on again", supply.reconnect_v if supply else None),
        ("before dawn", predawn_v),
    )
    ticks = tuple(
        Tick(_along(value, nominal), name, f"{value:.2f}\u00a0V")
        for name, value in named
        if value is not None
    )
    return Gauge(None if volts is None else _along(volts, nominal), ticks, tone)


def _along(volts: float, nominal_v: float) -> float:
    share = (volts / nominal_v - _GAUGE_FROM) / (_GAUGE_TO - _GAUGE_FROM)
    return round(min(max(share, 0.0), 1.0) * GAUGE_WIDTH, 1)


def _scale(supply: Supply | None) -> tuple[float, float]:
    nominal = supply.nominal_v if supply else 12.0
    low = supply.disconnect_v if supply and supply.disconnect_v else _BOTTOM * nominal
    return low, _TOP * nominal
