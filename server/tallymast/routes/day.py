"""Keeps the last 24 h of every site's polls for the pages, read once a minute for all tabs."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from threading import Lock
from typing import Annotated

from fastapi import Depends, Request

from tallymast.domain.model import HourCounts
from tallymast.routes.nights import NO_SPARK, Spark
from tallymast.routes.tape import QUARTER_MS, Tape

KEPT_MS = 60_000


@dataclass(frozen=True, slots=True)
class SiteDay:
    """A site's last 24 h: counts and the tape; and its last thirty nights, drawn.

    ``predawn_v`` is the newest night's, ``nights`` how many have a reading.
    """

    counts: HourCounts
    tape: Tape
    spark: Spark = NO_SPARK
    predawn_v: float | None = None
    nights: int = 0
    answer_ms: tuple[float, float] | None = None  # median and 95 %, of the closed hours
    pause: str = ""  # why nobody asks it at present, and until when


NOTHING = SiteDay(HourCounts(), Tape("", ""))


class Days:
    """The last 24 h by site id, at most a minute old and never across a quarter hour's turn.

    Args:
        read: reads all sites' 24 h up to an instant [ms].
        network: the network as it is now; another one has other sites and limits.

    """

    def __init__(
        self,
        read: Callable[[int], Mapping[int, SiteDay]],
        network: Callable[[], object] = lambda: None,
    ) -> None:
        self._read = read
        self._network = network
        self._seen: object = None
        self._lock = Lock()
        self._at_ms: int | None = None
        self._days: Mapping[int, SiteDay] = {}

    def is_old(self, now_ms: int) -> bool:
        """Whether the next look has to read again."""
        if self._at_ms is None or not 0 <= now_ms - self._at_ms < KEPT_MS:
            return True
        if self._network() is not self._seen:
            return True
        return now_ms // QUARTER_MS != self._at_ms // QUARTER_MS

    def known(self) -> Mapping[int, SiteDay]:
        """Return what was read last, without reading."""
        return self._days

    def upto(self, now_ms: int) -> Mapping[int, SiteDay]:
        """Return the last 24 h of every site, read again where too old."""
        with self._lock:
            if self.is_old(now_ms):
                seen = self._network()
                self._days = self._read(now_ms)
                self._at_ms, self._seen = now_ms, seen
            return self._days


def days(request: Request) -> Days:
    """Return the application's last 24 h."""
    found = request.app.state.days
    assert isinstance(found, Days)
    return found


TheDays = Annotated[Days, Depends(days)]
