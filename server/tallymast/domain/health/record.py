"""What is read of a site's last weeks before anybody judges it.

Whoever keeps the record hands it in; judging asks it for no more than it needs.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.model import Outage
from tallymast.domain.health.nights import Night
from tallymast.domain.record.spans import SpanSeries

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ContactHours:
    """A site's polls by clock hour; hours nobody asked in, and polls in maintenance, are in none.

    Attributes:
        at_ms: when each hour begins, UTC milliseconds, ascending, shape (n,).
        cells: polls asked, answered at the first try, missed; shape (n, 3).
        garbled: polls whose answers came only garbled, by the beginning of their hour; hours
            without any are left out.
        refused: polls answered with an exception, likewise.

    """

    at_ms: Ints
    cells: Ints
    garbled: Mapping[int, int] = field(default_factory=dict)
    refused: Mapping[int, int] = field(default_factory=dict)


class SiteRecord(Protocol):
    """One site's last weeks, up to the instant they are judged at."""

    @property
    def contact(self) -> ContactHours | None:
        """Contact of the last sixty days, None where nobody asked."""

    @property
    def nights(self) -> Sequence[Night]:
        """The supply's nights of the last weeks, ascending."""

    @property
    def answers(self) -> Sequence[tuple[int, Mapping[int, int]]]:
        """Answer times of each contract day that is over: its beginning, bucket to polls."""

    @property
    def outages(self) -> Sequence[Outage]:
        """Outages of the last fortnight, oldest first, the common ones named as such."""

    def hours(self, tag: str, from_ms: int, to_ms: int) -> SpanSeries:
        """Return a point by the clock hours that begin in a span, the open one too."""

    def readings(self, tag: str, from_ms: int, to_ms: int) -> tuple[Ints, Floats]:
        """Return a point's readings of a span, NaN where there was no valid value."""
