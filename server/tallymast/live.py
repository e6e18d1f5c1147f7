"""The newest that is known, for whoever watches: states, latest polls, jobs.

Anybody may publish from any thread; it costs a dictionary entry. A follower is woken once
for many changes and then asks what changed since the version it has, so a slow one merges
and never queues. Nothing here touches the database.
"""

import asyncio
from collections import deque
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from threading import Lock
from types import TracebackType
from typing import TypeVar

from tallymast.domain.model import GatewayState, Job, Poll, PollDone, SiteState

MERGE_S = 0.1  # Ours: ten renderings a second at most, and well inside 300 ms wire to browser.
POLLS_KEPT = 25
JOBS_KEPT = 200

State = TypeVar("State")


@dataclass(frozen=True, slots=True)
class Changes:
    """What was published after some version: ids, and the version this answer brings one to."""

    version: int
    sites: frozenset[int]
    gateways: frozenset[int]
    jobs: frozenset[int]

    def __bool__(self) -> bool:
        return bool(self.sites or self.gateways or self.jobs)


class Live:
    """Newest states by id, with a version that climbs at every change."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._version = 0
        self._sites: dict[int, tuple[int, SiteState]] = {}
        self._gateways: dict[int, tuple[int, GatewayState]] = {}
        self._jobs: dict[int, tuple[int, Job]] = {}
        self._polls: dict[int, deque[Poll]] = {}
        self._followers: set[Follower] = set()

    # --- up: from any thread -----------------------------------------------------------

    def publish_poll(self, done: PollDone) -> None:
        """Take a poll and what it made of its site."""
        with self._lock:
            self._polls.setdefault(done.poll.site_id, deque(maxlen=POLLS_KEPT)).append(done.poll)
            self._put(self._sites, done.state.site_id, done.state)
        self._wake()

    def publish_site(self, state: SiteState) -> None:
        """Take the newest state of a site."""
        self.publish_sites([state])

    def publish_sites(self, states: Iterable[SiteState]) -> None:
        """Take many states at once, as after a start or from another process."""
        with self._lock:
            for state in states:
                self._put(self._sites, state.site_id, state)
        self._wake()

    def publish_gateway(self, state: GatewayState) -> None:
        """Take the newest state of a gateway."""
        with self._lock:
            self._put(self._gateways, state.gateway_id, state)
        self._wake()

    def publish_job(self, job: Job) -> None:
        """Take where a piece of work stands; only the newest jobs are kept."""
        with self._lock:
            self._take(job)
        self._wake()

    def publish_asked(self, job: Job) -> None:
        """Take a piece of work just asked for, unless whoever does it has said more by now."""
        with self._lock:
            if job.id not in self._jobs:
                self._take(job)
        self._wake()

    def publish_alarms(self) -> None:
        """Say that alarms stand otherwise; how, is kept elsewhere."""
        with self._lock:
            self._version += 1
        self._wake()

    def forget(self, sites: Iterable[int] = (), gateways: Iterable[int] = ()) -> None:
        """Drop what a change of the network has retired."""
        with self._lock:
            self._version += 1
            for site in sites:
                self._sites.pop(site, None)
                self._polls.pop(site, None)
            for gateway in gateways:
                self._gateways.pop(gateway, None)
        self._wake()

    # --- out: newest values ------------------------------------------------------------

    @property
    def version(self) -> int:
        """Climbs by one at every change."""
        return self._version

    def sites(self) -> Mapping[int, SiteState]:
        """Return the newest state of every site, by id."""
        with self._lock:
            return {key: state for key, (_, state) in self._sites.items()}

    def gateways(self) -> Mapping[int, GatewayState]:
        """Return the newest state of every gateway, by id."""
        with self._lock:
            return {key: state for key, (_, state) in self._gateways.items()}

    def polls(self, site_id: int) -> tuple[Poll, ...]:
        """Return the latest polls of a site seen by this process, oldest first."""
        with self._lock:
            return tuple(self._polls.get(site_id, ()))

    def jobs(self) -> Mapping[int, Job]:
        """Return the newest jobs, by id."""
        with self._lock:
            return {key: job for key, (_, job) in self._jobs.items()}

    def changes_since(self, version: int) -> Changes:
        """Return the ids of what was published after ``version``."""
        with self._lock:
            return Changes(
                self._version,
                frozenset(key for key, (when, _) in self._sites.items() if when > version),
                frozenset(key for key, (when, _) in self._gateways.items() if when > version),
                frozenset(key for key, (when, _) in self._jobs.items() if when > version),
            )

    # --- followers ---------------------------------------------------------------------

    def follow(self, merge_s: float = MERGE_S) -> "Follower":
        """Return a follower; use it as an async context manager in the loop that waits."""
        return Follower(self, merge_s)

    @property
    def followers(self) -> int:
        """How many are following now."""
        return len(self._followers)

    def _add(self, follower: "Follower") -> None:
        with self._lock:
            self._followers.add(follower)

    def _remove(self, follower: "Follower") -> None:
        with self._lock:
            self._followers.discard(follower)

    def _take(self, job: Job) -> None:
        self._put(self._jobs, job.id, job)
        while len(self._jobs) > JOBS_KEPT:
            del self._jobs[min(self._jobs)]

    def _put(self, kept: dict[int, tuple[int, State]], key: int, state: State) -> None:
        self._version += 1
        kept[key] = (self._version, state)

    def _wake(self) -> None:
        with self._lock:
            followers = tuple(self._followers)
        for follower in followers:
            follower.wake()


class Follower:
    """One watcher in one event loop, woken after changes, many at once."""

    def __init__(self, live: Live, merge_s: float) -> None:
        self._live = live
        self._merge_s = merge_s
        self._event = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None

    async def __aenter__(self) -> "Follower":
        self._loop = asyncio.get_running_loop()
        self._live._add(self)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._live._remove(self)

    def wake(self) -> None:
        """Say that something changed; from any thread."""
        if self._loop is None or self._event.is_set():
            return
        with suppress(RuntimeError):  # the loop has just been closed: nobody waits any more
            self._loop.call_soon_threadsafe(self._event.set)

    async def wait(self, timeout_s: float) -> bool:
        """Wait until something changed and its neighbours have come too.

        Returns:
            True after a change, False when ``timeout_s`` passed without one.

        """
        try:
            async with asyncio.timeout(timeout_s):
                await self._event.wait()
        except TimeoutError:
            return False
        await asyncio.sleep(self._merge_s)
        self._event.clear()
        return True
