"""Looks at every alarm once a second, beside polling, and has stored what changed.

What an alarm is, when its condition is abnormal and what follows is decided in domain/alarms;
how alarms stand is known to the book (book.py). Here they are brought together, and nothing
that fails ends the looking: what cannot be stored now is stored later, and a look that a fault of
the program breaks is told of and tried again (steady.py).
"""

import logging
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from sqlalchemy import Connection

from tallymast.alarms import blind as alarm_blind
from tallymast.alarms.book import AlarmBook
from tallymast.alarms.dawns import Dawns
from tallymast.alarms.looks import Looks
from tallymast.alarms.memory import NoPast, Past
from tallymast.alarms.trials import WeeklyTest, seen_of_test
from tallymast.domain.alarms.conditions import Around, PlaceOf
from tallymast.domain.alarms.judged import UNKNOWN
from tallymast.domain.alarms.model import Alarms, Condition, Seen
from tallymast.domain.alarms.permitted import Permitted
from tallymast.domain.alarms.weekly import Weekly
from tallymast.domain.desks import Standstill
from tallymast.domain.errors import StorageError
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.orders.model import Order
from tallymast.domain.zones import find_zone
from tallymast.live import Live
from tallymast.routes.services import NetworkView, PollerCondition, StorageCondition
from tallymast.routes.standings import Standings
from tallymast.steady import Steady

log = logging.getLogger(__name__)

LOOK_S: Final = 1.0  # ours: delays are of seconds, and nobody waits longer to be told
KEEP_LOOK_MS: Final = 60_000


@dataclass(frozen=True)
class Eyes:
    """What a keeper looks at.

    Attributes:
        live: the newest states.
        network: as it is now.
        now_ms: the wall clock.
        health: of every site, as judged last.
        storage: how storing goes.
        poller: how polling goes.
        orders: the newest order to each output, by point id.
        weekly: when the test alarm is raised by itself.
        permits: how permits stand, by their number.
        desks: which desks stand still, those beside polling.
        keep_desks: has that kept for other processes.
        past: what the record knows of points.

    """

    live: Live
    network: Callable[[], NetworkView]
    now_ms: Callable[[], int]
    health: Callable[[], Mapping[int, SiteHealth]]
    storage: Callable[[], StorageCondition]
    poller: Callable[[], PollerCondition]
    orders: Callable[[], Mapping[int, Order]] = dict
    weekly: Callable[[], Weekly] = lambda: Weekly(on=False)
    permits: Callable[[], Mapping[int, Permitted]] = dict
    desks: Callable[[], tuple[Standstill, ...]] = tuple
    keep_desks: Callable[[tuple[Standstill, ...]], None] = lambda _: None
    past: Past = field(default_factory=NoPast)


class AlarmKeeper(threading.Thread):
    """Looks once a second until stopped.

    Args:
        eyes: what it looks at.
        book: what it knows of alarms and puts there.

    """

    def __init__(self, eyes: Eyes, book: AlarmBook) -> None:
        super().__init__(name="alarms", daemon=True)
        self._eyes = eyes
        self._book = book
        self._standings = Standings(eyes)
        self._looks = Looks(eyes.past)
        self._dawns = Dawns()
        self._test = WeeklyTest(eyes.weekly)
        self._orders: Mapping[int, Order] = {}
        self._looked_ms: int | None = None
        self._ended = threading.Event()
        self._is_begun = False
        self._start: tuple[Alarms, int] | None = None  # how it was at the start, until it is kept
        self._kept_ms: int | None = None  # when it was last kept that somebody looked
        self._desks: tuple[Standstill, ...] | None = None  # that stood still, as kept last
        self.steady = Steady("alarms", eyes.now_ms)

    @property
    def looked_ms(self) -> int | None:
        """When it looked last, UTC ms; None: not yet."""
        return self._looked_ms

    @property
    def now(self) -> Callable[[], Alarms]:
        """Tells every alarm and how it stands."""
        return self._book.now

    def run(self) -> None:
        """Look once a second; a look that takes longer is followed by the next at once."""
        due_s = time.monotonic()
        while not self._ended.wait(max(due_s - time.monotonic(), 0.0)):
            due_s = max(due_s + LOOK_S, time.monotonic())
            try:
                self.steady.take(self.look)
                self._keep_desks()
            except StorageError as error:
                log.warning("alarms wait to be stored: %s", error)

    def _keep_desks(self) -> None:
        """Have kept which desks stand still, this one among them, where that changed."""
        desks = self._eyes.desks()
        if desks != self._desks:
            self._eyes.keep_desks(desks)
            self._desks = desks

    def stop(self) -> None:
        """End after the look in hand, and keep when it was."""
        self._ended.set()
        self.join()
        self.stop_looking()

    def stop_looking(self) -> None:
        """Keep that the last look was now, and what is not stored yet."""
        self._kept_ms = None
        try:
            self._store(self._eyes.now_ms())
        except StorageError as error:
            log.warning("the last look for alarms is not kept: %s", error)

    def look(self) -> None:
        """Look once.

        Raises:
            StorageError: the database refused; what changed is shown, and stored later.

        """
        now_ms = self._eyes.now_ms()
        moved = self._begin(now_ms)
        before = self._book.now()
        steps = self._looks.steps_of(before, self.around(now_ms))
        steps |= self._test.steps(before, find_zone(self._eyes.network().time_zone), now_ms)
        self._looked_ms = now_ms
        if self._book.put(before, steps) or moved:
            self._eyes.live.publish_alarms()
        self._store(now_ms)

    def around(self, now_ms: int) -> Around:
        """Return all that a look needs to know."""
        eyes, view = self._eyes, self._eyes.network()
        plans = {one.site_id: one.site.key for one in view.sites}
        health, states = eyes.health(), eyes.live.gateways()
        gateways = {one.gateway.key: states.get(one.gateway_id) for one in view.gateways}
        supplies = {plans[key]: one.supply for key, one in health.items() if key in plans}
        return Around(
            now_ms=now_ms,
            sites={plans[key]: one for key, one in self._standings.now().items() if key in plans},
            gateways={key: one for key, one in gateways.items() if one is not None},
            gateway_names={one.gateway.key: one.gateway.name for one in view.gateways},
            supplies={key: one for key, one in supplies.items() if one is not None},
            storage=_storage_seen(eyes.storage(), now_ms),
            poller=_poller_seen(eyes.poller(), now_ms),
            test=seen_of_test(self._book.now(), now_ms),
            orders=self._newest_orders(view),
            dawns=self._dawns.of(view, health, now_ms),
            permits=eyes.permits(),
        )

    def _newest_orders(self, view: NetworkView) -> dict[PlaceOf, Order]:
        """Return the newest order to each output; while the database refuses, as it was."""
        try:
            self._orders = self._eyes.orders()
        except StorageError as error:
            log.warning("orders are judged as they were: %s", error)
        if not self._orders:
            return {}
        sites = {one.site_id: one.site.key for one in view.sites}
        return {
            (sites[one.site_id], one.tag): one
            for one in self._orders.values()
            if one.site_id in sites
        }

    def _begin(self, now_ms: int) -> bool:
        """Read what was there before the first look; later, what others did meanwhile."""
        if self._is_begun:
            return self._took_up()
        self._book.has_moved()
        self._start = self._book.now(), now_ms
        self._book.forget_conditions()
        self._is_begun = True
        return True

    def _took_up(self) -> bool:
        try:
            return self._book.has_moved()
        except StorageError as error:
            log.warning("what others did to alarms is read later: %s", error)
            return False

    def _store(self, now_ms: int) -> None:
        if not self._is_begun:
            return
        is_due = self._kept_ms is None or not 0 <= now_ms - self._kept_ms < KEEP_LOOK_MS
        is_due = is_due or self._test.waits
        raised = 0

        def also(conn: Connection) -> None:
            if self._start is not None:
                alarm_blind.begin(conn, *self._start)
            alarm_blind.looked(conn, now_ms)
            nonlocal raised
            raised = self._test.write(conn)

        self._book.store(now_ms, also if is_due else None)
        if is_due:
            self._kept_ms, self._start = now_ms, None
            self._test.written(raised)


def _storage_seen(told: StorageCondition, now_ms: int) -> Seen:
    if told.state != "failing":
        return Seen(Condition.NORMAL, now_ms, "")
    return Seen(Condition.ABNORMAL, now_ms, told.sentence, since_ms=told.since_ms)


def _poller_seen(told: PollerCondition, now_ms: int) -> Seen:
    if told.state == "elsewhere":
        return UNKNOWN
    is_standing = told.state == "standing"
    condition = Condition.ABNORMAL if is_standing else Condition.NORMAL
    return Seen(condition, now_ms, told.sentence, since_ms=told.since_ms)
