"""Stores what the poller says, once a second, in its own thread.

``put`` never waits for the database and never raises into polling. When the database refuses
(locked, disk full) everything waits in a queue bounded in bytes and is tried again; when the
queue is full the oldest polls lose their words, and at last are dropped. What was lost is
counted, and becomes an episode as soon as storing works again.
"""

import logging
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from threading import Condition, Thread

from sqlalchemy.exc import DataError, IntegrityError, ProgrammingError

from tallymast.domain.errors import StorageError
from tallymast.domain.model import GatewayState, Poll, PollDone, SiteState
from tallymast.storage.batch import Batch, EpisodeChange, store_batch
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)

_BYTES_A_POLL = 420  # ours, measured: a Poll and its place in the queue without its words
_FAILING_AFTER_S = 10.0
# What says that a row can never be stored, rather than that the database cannot store now.
_UNSTORABLE = (IntegrityError, DataError, ProgrammingError)
_UNFIT = (OverflowError, TypeError, ValueError)
_PAUSE_S = 1.0  # between tries while the database refuses


@dataclass(frozen=True, slots=True)
class StorageStatus:
    """How storing goes: ``ok``, ``waiting`` (refused for a moment) or ``failing``."""

    state: str
    since_ms: int
    waiting: int  # polls not stored yet
    dropped: int  # polls lost since the start
    stripped: int = 0  # polls that lost their words since the start
    sentence: str = ""


class Writer:
    """A thread between the poller and the database."""

    def __init__(
        self,
        database: Database,
        *,
        commit_every_s: float = 1.0,
        on_commit: Callable[[Sequence[Poll]], None] | None = None,
        limit_bytes: int = 64 * 1024 * 1024,
        now_ms: Callable[[], int] = lambda: time.time_ns() // 1_000_000,
    ) -> None:
        self._database = database
        self._commit_every_s = commit_every_s
        self._on_commit = on_commit
        self._limit_bytes = limit_bytes
        self._now_ms = now_ms
        self._thread = Thread(target=self._run, name="write", daemon=True)
        self._changed = Condition()
        # All below is guarded by _changed. Lean polls (without words) are older than fat ones.
        self._lean: deque[Poll] = deque()
        self._fat: deque[Poll] = deque()
        self._sites: dict[int, SiteState] = {}
        self._gateways: dict[int, GatewayState] = {}
        self._episodes: list[EpisodeChange] = []
        self._bytes = 0
        self._in_hand = 0
        self._accepted = 0  # things put
        self._settled = 0  # things put that are stored, or given up
        self._hurry = False
        self._stopping = False
        self._refused_since: float | None = None
        self._status = StorageStatus("ok", now_ms(), 0, 0)
        self._loss_since_ms: int | None = None
        self._told = (0, 0)  # stripped and dropped polls that an episode tells of

    @property
    def thread(self) -> Thread:
        """Who stores; it lives from the start to the end."""
        return self._thread

    def start(self) -> None:
        """Begin storing."""
        self._thread.start()

    def put(self, item: PollDone | GatewayState | EpisodeChange) -> None:
        """Take something to store within about a second. Never blocks, never raises."""
        with self._changed:
            was_idle = not self._has_work()
            if isinstance(item, PollDone):
                self._fat.append(item.poll)
                self._bytes += _size(item.poll)
                self._sites[item.state.site_id] = item.state
            elif isinstance(item, GatewayState):
                self._gateways[item.gateway_id] = item
            else:
                self._episodes.append(item)
            self._accepted += 1
            self._make_room()
            if was_idle:  # the thread sleeps through the rest of the second
                self._changed.notify_all()

    def flush(self, timeout_s: float = 10.0) -> bool:
        """Wait until everything put so far is stored; return whether it is."""
        with self._changed:
            goal = self._accepted
            self._hurry = True
            self._changed.notify_all()
            return self._changed.wait_for(lambda: self._settled >= goal, timeout_s)

    def stop(self) -> None:
        """Store what waits, once more, and end; say in the log what could not be stored."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join()
        waiting = self.status().waiting
        if waiting:
            log.error("storage ended with polls=%d not stored", waiting)

    def status(self) -> StorageStatus:
        """Return how storing goes."""
        with self._changed:
            waiting = len(self._lean) + len(self._fat) + self._in_hand
            return replace(self._status, waiting=waiting)

    # --- the thread -------------------------------------------------------------------

    def _run(self) -> None:
        while True:
            stopping = self._gather()
            stored = self._store_waiting()
            if stopping and (not stored or not self._has_work()):
                return

    def _gather(self) -> bool:
        """Wait for work, then for a second's worth of it; return whether to end."""
        with self._changed:
            self._changed.wait_for(lambda: self._stopping or self._has_work())
            pause = _PAUSE_S if self._refused_since is not None else self._commit_every_s
            self._changed.wait_for(lambda: self._stopping or self._hurry, pause)
            self._hurry = False
            return self._stopping

    def _has_work(self) -> bool:
        return bool(self._lean or self._fat or self._sites or self._gateways or self._episodes)

    def _store_waiting(self) -> bool:
        batch, goal = self._take()
        try:
            self._store(batch)
        except StorageError as error:
            self._give_back(batch)
            self._note_refusal(error)
            return False
        self._note_success(batch, goal)
        return True

    def _store(self, batch: Batch) -> None:
        try:
            self._commit(batch)
        except StorageError as error:
            if not isinstance(error.__cause__, _UNSTORABLE):
                raise
            self._store_apart(batch)
        except _UNFIT:
            self._store_apart(batch)

    def _commit(self, batch: Batch) -> None:
        with self._database.writing() as connection:
            store_batch(connection, batch, self._now_ms())

    def _store_apart(self, batch: Batch) -> None:
        """Store one thing at a time, so that one that fits no column stops no other."""
        parts = (
            *(Batch((poll,), (), (), ()) for poll in batch.polls),
            *(Batch((), (site,), (), ()) for site in batch.sites),
            *(Batch((), (), (gateway,), ()) for gateway in batch.gateways),
            *(Batch((), (), (), (episode,)) for episode in batch.episodes),
        )
        for part in parts:
            try:
                self._commit(part)
            except (StorageError, *_UNFIT) as error:
                if isinstance(error, StorageError) and not isinstance(error.__cause__, _UNSTORABLE):
                    raise
                self._note_unfit(part)

    def _take(self) -> tuple[Batch, int]:
        with self._changed:
            batch = Batch(
                (*self._lean, *self._fat),
                tuple(self._sites.values()),
                tuple(self._gateways.values()),
                (*self._episodes, *self._loss()),
            )
            for container in (self._lean, self._fat, self._sites, self._gateways, self._episodes):
                container.clear()
            self._in_hand = len(batch.polls)
            return batch, self._accepted

    def _give_back(self, batch: Batch) -> None:
        """Put a refused batch before what came meanwhile; newer states win."""
        with self._changed:
            self._fat.extendleft(reversed(batch.polls))
            self._sites = {state.site_id: state for state in batch.sites} | self._sites
            self._gateways = {state.gateway_id: state for state in batch.gateways} | self._gateways
            mine = [change for change in batch.episodes if change.kind != "storage"]
            self._episodes[:0] = mine
            self._in_hand = 0
            self._make_room()

    # --- bookkeeping, under the lock ---------------------------------------------------

    def _make_room(self) -> None:
        # The oldest may be in the database's hands: until they are given back an eighth more
        # may wait, or what is newest would be lost in their place.
        limit = self._limit_bytes + (self._limit_bytes // 8 if self._in_hand else 0)
        while self._bytes > limit and (self._fat or self._lean):
            if self._loss_since_ms is None:
                self._loss_since_ms = self._now_ms()
            if self._fat:
                poll = self._fat.popleft()
                self._bytes -= len(poll.words)
                self._lean.append(replace(poll, got=0, words=b""))
                if poll.words:
                    self._status = replace(self._status, stripped=self._status.stripped + 1)
            else:
                self._bytes -= _size(self._lean.popleft())
                self._status = replace(self._status, dropped=self._status.dropped + 1)

    def _loss(self) -> tuple[EpisodeChange, ...]:
        if self._loss_since_ms is None:
            return ()
        stripped = self._status.stripped - self._told[0]
        dropped = self._status.dropped - self._told[1]
        reason = (
            f"The database refused for so long that {stripped} polls lost their values "
            f"and {dropped} were lost altogether."
        )
        return (EpisodeChange("storage", None, None, self._loss_since_ms, self._now_ms(), reason),)

    def _note_unfit(self, part: Batch) -> None:
        log.exception("not stored, it fits no column: %s", part)
        with self._changed:
            dropped = self._status.dropped + len(part.polls)
            self._status = replace(self._status, dropped=dropped)

    def _note_refusal(self, error: StorageError) -> None:
        now = time.monotonic()
        with self._changed:
            if self._refused_since is None:
                self._refused_since = now
                self._status = replace(self._status, state="waiting", since_ms=self._now_ms())
                log.warning("storage waits: %s", error)
            failing = now - self._refused_since >= _FAILING_AFTER_S
            state = "failing" if failing else "waiting"
            self._status = replace(self._status, state=state, sentence=str(error))

    def _note_success(self, batch: Batch, goal: int) -> None:
        with self._changed:
            self._bytes -= sum(_size(poll) for poll in batch.polls)
            self._in_hand = 0
            self._settled = goal
            if _losses(batch.episodes) == _losses(self._loss()):  # none came while it was stored
                self._loss_since_ms = None
                self._told = (self._status.stripped, self._status.dropped)
            if self._refused_since is not None:
                self._refused_since = None
                self._status = replace(
                    self._status, state="ok", since_ms=self._now_ms(), sentence=""
                )
                log.warning("storage works again polls=%d stored", len(batch.polls))
            self._changed.notify_all()
        if self._on_commit is not None:
            self._on_commit(batch.polls)


def _losses(changes: Sequence[EpisodeChange]) -> list[str]:
    return [change.reason for change in changes if change.kind == "storage"]


def _size(poll: Poll) -> int:
    return _BYTES_A_POLL + len(poll.words)
