"""A site's last weeks held in memory, for whoever has them as rows of readings."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.model import Outage
from tallymast.domain.health.nights import Night
from tallymast.domain.health.record import ContactHours
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.spans import SpanSeries

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class HeldRecord:
    """A ``SiteRecord`` of readings.

    Attributes:
        contact: see ``SiteRecord``, as the next three.
        nights: the supply's.
        answers: answer times by contract day.
        outages: of the last fortnight.
        series: of each point its readings: when, ascending, and what; NaN where invalid.
        units: of points, by tag.

    """

    contact: ContactHours | None = None
    nights: Sequence[Night] = ()
    answers: Sequence[tuple[int, Mapping[int, int]]] = ()
    outages: Sequence[Outage] = ()
    series: Mapping[str, tuple[Ints, Floats]] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)

    def hours(self, tag: str, from_ms: int, to_ms: int) -> SpanSeries:
        """Return a point by the clock hours that begin in a span."""
        first = -(-from_ms // HOUR_MS) * HOUR_MS
        starts = np.arange(first, to_ms, HOUR_MS, dtype=np.int64)
        at_ms, values = self.readings(tag, first, to_ms)
        known = ~np.isnan(values)
        return _by_hour(self.units.get(tag, ""), starts, at_ms[known], values[known])

    def readings(self, tag: str, from_ms: int, to_ms: int) -> tuple[Ints, Floats]:
        """Return a point's readings of a span."""
        at_ms, values = self.series.get(tag, (np.zeros(0, np.int64), np.zeros(0)))
        inside = slice(*np.searchsorted(at_ms, (from_ms, to_ms)).tolist())
        return at_ms[inside], values[inside]


def _by_hour(unit: str, starts: Ints, at_ms: Ints, values: Floats) -> SpanSeries:
    n_hours = len(starts)
    nothing, zeros = np.full(n_hours, np.nan), np.zeros(n_hours, np.int64)
    whole = SpanSeries(
        unit,
        starts,
        zeros,
        nothing,
        nothing.copy(),
        nothing.copy(),
        nothing.copy(),
        nothing.copy(),
        zeros.copy(),
        zeros.copy(),
    )
    if not len(at_ms):
        return whole
    hour = (at_ms - starts[0]) // HOUR_MS
    used, begins, counts = np.unique(hour, return_index=True, return_counts=True)
    ends = begins + counts - 1
    whole.n[used] = counts
    whole.least[used] = np.minimum.reduceat(values, begins)
    whole.mean[used] = np.add.reduceat(values, begins) / counts
    whole.most[used] = np.maximum.reduceat(values, begins)
    whole.first[used], whole.last[used] = values[begins], values[ends]
    moved = np.concatenate(([0], (np.diff(values) != 0).astype(np.int64)))
    moved[begins] = 0  # what changed from one hour to the next is in neither
    whole.changes[used] = np.add.reduceat(moved, begins)
    return whole
