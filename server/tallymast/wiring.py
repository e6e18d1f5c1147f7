"""The one file that knows every room and joins them into a running Tallymast.

Up:   bytes -> polling -> Upward -> live (at once) and the writer (every second) -> hours closed
Down: page -> job (stored first) -> JobDesk -> poller -> JobDesk -> job (its result)
      page -> order (stored first) -> OrderDesk -> poller -> OrderDesk -> what became of it
"""

import logging
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path

from tallymast import wall
from tallymast.alarms import blind as alarm_blind
from tallymast.alarms.book import AlarmBook
from tallymast.alarms.keeper import AlarmKeeper, Eyes
from tallymast.alarms.past import Past
from tallymast.alarms.permits import Permits
from tallymast.alarms.written import WrittenWords
from tallymast.domain.alarms.model import Alarms
from tallymast.domain.alarms.setting_up import alarms_of
from tallymast.domain.alarms.weekly import Weekly
from tallymast.domain.desks import Desk, Standstill
from tallymast.domain.heartbeat import HeartbeatNow
from tallymast.domain.model import (
    PollPlan,
)
from tallymast.domain.orders.model import Order
from tallymast.domain.telling.secrets import found
from tallymast.domain.watchdogs import at_stake, fallen
from tallymast.exporting import ExportDesk
from tallymast.follow import Follow
from tallymast.heartbeat import Body, Heart, Told
from tallymast.hour_closer import HourCloser
from tallymast.job_desk import JobDesk
from tallymast.judging import Judge, Judged
from tallymast.keeping import Keeper
from tallymast.live import Live
from tallymast.networks import load_network
from tallymast.orders.desk import OrderDesk
from tallymast.orders.judging import OrderJudge, proven
from tallymast.plan_watch import PlanWatch, forget_others
from tallymast.polling.thread import PollThread
from tallymast.routes.findings_told import findings_told
from tallymast.routes.services import (
    LOOPBACK_HOSTS,
    NetworkView,
    PollerCondition,
    Services,
)
from tallymast.steady import Desks, Elsewhere, keep
from tallymast.storage import jobs, states, telling_settings, test_alarm
from tallymast.storage import orders as stored_orders
from tallymast.storage.engine import Database
from tallymast.storage.writer import StorageStatus, Writer
from tallymast.telling.book import TellingBook
from tallymast.telling.keeper import TellingKeeper
from tallymast.telling.told import TellingTold
from tallymast.telling.ways import Ways
from tallymast.upward import Upward, Watch
from tallymast.volume_keeper import VolumeKeeper

log = logging.getLogger(__name__)

NOTICE_MS = 3_600_000


def now_ms() -> int:
    """Return the wall clock, UTC milliseconds: the computer's, or a test's (wall.py)."""
    return wall.now_ms()


# --- the whole -----------------------------------------------------------------------


Fore = Writer | JobDesk | OrderDesk | HourCloser | Follow  # what runs before polling does
# What works beside polling and pages.
Beside = Keeper | ExportDesk | Judge | AlarmKeeper | TellingKeeper | Heart | VolumeKeeper


@dataclass(frozen=True)
class Parts:
    """What a running Tallymast consists of besides the web server; absent parts are None."""

    database: Database
    live: Live
    shown: list[NetworkView]  # one: the newest
    writer: Writer | None = None
    desk: JobDesk | None = None
    orders: OrderDesk | None = None
    closer: HourCloser | None = None
    poll: PollThread | None = None
    follow: Follow | None = None
    plan: PlanWatch | None = None
    keeper: Keeper | None = None
    exports: ExportDesk | None = None
    judge: Judge | None = None
    book: AlarmBook | None = None
    alarms: AlarmKeeper | None = None
    volumes: VolumeKeeper | None = None
    telling: TellingKeeper | None = None
    telling_told: TellingTold | None = None  # of telling, here or in another process
    has_mail_password: bool | None = None  # None where nothing is sent from
    heart: Heart | None = None
    told: Told | None = None  # of a heart in another process
    desks: Desks = field(default_factory=lambda: Desks(now_ms))  # those of this process
    elsewhere: Elsewhere | None = None  # those of the process that polls
    fell: str = ""  # what fell back while polling stood, in a sentence
    begun_ms: int = 0

    def standing(self) -> tuple[Standstill, ...]:
        """Return the desks that stand still, here or in the process that polls."""
        elsewhere = self.elsewhere.standing() if self.elsewhere else ()
        return (*self.desks.standing(), *elsewhere)

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
    def _before_polling(self) -> tuple[Fore | None, ...]:
        return (self.writer, self.desk, self.orders, self.closer, self.follow)

    @contextmanager
    def running(self) -> Iterator[None]:
        """Run every thread for a block, the poller last; end in the order in which data flows."""
        begun: list[Fore | PollThread | PlanWatch | Beside] = []
        try:
            beside = (
                self.keeper,
                self.exports,
                self.judge,
                self.alarms,
                self.telling,
                self.heart,
                self.volumes,
            )
            for part in (*self._before_polling, self.poll, self.plan, *beside):
                if part is not None:
                    part.start()
                    begun.append(part)
            yield
        finally:
            self.desks.end()
            for part in (
                *beside,
                self.plan,
                self.poll,
                self.desk,
                self.orders,
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
    mail_password: str = "",
    webhook_secrets: Mapping[str, str] | None = None,
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
        mail_password: by which the mail server lets us in; it is stored nowhere.
        webhook_secrets: by which webhooks are signed, by variable (domain/telling/secrets.py);
            only their names are stored.

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
    exports = ExportDesk(database, live, lambda: shown[0], now_ms) if role != "poller" else None
    judge = Judge(database, live, lambda: shown[0], now_ms, names=role != "poller")
    permits = Permits(database, lambda: shown[0], now_ms)
    written = WrittenWords(database)
    book = AlarmBook(database, lambda: shown[0], alarms_of, permits.alarms, written.now)
    if role == "web":
        return _watched(
            Parts(
                database,
                live,
                shown,
                follow=Follow(database, live, book.has_moved),
                plan=PlanWatch(database, addresses or {}, shown, live),
                exports=exports,
                judge=judge,
                book=book,
                told=Told(database, now_ms),
                telling_told=TellingTold(database, now_ms),
                elsewhere=Elsewhere(database, now_ms, alarm_blind.LOOKED, alarm_blind.LEAST_MS),
            )
        )
    with database.writing() as connection:
        jobs.fail_abandoned(connection, jobs.POLLER, now_ms())
        secrets = webhook_secrets or {}
        telling_settings.keep_environment(connection, found(secrets, now_ms()))
    writer = Writer(database, on_commit=watch.committed if watch else None, now_ms=now_ms)
    desk = JobDesk(database, live)
    upward = Upward(live, writer, desk, watch)
    judging = OrderJudge(database, live, lambda: shown[0], writer.status, now_ms)
    orders = OrderDesk(
        database, live, lambda: shown[0], judge=judging.refusals, prove=proven, now_ms=now_ms
    )
    poll = PollThread(plan, known, upward, desk, wall.clock(), orders)
    closer = HourCloser(database, lambda: shown[0])
    watching = PlanWatch(database, addresses or {}, shown, live, poll, upward)
    desks = Desks(now_ms)
    eyes = Eyes(
        live,
        network=lambda: shown[0],
        now_ms=now_ms,
        health=lambda: judge.judged.sites,
        storage=writer.status,
        poller=lambda: _condition_of(poll),
        weekly=lambda: _weekly(database),
        orders=lambda: _newest_orders(database),
        permits=permits.standings,
        desks=desks.standing,
        keep_desks=lambda standing: keep(database, standing),
        past=Past(database, lambda: shown[0], now_ms),
    )
    alarms = AlarmKeeper(eyes, book)
    parts = Parts(
        database,
        live,
        shown,
        writer,
        desk,
        orders,
        closer,
        poll,
        plan=watching,
        desks=desks,
        keeper=Keeper(database, live, backups, lambda: shown[0], now_ms) if backups else None,
        exports=exports,
        judge=judge,
        book=book,
        alarms=alarms,
        volumes=VolumeKeeper(database, lambda: shown[0], now_ms),
        telling=_telling(database, shown, book, mail_password, secrets),
        telling_told=TellingTold(database, now_ms),
        has_mail_password=bool(mail_password),
        heart=_heart(database, eyes, alarms),
        fell=_fell(plan, live),
        begun_ms=now_ms(),
    )
    return _watched(parts)


def _watched(parts: Parts) -> Parts:
    """Have a running Tallymast's desks watched over: what takes steps by them, else its thread."""
    stepping = (
        (Desk.ALARMS, parts.alarms),
        (Desk.VOLUMES, parts.volumes),
        (Desk.HEARTBEAT, parts.heart),
    )
    plain = (
        (Desk.TELLING, parts.telling),
        (Desk.JOBS, parts.desk),
        (Desk.HOURS, parts.closer),
        (Desk.FOLLOWING, parts.follow),
        (Desk.PLAN, parts.plan),
        (Desk.JUDGING, parts.judge),
        (Desk.KEEPING, parts.keeper),
        (Desk.EXPORTS, parts.exports),
    )
    if parts.orders is not None:
        parts.desks.watch(Desk.ORDERS, parts.orders, parts.orders.steady)
        parts.desks.watch(Desk.PROOFS, steady=parts.orders.proofs_steady)
    if parts.writer is not None:
        parts.desks.watch(Desk.STORING, parts.writer.thread)
    for name, one in stepping:
        if one is not None:
            parts.desks.watch(name, one, one.steady)
    for name, thread in plain:
        if thread is not None:
            parts.desks.watch(name, thread)
    return parts


def _telling(
    database: Database,
    shown: list[NetworkView],
    book: AlarmBook,
    password: str,
    secrets: Mapping[str, str],
) -> TellingKeeper:
    told = TellingBook(database, lambda: shown[0])
    ways = Ways(lambda: told.telling.server, password, secrets)
    return TellingKeeper(told, book.now, ways, now_ms)


def _heart(database: Database, eyes: Eyes, alarms: AlarmKeeper) -> Heart:
    body = Body(
        eyes.live,
        network=eyes.network,
        now_ms=now_ms,
        storage=eyes.storage,
        poller=eyes.poller,
        looked_ms=lambda: alarms.looked_ms,
        desks=eyes.desks,
    )
    return Heart(database, body, version("tallymast"))


def _newest_orders(database: Database) -> Mapping[int, Order]:
    with database.reading() as connection:
        return stored_orders.latest_by_point(connection)


def _weekly(database: Database) -> Weekly:
    with database.reading() as connection:
        return test_alarm.load(connection)


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
        alarms=lambda: _alarms(parts),
        mail_password=lambda: parts.has_mail_password,
        desks=parts.standing,
        telling_trouble=lambda: _telling_trouble(parts),
        heartbeat=lambda: _heartbeat(parts),
        beat=parts.heart.hurry if parts.heart else None,
        blind=lambda: alarm_blind.blind_words(parts.database, parts.view, _alarms(parts), now_ms()),
    )


def _telling_trouble(parts: Parts) -> str:
    """Return why people are not told: what only the process that sends knows, else what is kept."""
    own = parts.telling.trouble() if parts.telling else ""
    return own or (parts.telling_told.trouble() if parts.telling_told else "")


def _heartbeat(parts: Parts) -> HeartbeatNow:
    found = parts.heart or parts.told
    return found.now() if found is not None else HeartbeatNow()


def _alarms(parts: Parts) -> Alarms:
    return parts.book.now() if parts.book else Alarms()


def _storage_condition(parts: Parts) -> StorageStatus:
    if parts.writer is not None:
        return parts.writer.status()
    return StorageStatus("ok", 0, 0, 0)


def _poller_condition(parts: Parts) -> PollerCondition:
    return PollerCondition("elsewhere") if parts.poll is None else _condition_of(parts.poll)


def _condition_of(poll: PollThread) -> PollerCondition:
    if poll.is_alive():
        return PollerCondition("polling")
    return PollerCondition(
        "standing", sentence="Polling has ended by a fault of the program; start it again."
    )
