"""Keeps the account of a channel's airtime: how much of it went where, lately and in all.

Pure: seconds of a monotonic clock come in as arguments.
"""

from collections import deque
from collections.abc import Hashable
from dataclasses import dataclass, field

LATELY_S = 300.0


@dataclass(slots=True)
class AirtimeUse:
    """Spans in which one channel was busy, by purpose; ``since`` is when the account began."""

    since: float
    total_s: dict[Hashable, float] = field(default_factory=dict)
    _spans: deque[tuple[float, float, Hashable, int]] = field(default_factory=deque)

    def add(self, purpose: Hashable, begin: float, end: float, site_id: int = 0) -> None:
        """Note that the channel was busy from ``begin`` to ``end`` [s]; site 0 is none of them."""
        self.total_s[purpose] = self.total_s.get(purpose, 0.0) + end - begin
        self._spans.append((begin, end, purpose, site_id))
        while self._spans and self._spans[0][1] < end - LATELY_S:
            self._spans.popleft()

    def used(self, now: float) -> float:
        """Return the share 0..1 of the last five minutes in which the channel was busy."""
        window = min(LATELY_S, now - self.since)
        return self._busy_s(now - window, now) / window if window > 0 else 0.0

    def by_site(self, now: float) -> dict[int, float]:
        """Return each site's share 0..1 of the last five minutes."""
        window = min(LATELY_S, now - self.since)
        busy: dict[int, float] = {}
        for start, stop, _, site_id in self._spans:
            seconds = min(stop, now) - max(start, now - window)
            if seconds > 0 and site_id:
                busy[site_id] = busy.get(site_id, 0.0) + seconds
        return {site_id: seconds / window for site_id, seconds in busy.items()} if window else {}

    def busy_s(self, purpose: Hashable, now: float, window_s: float) -> float:
        """Return the seconds spent for ``purpose`` in the last ``window_s`` (300 at most)."""
        return self._busy_s(now - window_s, now, purpose)

    def _busy_s(self, begin: float, end: float, purpose: Hashable | None = None) -> float:
        busy = 0.0
        for start, stop, why, _ in reversed(self._spans):
            if stop <= begin:
                break
            if purpose is None or why == purpose:
                busy += min(stop, end) - max(start, begin)
        return busy
