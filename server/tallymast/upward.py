"""Where the poller hands its results: to the screens at once, to the record soon after."""

from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from tallymast import wall
from tallymast.domain.model import (
    GatewayState,
    JobState,
    Poll,
    PollDone,
    WireLine,
)
from tallymast.job_desk import JobDesk
from tallymast.live import Live
from tallymast.storage import wire
from tallymast.storage.batch import EpisodeChange
from tallymast.storage.refused_points import Refusal
from tallymast.storage.writer import Writer


class Watch(Protocol):
    """Whoever measures the road: told when a poll is answered and when polls are stored."""

    def answered(self, done: PollDone) -> None:
        """Take a poll at the moment the poller hands it up."""

    def committed(self, polls: Sequence[Poll]) -> None:
        """Take polls at the moment they are on the disk."""


class Upward:
    """Where the poller hands its results: to the screens at once, to the record soon after."""

    def __init__(
        self, live: Live, writer: Writer, desk: "JobDesk", watch: "Watch | None" = None
    ) -> None:
        self._live = live
        self._writer = writer
        self._desk = desk
        self._watch = watch
        self._refused: deque[Refusal] = deque()
        self._lines: deque[WireLine] = deque(maxlen=2 * wire.SLOTS)

    def poll_done(self, done: PollDone) -> None:
        """Show a poll, and store it within a second."""
        if self._watch is not None:
            self._watch.answered(done)
        self._live.publish_poll(done)
        self._writer.put(done)

    def gateway_changed(self, state: GatewayState) -> None:
        """Show and store what is known of a gateway."""
        self._live.publish_gateway(state)
        self._writer.put(state)

    def job_changed(self, job_id: int, state: JobState, progress: float, result: str) -> None:
        """Show and store where a job stands."""
        self._desk.job_changed(job_id, state, progress, result)

    def job_row(self, job_id: int, n: int, body: Mapping[str, Any]) -> None:
        """Store one finding of a job, before what is told of the job next."""
        self._desk.job_row(job_id, n, body)

    def episode(
        self,
        kind: str,
        gateway_id: int | None,
        site_id: int | None,
        from_ms: int,
        to_ms: int | None,
        reason: str,
    ) -> None:
        """Store the beginning or the end of an episode."""
        self._writer.put(EpisodeChange(kind, gateway_id, site_id, from_ms, to_ms, reason))

    def refused(self, site_id: int, layout_id: int, tags: Sequence[str], bridges: bool) -> None:
        """Note which points a station refuses; the plan is made anew without them."""
        self._refused.append(Refusal(site_id, layout_id, tuple(tags), bridges, wall.now_ms()))

    def wire(self, line: WireLine) -> None:
        """Keep bytes of a watched channel until they are stored."""
        self._lines.append(line)

    def take_lines(self) -> list[WireLine]:
        """Return the bytes heard since the last look."""
        found = []
        while self._lines:
            found.append(self._lines.popleft())
        return found

    def take_refused(self) -> list[Refusal]:
        """Return what was refused since the last look."""
        found = []
        while self._refused:
            found.append(self._refused.popleft())
        return found
