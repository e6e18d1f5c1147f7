"""The one file that knows every room and joins them into a running Tallymast.

Up:   bytes -> polling -> Upward -> live (at once) and the writer (every second) -> hours closed
Down: page -> job (stored first) -> JobDesk -> poller -> JobDesk -> job (its result)
"""

import logging
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from sqlalchemy import Connection

from tallymast import wall
from tallymast.domain import audit as audited
from tallymast.domain import network_file
from tallymast.domain.bearings import place_of
from tallymast.domain.errors import ConfigError, StorageError
from tallymast.domain.health.nights import day_number, day_of
from tallymast.domain.model import (
    Act,
    Gateway,
    GatewayPlan,
    GatewayState,
    Job,
    JobState,
    Network,
    PointKind,
    Poll,
    PollDone,
    PollPlan,
    SitePlan,
    WireLine,
)
from tallymast.domain.read_plan import read_plan, reduced_layout
from tallymast.domain.watchdogs import at_stake, fallen
from tallymast.domain.zones import find_zone
from tallymast.exporting import ExportDesk
from tallymast.judging import Judge, Judged
from tallymast.keeping import Keeper
from tallymast.live import Live
from tallymast.polling.thread import PollThread
from tallymast.routes.findings_told import findings_told
from tallymast.routes.services import (
    LOOPBACK_HOSTS,
    NetworkView,
    PollerCondition,
    Services,
)
from tallymast.seasons import Seasons
from tallymast.storage import audit, episodes, hours, jobs, nights, refused_points, states, wire
from tallymast.storage import network as stored_network
from tallymast.storage.batch import EpisodeChange
from tallymast.storage.engine import Database
from tallymast.storage.layouts import keep_layout
from tallymast.storage.nights import NightSite
from tallymast.storage.refused_points import Refusal
from tallymast.storage.writer import StorageStatus, Writer

log = logging.getLogger(__name__)

NIGHTS_LOOKED_BACK = 30  # how many nights are looked for at the start
CLOSE_EVERY_S = 20.0  # Ours: an hour is closed at most this long after it may be
LOOK_FOR_PLAN_S = 0.5  # how soon a change of the network is polled by
LOOK_FOR_JOBS_S = 0.1  # how soon a stored job is seen by the poller
JOBS_SHOWN_MS = 600_000
NEW_NETWORK = 'title = "New network"\ntime_zone = "UTC"\n'  # what a start without a file begins
NOTICE_MS = 3_600_000
FOLLOW_EVERY_S = 0.25  # how soon a second process sees what the poller stored


def now_ms() -> int:
    """Return the wall clock, UTC milliseconds: the computer's, or a test's (wall.py)."""
    return wall.now_ms()


# --- the network: from a file into the database, from the database to the poller --------


def bring_network(database: Database, text: str, source: str) -> tuple[str, ...]:
    """Store a network file in an empty database; leave one that already has a network alone.

    A network without any gateway, as a start without a file leaves it, counts as none.

    Args:
        database: where to store it.
        text: the file's text.
        source: the file's name, for sentences.

    Returns:
        How the file differs from what the database keeps, in sentences; empty if it does not.

    Raises:
        ConfigError: mistakes in the file; nothing is stored.

    """
    written, network = network_file.read(text, source)
    with database.writing() as connection:
        kept = stored_network.load_written(connection)
        if any(kept.get(table) for table in ("gateway", "profile", "site")):
            return network_file.differences(kept, written)
        _store(connection, written, network)
    return ()


def begin_network(database: Database) -> bool:
    """Store a network without gateways where there is none yet; return whether there was none.

    Everything else is entered under Setup.
    """
    written, network = network_file.read(NEW_NETWORK, "the new network")
    with database.writing() as connection:
        if stored_network.revision(connection):
            return False
        said = "A new network was begun."
        _store(connection, written, network, source="form", sentence=said)
    return True


def change_network(database: Database, text: str, source: str) -> tuple[str, ...]:
    """Make the database's network what a file says.

    Returns:
        What changed, in sentences; empty if nothing did, and then nothing is stored.

    Raises:
        ConfigError: mistakes in the file; nothing is stored.

    """
    written, network = network_file.read(text, source)
    with database.writing() as connection:
        changes = network_file.differences(stored_network.load_written(connection), written)
        if changes:
            _store(connection, written, network)
            after = {"source": source, "n": len(changes), "changes": list(changes[:50])}
            told = audited.Act("network.change", "network", "network", after=after)
            audit.add(connection, told, at_ms=now_ms(), actor=audited.MACHINE)
    return changes


def _store(
    connection: Connection,
    written: network_file.Written,
    network: Network,
    source: str = "file",
    sentence: str = "",
) -> None:
    stored_network.store_network(
        connection,
        written,
        network,
        actor="local",
        source=source,
        at_ms=now_ms(),
        plan_blocks=read_plan,
        sentence=sentence,
    )


def stored_plan(connection: Connection, network: Network) -> PollPlan:
    """Return what is to be polled of a network that is stored."""
    return stored_network.load_plan(connection, network)


def load_network(
    database: Database, addresses: Mapping[str, str] | None = None
) -> tuple[Network, PollPlan]:
    """Return the stored network and what is to be polled.

    Args:
        database: where it is stored.
        addresses: other gateway addresses than the stored ones, by gateway key or by the stored
            address.

    Raises:
        ConfigError: there is no network yet.

    """
    with database.reading() as connection:
        written = stored_network.load_written(connection)
        if not written:
            raise ConfigError(
                f"There is no network in {database.place} yet: give one with --network FILE "
                "(`tallymast demo` shows an invented one)."
            )
        network = network_file.build(written, "the stored network")
        plan = stored_plan(connection, network)
        acts = {one.site_id: Act(one.kind) for one in episodes.open_acts(connection)}
        refused = refused_points.load(connection, now_ms())
    plan = _each_site(plan, lambda _, one: replace(one, act=acts.get(one.site_id, Act.NONE)))
    plan = _reduced(database, plan, refused)
    return network, _readdressed(plan, addresses or {})


def _each_site(plan: PollPlan, change: Callable[[GatewayPlan, SitePlan], SitePlan]) -> PollPlan:
    """Return the plan with every site changed."""
    gateways = tuple(
        replace(gateway, sites=tuple(change(gateway, one) for one in gateway.sites))
        for gateway in plan.gateways
    )
    return replace(plan, gateways=gateways)


def _reduced(database: Database, plan: PollPlan, refused: Mapping[int, Refusal]) -> PollPlan:
    """Return the plan without the points that stations refuse."""

    def reduce(gateway: GatewayPlan, one: SitePlan) -> SitePlan:
        refusal = refused.get(one.site_id)
        if refusal is None or refusal.layout_id != one.layout.id:
            return one
        layout = reduced_layout(
            one.site, gateway.gateway, one.layout, refusal.tags, bridge=not refusal.bridges
        )
        if not layout.blocks:
            return one
        with database.writing() as connection:
            layout = keep_layout(connection, layout, now_ms())
        return replace(one, layout=layout, refused=refusal.tags)

    return _each_site(plan, reduce) if refused else plan


def _readdressed(plan: PollPlan, addresses: Mapping[str, str]) -> PollPlan:
    def readdress(one: Gateway) -> Gateway:
        address = addresses.get(one.key) or addresses.get(one.address) or one.address
        return replace(one, address=address)

    gateways = tuple(replace(one, gateway=readdress(one.gateway)) for one in plan.gateways)
    return replace(plan, gateways=gateways)


class Watch(Protocol):
    """Whoever measures the road: told when a poll is answered and when polls are stored."""

    def answered(self, done: PollDone) -> None:
        """Take a poll at the moment the poller hands it up."""

    def committed(self, polls: Sequence[Poll]) -> None:
        """Take polls at the moment they are on the disk."""


# --- up ------------------------------------------------------------------------------


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
        self._refused.append(Refusal(site_id, layout_id, tuple(tags), bridges, now_ms()))

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


# --- down ----------------------------------------------------------------------------


class JobDesk(threading.Thread):
    """Fetches stored jobs for the poller and stores what becomes of them.

    The poller's loop never waits for the database: it looks at a list kept here.
    """

    def __init__(self, database: Database, live: Live) -> None:
        super().__init__(name="jobs", daemon=True)
        self._database = database
        self._live = live
        self._ended = threading.Event()
        self._lock = threading.Lock()
        self._version = -1
        self._waiting: tuple[Job, ...] = ()
        self._known: dict[int, Job] = {}
        self._stopping: frozenset[int] = frozenset()
        self._changed: list[tuple[int, JobState, float, str]] = []
        self._rows: list[tuple[int, int, Mapping[str, Any]]] = []

    def waiting(self) -> Sequence[Job]:
        """Return the jobs nobody has begun, oldest first."""
        with self._lock:
            return self._waiting

    def stopping(self) -> frozenset[int]:
        """Return the jobs whose end a person asked for."""
        return self._stopping

    def job_row(self, job_id: int, n: int, body: Mapping[str, Any]) -> None:
        """Note a finding; it is stored with the job's next state, in one step."""
        with self._lock:
            self._rows.append((job_id, n, body))

    def job_changed(self, job_id: int, state: JobState, progress: float, result: str) -> None:
        """Note a job's new state; it is stored at the next look."""
        with self._lock:
            self._changed.append((job_id, state, progress, result))
            self._waiting = tuple(job for job in self._waiting if job.id != job_id)

    def run(self) -> None:
        """Look every tenth of a second until stopped; a refused look is tried again."""
        while not self._ended.wait(LOOK_FOR_JOBS_S):
            try:
                self.look()
            except StorageError as error:
                log.warning("jobs wait: %s", error)
        self._last_words()

    def look(self) -> None:
        """Store what is known, and fetch what is new in the database.

        Raises:
            StorageError: the database refused; the next look tries again.

        """
        self._store_changes()
        seen = self._database.data_version()
        if seen != self._version:
            self._fetch()
            self._version = seen

    def stop(self) -> None:
        """End after storing what is known."""
        self._ended.set()
        self.join()

    def _last_words(self) -> None:
        try:
            self._store_changes()
        except StorageError as error:
            log.warning("results of jobs are lost: %s", error)

    def _fetch(self) -> None:
        with self._database.reading() as connection:
            found = jobs.waiting(connection, jobs.POLLER)
            self._stopping = jobs.to_stop(connection)
        with self._lock:
            begun = {job_id for job_id, *_ in self._changed}
            self._waiting = tuple(job for job in found if job.id not in begun)
            new = [job for job in self._waiting if job.id not in self._known]
            self._known |= {job.id: job for job in new}
        for job in new:
            self._live.publish_job(job)

    def _store_changes(self) -> None:
        with self._lock:
            changes, rows = list(self._changed), list(self._rows)
        if not changes and not rows:
            return
        with self._database.writing() as connection:
            for job_id, n, body in rows:
                jobs.add_rows(connection, job_id, [(n, body)])
            for job_id, state, progress, result in changes:
                jobs.update(connection, job_id, state, progress, result, now_ms())
        with self._lock:
            del self._changed[: len(changes)]
            del self._rows[: len(rows)]
        for job_id, state, progress, result in changes:
            self._show(job_id, state, progress, result)

    def _show(self, job_id: int, state: JobState, progress: float, result: str) -> None:
        job = self._known.get(job_id)
        if job is None:
            return
        over = state in (JobState.DONE, JobState.FAILED)
        job = replace(
            job,
            state=state,
            progress=progress,
            result=result,
            done_ms=now_ms() if over else None,
        )
        self._live.publish_job(job)
        if over:
            del self._known[job_id]
        else:
            self._known[job_id] = job


# --- beside --------------------------------------------------------------------------


class HourCloser(threading.Thread):
    """Turns ended hours into chunks and rollups, and ended nights into rows, beside polling.

    Args:
        database: where they are kept.
        view: the network as it is now, for its sites and its time zone.

    """

    def __init__(self, database: Database, view: Callable[[], NetworkView]) -> None:
        super().__init__(name="judge", daemon=True)
        self._database = database
        self._view = view
        self._seen: NetworkView | None = None  # by which nights were computed last
        self.damage = ""  # what the first look at the file found, in a sentence
        self._ended = threading.Event()

    def run(self) -> None:
        """Look whether the file is whole, then close what can be closed, every few seconds."""
        self._look()
        while True:
            try:
                self.close()
            except StorageError as error:
                log.warning("closing hours waits: %s", error)
            if self._ended.wait(CLOSE_EVERY_S):
                return

    def close(self) -> None:
        """Close the hours that are over, and compute the nights that are missing.

        Where the network has changed, nights are looked for far back: a site, or its place, may
        be new.
        """
        closed = hours.close_hours(self._database, now_ms(), stop=self._ended.is_set)
        view, before = self._view(), self._seen
        moved = before is not None and before.time_zone != view.time_zone
        look_back = 1 if view is before else NIGHTS_LOOKED_BACK
        self._close_nights(view, look_back, again=closed > 0 or moved)
        self._seen = view

    def _close_nights(self, view: NetworkView, look_back: int, *, again: bool) -> None:
        """Compute the nights that are missing, and the last two again after hours were closed."""
        zone = find_zone(view.time_zone)
        today = datetime.fromtimestamp(now_ms() / 1000, zone).date()
        first = day_number(today) - look_back
        with self._database.reading() as connection:
            known = nights.known_days(connection, first)
        for site in night_sites(view):
            if self._ended.is_set():
                return
            fresh = set() if again else known.get(site.site_id, set())
            have = known.get(site.site_id, set()) & set(range(first, day_number(today) - 1)) | fresh
            wanted = [day for day in range(first, day_number(today) + 1) if day not in have]
            days = [day_of(day) for day in wanted]
            nights.compute_nights(self._database, [site], days, zone, now_ms())

    def _look(self) -> None:
        try:
            damage = self._database.quick_check()
        except StorageError as error:
            damage = str(error)
        if damage:
            log.error("the database is damaged, restore a backup: %s", damage)
            self.damage = (
                f"The database is damaged ({damage}). End Tallymast and restore the newest "
                "backup (tallymast restore FILE); the damaged file is kept beside it."
            )

    def stop(self) -> None:
        """End after the hour in hand."""
        self._ended.set()
        self.join()


def night_sites(plan: PollPlan | NetworkView) -> list[NightSite]:
    """Return the sites whose supply is watched, with where the sun rises for them."""
    found = []
    for gateway in plan.gateways:
        for site in gateway.sites:
            point = site.site.point_of(PointKind.SUPPLY_VOLTAGE)
            place = place_of(gateway.gateway, site.site)
            if point is not None and place is not None:
                found.append(NightSite(site.site_id, point.tag, *place))
    return found


class PlanWatch(threading.Thread):
    """Makes the plan anew when the network, or what people said of a site, has changed.

    The pages see it at once; the poller swaps it between two exchanges. What is in the network no
    more is forgotten among the newest states; what comes back is remembered.
    """

    def __init__(
        self,
        database: Database,
        addresses: Mapping[str, str],
        shown: list[NetworkView],
        live: Live,
        poll: PollThread | None = None,
        upward: Upward | None = None,
    ) -> None:
        super().__init__(name="plan", daemon=True)
        self._database = database
        self._addresses = addresses
        self._shown = shown
        self._live = live
        self._poll = poll
        self._upward = upward
        self._ended = threading.Event()
        self._seasons = Seasons(database)
        with database.reading() as connection:
            self._known = _fingerprint(connection)

    def run(self) -> None:
        """Look twice a second until stopped."""
        while not self._ended.wait(LOOK_FOR_PLAN_S):
            try:
                self.look()
            except (StorageError, ConfigError) as error:
                log.warning("the plan stays as it was: %s", error)

    def stop(self) -> None:
        """End."""
        self._ended.set()
        self.join()

    def look(self) -> None:
        """Look once.

        Raises:
            StorageError, ConfigError: the network cannot be read; the plan stays as it was.

        """
        if self._upward is not None:
            self._end_acts()
            self._seasons.look(now_ms())
            self._store(self._upward)
        with self._database.reading() as connection:
            found = _fingerprint(connection)
        if found != self._known:
            self._change()
            self._known = found
        forget_others(self._live, self._shown[0])

    def _change(self) -> None:
        network, plan = load_network(self._database, self._addresses)
        view = NetworkView(network, plan)
        self._remember(view)
        self._shown[0] = view
        if self._poll is not None:
            self._poll.revise(plan)

    def _remember(self, view: NetworkView) -> None:
        """Show again what is stored of sites that are back."""
        missing = {plan.site_id for plan in view.sites} - self._live.sites().keys()
        if missing:
            with self._database.reading() as connection:
                stored = states.load_site_states(connection)
            self._live.publish_sites(stored[key] for key in missing & stored.keys())

    def _store(self, upward: Upward) -> None:
        """Store what stations refused and what was heard on watched lines."""
        refusals, lines = upward.take_refused(), upward.take_lines()
        if refusals or lines:
            with self._database.writing() as connection:
                for refusal in refusals:
                    refused_points.keep(connection, refusal)
                wire.store(connection, lines)
        with self._database.reading() as connection:
            watched = wire.watched(connection)
        for gateway_id, until_ms in watched.items():
            if self._poll is not None and until_ms > now_ms():
                self._poll.watch(gateway_id, until_ms)

    def _end_acts(self) -> None:
        """End what was planned to end by now."""
        at_ms = now_ms()
        with self._database.reading() as connection:
            over = [
                one
                for one in episodes.open_acts(connection)
                if one.planned_end_ms is not None and one.planned_end_ms <= at_ms
            ]
        for one in over:
            with self._database.writing() as connection:
                episodes.close_episode(
                    connection, one.kind, to_ms=one.planned_end_ms or at_ms, site_id=one.site_id
                )


def forget_others(live: Live, view: NetworkView) -> None:
    """Drop the newest states of what is not in the network."""
    sites = live.sites().keys() - {plan.site_id for plan in view.sites}
    gateways = live.gateways().keys() - {one.gateway_id for one in view.gateways}
    if sites or gateways:
        live.forget(sites, gateways)


def _fingerprint(connection: Connection) -> tuple[object, ...]:
    """Return what the plan is made of, in short: equal ones make equal plans."""
    acts = tuple((one.kind, one.site_id) for one in episodes.open_acts(connection))
    refused = tuple(sorted(refused_points.load(connection, now_ms()).items()))
    return (stored_network.revision(connection), acts, refused)


class Follow(threading.Thread):
    """Shows in a web-only process what another process polled and stored."""

    def __init__(self, database: Database, live: Live) -> None:
        super().__init__(name="follow", daemon=True)
        self._database = database
        self._live = live
        self._ended = threading.Event()
        self._version = -1
        self._seq = 0

    def run(self) -> None:
        """Look four times a second; read only when something was stored."""
        while True:
            try:
                self.look()
            except StorageError as error:
                log.warning("following waits: %s", error)
            if self._ended.wait(FOLLOW_EVERY_S):
                return

    def look(self) -> None:
        """Look once whether something was stored; raises StorageError where that is refused."""
        seen = self._database.data_version()
        if seen != self._version:
            self._read()
            self._version = seen

    def stop(self) -> None:
        """End."""
        self._ended.set()
        self.join()

    def _read(self) -> None:
        with self._database.reading() as connection:
            self._seq, sites, gateways = states.states_since(connection, self._seq)
            asked = jobs.asked_since(connection, now_ms() - JOBS_SHOWN_MS)
            older = self._unfinished() - {job.id for job in asked}
            asked += [one for one in (jobs.job(connection, key) for key in older) if one]
        self._live.publish_sites(sites)
        for gateway in gateways:
            self._live.publish_gateway(gateway)
        known = self._live.jobs()
        for job in asked:
            if known.get(job.id) != job:
                self._live.publish_job(job)

    def _unfinished(self) -> set[int]:
        """Return the jobs shown last that had not ended: a scan may take an hour."""
        over = (JobState.DONE, JobState.FAILED)
        return {job.id for job in self._live.jobs().values() if job.state not in over}


# --- the whole -----------------------------------------------------------------------


Beside = Keeper | ExportDesk | Judge  # what works beside polling and pages


@dataclass(frozen=True)
class Parts:
    """What a running Tallymast consists of besides the web server; absent parts are None."""

    database: Database
    live: Live
    shown: list[NetworkView]  # one: the newest
    writer: Writer | None = None
    desk: JobDesk | None = None
    closer: HourCloser | None = None
    poll: PollThread | None = None
    follow: Follow | None = None
    plan: PlanWatch | None = None
    keeper: Keeper | None = None
    exports: ExportDesk | None = None
    judge: Judge | None = None
    fell: str = ""  # what fell back while polling stood, in a sentence
    begun_ms: int = 0

    def start_notice(self) -> str:
        """Return what fell back before the start, for an hour."""
        return self.fell if now_ms() - self.begun_ms < NOTICE_MS else ""

    def notices(self) -> tuple[str, ...]:
        """Return what every page is to say calmly; empty ones among them."""
        damage = self.closer.damage if self.closer else ""
        return (damage, self.start_notice(), self.keeper.words if self.keeper else "")

    @property
    def view(self) -> NetworkView:
        """The network as it is now."""
        return self.shown[0]

    @property
    def judged(self) -> Judged:
        """What the last weeks said when they were judged last."""
        return self.judge.judged if self.judge else Judged()

    @property
    def _before_polling(self) -> tuple[Writer | JobDesk | HourCloser | Follow | None, ...]:
        return (self.writer, self.desk, self.closer, self.follow)

    @contextmanager
    def running(self) -> Iterator[None]:
        """Run every thread for a block, the poller last; end in the order in which data flows."""
        begun: list[Writer | JobDesk | HourCloser | Follow | PollThread | PlanWatch | Beside]
        begun = []
        try:
            beside = (self.keeper, self.exports, self.judge)
            for part in (*self._before_polling, self.poll, self.plan, *beside):
                if part is not None:
                    part.start()
                    begun.append(part)
            yield
        finally:
            for part in (
                *beside,
                self.plan,
                self.poll,
                self.desk,
                self.closer,
                self.writer,
                self.follow,
            ):
                if part in begun and part is not None:
                    part.stop()


def assemble(
    database: Database,
    role: str,
    addresses: Mapping[str, str] | None = None,
    *,
    backups: Path | None = None,
    revised: Callable[[PollPlan], PollPlan] | None = None,
    watch: Watch | None = None,
) -> Parts:
    """Join the rooms for ``role``; nothing is started yet.

    Args:
        database: open, with a network in it.
        role: ``all``, ``poller`` or ``web``.
        addresses: other gateway addresses than the stored ones, by gateway key or by the stored
            address.
        backups: where backups lie; None: they are not made by themselves.
        revised: changes what is polled, for a measurement.
        watch: measures the road.

    """
    sys.setswitchinterval(0.0005)  # the poller's wake-up must not wait behind rendering threads
    network, plan = load_network(database, addresses)
    plan = revised(plan) if revised else plan
    live = Live()
    with database.reading() as connection:
        known = states.load_site_states(connection)
        live.publish_sites(known.values())
        for gateway in states.load_gateway_states(connection).values():
            live.publish_gateway(gateway)
    shown = [NetworkView(network, plan)]
    forget_others(live, shown[0])
    exports, judge = None, None
    if role != "poller":
        exports = ExportDesk(database, live, lambda: shown[0], now_ms)
        judge = Judge(database, live, lambda: shown[0], now_ms)
    if role == "web":
        watching = PlanWatch(database, addresses or {}, shown, live)
        follow = Follow(database, live)
        return Parts(
            database, live, shown, follow=follow, plan=watching, exports=exports, judge=judge
        )
    with database.writing() as connection:
        jobs.fail_abandoned(connection, jobs.POLLER, now_ms())
    writer = Writer(database, on_commit=watch.committed if watch else None, now_ms=now_ms)
    desk = JobDesk(database, live)
    upward = Upward(live, writer, desk, watch)
    poll = PollThread(plan, known, upward, desk, wall.clock())
    closer = HourCloser(database, lambda: shown[0])
    watching = PlanWatch(database, addresses or {}, shown, live, poll, upward)
    return Parts(
        database,
        live,
        shown,
        writer,
        desk,
        closer,
        poll,
        plan=watching,
        keeper=Keeper(database, live, backups, lambda: shown[0], now_ms) if backups else None,
        exports=exports,
        judge=judge,
        fell=_fell(plan, live),
        begun_ms=now_ms(),
    )


def _fell(plan: PollPlan, live: Live) -> str:
    """Return in a sentence which outputs fell back while polling stood; empty if none did."""
    states, at_ms = live.sites(), now_ms()
    found = [
        f"{one.plan.site.name} {one.point.tag}"
        for gateway in plan.gateways
        for site in gateway.sites
        for one in fallen(site, states.get(site.site_id), at_ms)
    ]
    if not found:
        return ""
    return (
        "Polling stood for longer than these outputs wait, so their stations will have dropped "
        f"them: {', '.join(found)}. Look before you rely on them."
    )


def would_fall(parts: Parts) -> list[str]:
    """Return in words which outputs fall back if polling ends now."""
    states = parts.live.sites()
    return [
        f"{one.plan.site.name} {one.point.name} ({one.point.tag}) goes {one.to} "
        f"{one.after_s:.0f} s after its last poll"
        for site in parts.view.sites
        if site.is_polled
        for one in at_stake(site, states.get(site.site_id))
    ]


@dataclass(frozen=True, slots=True)
class Door:
    """How the pages are reached and who sees them.

    Args:
        viewing: ``open`` or ``login``.
        hosts: names under which they may be asked for besides the loopback's.
        by_address: whether any address in figures may be used.
        hint: what the sign-in page says besides.

    """

    viewing: str = "login"
    hosts: tuple[str, ...] = ()
    by_address: bool = False
    hint: str = ""


def services(
    parts: Parts,
    version: str,
    notice: Callable[[], str] = lambda: "",
    door: Door = Door(),
) -> Services:
    """Return what the routes are handed; ``notice`` is a sentence that stands on every page."""
    return Services(
        database=parts.database,
        live=parts.live,
        network=lambda: parts.view,
        now_ms=now_ms,
        version=version,
        storage_condition=lambda: _storage_condition(parts),
        poller_condition=lambda: _poller_condition(parts),
        started_ms=now_ms(),
        viewing=door.viewing,
        hosts=(*LOOPBACK_HOSTS, *door.hosts),
        by_address=door.by_address,
        sign_in_hint=door.hint,
        notice=lambda: " ".join(one for one in (*parts.notices(), notice()) if one),
        shelf=parts.exports.shelf if parts.exports else None,
        health=lambda: parts.judged.sites,
        losses=lambda: parts.judged.losses,
        causes=lambda: parts.judge.causes if parts.judge else (),
        findings_between=lambda *span: findings_told(parts.database, parts.view, now_ms(), *span),
        judged_ms=lambda: parts.judged.at_ms,
        began=lambda: parts.judge.began if parts.judge else {},
    )


def _storage_condition(parts: Parts) -> StorageStatus:
    if parts.writer is not None:
        return parts.writer.status()
    return StorageStatus("ok", 0, 0, 0)


def _poller_condition(parts: Parts) -> PollerCondition:
    if parts.poll is None:
        return PollerCondition("elsewhere")
    if parts.poll.is_alive():
        return PollerCondition("polling")
    return PollerCondition(
        "standing", sentence="Polling has ended by a fault of the program; start it again."
    )
