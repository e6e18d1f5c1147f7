"""What a finding's chart shows, before it is drawn: panes with lines over one axis of time.

One picture is drawn twice: large in the browser (evidence_figure.py), and small into the page
itself for paper (evidence_spark.py). What it shows stands beside it in words.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.diagnosis.model import ChartOf, Diagnosis
from tallymast.domain.model import SitePlan
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.spans import SpanSeries
from tallymast.domain.zones import find_zone
from tallymast.routes.services import NetworkView

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

MOST_SITES: Final = 4  # ours: as many lines as dash and symbol tell apart
LONGEST_MS: Final = 366 * 24 * HOUR_MS
LEAST_REACH: Final = 5.0  # ours: so much of a scale is shown, that a trifle looks like one
_GAP: Final = 1.5  # hours further apart than so many have a gap between them


class Drawn(StrEnum):
    """How a line is drawn."""

    LINE = "line"
    EDGE = "edge"  # a faint line: the end of a band
    STEPS = "steps"  # a line that keeps its value until the next
    DOTS = "dots"
    BARS = "bars"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a pane.

    Attributes:
        name: for people.
        at: when: UTC milliseconds, or hours of the local day; ascending, shape (n,).
        values: in the pane's unit, NaN in gaps, shape (n,).
        drawn: how.
        place: 0..3: which dash, symbol and colour.
        of: polls or readings each value rests on, shape (n,); None: not told.

    """

    name: str
    at: NDArray[np.int64] | Floats
    values: Floats
    drawn: Drawn = Drawn.LINE
    place: int = 0
    of: Ints | None = None


@dataclass(frozen=True, slots=True)
class Pane:
    """One drawing area; all panes of a picture share the axis beneath.

    Attributes:
        title: what it is of.
        unit: of its values.
        lines: the main one first.
        levels: values to draw a line at, and what they are.
        from_zero: whether its scale begins at 0.
        words: of a contact's values 0 and 1.

    """

    title: str
    unit: str
    lines: tuple[Line, ...]
    levels: tuple[tuple[float, str], ...] = ()
    from_zero: bool = False
    words: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """What one line shows, in words: before the finding began, and since."""

    name: str
    before: str
    since: str


@dataclass(frozen=True, slots=True)
class Picture:
    """All that a finding's chart shows.

    Attributes:
        caption: what it is of.
        panes: from the top.
        span: its begin and end, UTC milliseconds.
        told: the same in words.
        parts: where what is told of before begins, and where since; None: all is one.
        marks: instants and what happened there.
        by_hour: whether the axis is the hours of the local day, 0..24, and not time.
        window: on such an axis, hours that are shaded.
        missing: sentences about what cannot be drawn.

    """

    caption: str
    panes: tuple[Pane, ...]
    span: tuple[int, int]
    told: tuple[Told, ...] = ()
    parts: tuple[int, int] | None = None
    marks: tuple[tuple[int, str], ...] = ()
    by_hour: bool = False
    window: tuple[float, float] | None = None
    missing: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class Wanted:
    """What is to be drawn.

    Attributes:
        one: the finding.
        sites: the sites shown, at most four.
        span: begin and end, UTC milliseconds.
        zone: whose clock.

    """

    one: Diagnosis
    sites: tuple[SitePlan, ...]
    span: tuple[int, int]
    zone: tzinfo

    @property
    def chart(self) -> ChartOf:
        """Return what the finding asks for."""
        return self.one.chart

    @property
    def since_ms(self) -> int | None:
        """The instant that parts before from since; None where the span lies on one side."""
        begin, end = self.span
        inside = begin + HOUR_MS <= self.one.since_ms <= end - HOUR_MS
        return self.one.since_ms if inside else None

    @property
    def parts(self) -> tuple[int, int] | None:
        """Where what is told of before begins, and where since."""
        return None if self.since_ms is None else (self.span[0], self.since_ms)

    @property
    def are_several(self) -> bool:
        """Whether lines have to tell whose they are."""
        return len(self.sites) > 1


def wanted(network: NetworkView, one: Diagnosis, now_ms: int) -> Wanted:
    """Return what a finding's chart is to show.

    Args:
        network: where its sites are.
        one: the finding.
        now_ms: the end of a chart that goes on: now, or when the finding ended.

    """
    end_ms = now_ms if one.chart.to_ms is None else min(one.chart.to_ms, now_ms)
    begin_ms = max(min(one.chart.from_ms, end_ms - HOUR_MS), end_ms - LONGEST_MS)
    zone = find_zone(network.time_zone)
    return Wanted(one, shown_sites(network, one), (begin_ms, end_ms), zone)


def shown_sites(network: NetworkView, one: Diagnosis) -> tuple[SitePlan, ...]:
    """Return the sites a finding is shown at: the accused, else those that suffer from it."""
    known = {plan.site_id: plan for plan in network.sites}
    ids = one.site_ids or one.touched or _behind(network, one.gateway_id)
    return tuple(known[site_id] for site_id in ids if site_id in known)[:MOST_SITES]


def _behind(network: NetworkView, gateway_id: int) -> Sequence[int]:
    return [
        plan.site_id
        for gateway in network.gateways
        if gateway.gateway_id == gateway_id
        for plan in gateway.sites
        if plan.is_polled
    ]


def most_from_zero(panes: Sequence[Pane]) -> float:
    """Return the upper end of scales that begin at 0; they share one, to be compared."""
    values = [line.values for pane in panes if pane.from_zero for line in pane.lines]
    return float(np.nanmax(np.concatenate([[LEAST_REACH], *values])))


def breaks(at_ms: Ints) -> Ints:
    """Return the places before which hours are missing, for ``numpy.insert``."""
    return np.flatnonzero(np.diff(at_ms) > _GAP * HOUR_MS) + 1


# --- what pictures share --------------------------------------------------------------------


def hour_line(name: str, spans: SpanSeries, values: Floats, place: int = 0) -> Line:
    """Return a line of values by hour, each at its hour's middle."""
    return Line(name, spans.at_ms + HOUR_MS // 2, values, place=place, of=spans.n)


def no_point(plan: SitePlan, what: str) -> str:
    """Return the sentence about a site that has not what is to be drawn."""
    return f"{plan.site.name} has no {what} point."


def over_time(
    caption: str, what: Wanted, panes: list[Pane], told: list[Told], missing: list[str]
) -> Picture:
    """Return the picture of panes over time, with the finding's own marks."""
    return Picture(
        caption,
        tuple(panes),
        what.span,
        tuple(told),
        what.parts,
        what.chart.marks,
        missing=tuple(missing),
    )
