"""Fetches stored orders for the poller, lets it claim them, and stores what becomes of each.

    stored -> fetched -> claimed (judged again, committed) -> told, in order -> stored

The poller's loop never waits for the database: it looks at a list kept here, and is answered
by futures from this thread. At the start, before anything is fetched, what another process was
sending ends as unknown; nothing is ever sent a second time.

A fault of the program in one order ends that order; one that breaks a whole look does not end the
looking, and no order is taken while it lasts (steady.py).
"""

import logging
import os
import threading
import time
import uuid
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from typing import Final

from tallymast.domain.errors import StorageError
from tallymast.domain.orders.model import Order, OrderState, Sendable, Told
from tallymast.live import Live
from tallymast.orders.proving import Prove, Proving
from tallymast.routes.services import NetworkView
from tallymast.steady import Steady
from tallymast.storage import orders
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)

LOOK_S: Final = 0.1  # how soon a stored order is seen by the poller
REFUSED_LOOK_S: Final = 0.5  # the same while the database refuses, or looks break
_FAULT: Final = "Not sent: it could not be judged, by a fault of the program; its log says more."

Judge = Callable[[Order], Sequence[str]]  # why an order may not be sent now, in sentences


class _TooLate(Exception):
    """An order's time ran out while its claim waited for the database."""


class OrderDesk(threading.Thread):
    """The orders between database and poller; a ``polling.ports.Orders``.

    Args:
        database: where they are stored.
        live: the newest readings.
        view: the network as it is now.
        judge: says why an order may not be sent, by the newest that is known.
        prove: says what the readings of a feedback point prove of an order.
        now_ms: the wall clock.
        monotonic_s: a clock that nobody can set.
        worker: this process, among all that ever send.

    """

    def __init__(
        self,
        database: Database,
        live: Live,
        view: Callable[[], NetworkView],
        *,
        judge: Judge,
        prove: Prove,
        now_ms: Callable[[], int],
        monotonic_s: Callable[[], float] = time.monotonic,
        worker: str = "",
    ) -> None:
        super().__init__(name="orders", daemon=True)
        self._database = database
        self._judge = judge
        self._now_ms = now_ms
        self._monotonic_s = monotonic_s
        self._worker = worker or f"{os.getpid()}-{uuid.uuid4().hex[:12]}"
        self._proving = Proving(live, view, prove, now_ms, monotonic_s)
        self.steady = Steady("orders", now_ms)
        self.proofs_steady = Steady("proofs of orders", now_ms)
        self._lock = threading.Lock()
        self._bell = threading.Event()
        self._is_ended = False
        self._is_begun = False
        self._version = -1
        self._stored: Mapping[int, Order] = {}
        self._seen_s: dict[int, float] = {}  # when each was first seen here
        self._taken: set[int] = set()  # claimed, or asked for once: not offered again
        self._claims: deque[tuple[int, Future[bool]]] = deque()
        self._told: list[tuple[int, Told]] = []

    # --- for the poller, from its thread ---------------------------------------------------

    def waiting(self) -> Sequence[Sendable]:
        """Return the stored orders nobody has begun, oldest first."""
        if not self._stored:
            return ()
        with self._lock:
            found = [one for key, one in self._stored.items() if key not in self._taken]
        now_ms = self._now_ms()
        return [
            Sendable(one.id, one.site_id, one.tag, one.wanted, one.expires_ms)
            for one in found
            if one.made_ms <= now_ms and not self._is_past(one)
        ]

    def claim(self, order_id: int) -> "Future[bool]":
        """Have an order committed as being sent; the future tells whether that is done."""
        claim: Future[bool] = Future()
        with self._lock:
            is_refused = self._is_ended or order_id in self._taken
            if not is_refused:
                self._taken.add(order_id)
                self._claims.append((order_id, claim))
        if is_refused:
            claim.set_result(False)
        self._bell.set()
        return claim

    def told(self, order_id: int, told: Told) -> None:
        """Take what became of a claimed order; it is kept until it is stored."""
        with self._lock:
            self._told.append((order_id, told))
        self._bell.set()

    def watched(self) -> frozenset[int]:
        """Return the sites whose feedback is waited for."""
        return self._proving.watched

    # --- its own thread --------------------------------------------------------------------

    def run(self) -> None:
        """Look until stopped; what the database refuses, or a bug breaks, is tried again."""
        pause_s = LOOK_S
        try:
            while not self._is_ended:
                self._bell.wait(pause_s)
                self._bell.clear()
                pause_s = LOOK_S if self._looked() else REFUSED_LOOK_S
        finally:
            self._end()

    def stop(self) -> None:
        """End after storing what is known; to be called when nobody polls any more."""
        self._is_ended = True
        self._bell.set()
        self.join()

    def look(self) -> None:
        """Store what is known, answer claims, and fetch what is new.

        Raises:
            StorageError: the database refused; claims are answered nevertheless, and what is
                known is kept for the next look.

        """
        self._look_at_orders()
        self._look_at_proofs()

    def _look_at_orders(self) -> None:
        try:
            self._begin()
            self._store_told()
        finally:
            self._answer_claims()
        self._fetch_if_moved()
        self._expire()

    def _look_at_proofs(self) -> None:
        self._proving.look(self._database)

    def _looked(self) -> bool:
        """Look once; what breaks the proving stops no order. Return whether all went well."""
        try:
            sent = self.steady.take(self._look_at_orders)
            return self.proofs_steady.take(self._look_at_proofs) and sent
        except StorageError as error:
            log.warning("orders wait: %s", error)
            return False

    def _begin(self) -> None:
        if self._is_begun:
            return
        with self._database.writing() as conn:
            left = orders.abandon(conn, self._worker, self._now_ms())
        if left:
            log.warning("orders another process was sending ended as unknown: %d", left)
        self._is_begun = True

    def _end(self) -> None:
        """Refuse the claims nobody answers any more, and store what is known."""
        with self._lock:
            self._is_ended = True
            claims = list(self._claims)
            self._claims.clear()
        for _, claim in claims:
            if claim.set_running_or_notify_cancel():
                claim.set_result(False)
        try:
            self._store_told()
        except StorageError as error:
            log.warning("what became of %d orders is lost: %s", len(self._told), error)

    # --- what became of them ---------------------------------------------------------------

    def _store_told(self) -> None:
        with self._lock:
            known = list(self._told)
        if not known:
            return
        with self._database.writing() as conn:
            for order_id, told in known:
                if orders.tell(conn, order_id, told) and told.state is OrderState.CONFIRMED:
                    self._proving.begin(conn, order_id, told.at_ms)
        with self._lock:
            del self._told[: len(known)]

    # --- claims ----------------------------------------------------------------------------

    def _answer_claims(self) -> None:
        """Answer every claim; outside the lock, as an answer may tell of an order at once."""
        while self._claims:
            order_id, claim = self._claims.popleft()
            if not claim.set_running_or_notify_cancel():  # nobody waits for it any more
                continue
            granted = False
            try:
                granted = self._granted(order_id)
            except StorageError as error:
                log.warning("order %d is not sent: %s", order_id, error)
                said = "Not sent: it could not be stored that it was being sent."
                self.told(order_id, Told(OrderState.NOT_SENT, self._now_ms(), said))
            except Exception:  # a fault in one order must not end the sending of all others
                log.exception("order %d is not sent: a bug", order_id)
                self.told(order_id, Told(OrderState.NOT_SENT, self._now_ms(), _FAULT))
            finally:
                claim.set_result(granted)

    def _granted(self, order_id: int) -> bool:
        """Judge an order once more and commit that it is being sent; return whether it may be."""
        known = self._stored.get(order_id)
        if known is None or not self._is_begun or self._is_past(known):
            return False
        refusals = self._judge(known)
        if refusals:
            self._refuse(order_id, " ".join(refusals))
            return False
        try:
            with self._database.writing() as conn:
                granted = orders.claim(conn, order_id, self._worker, self._now_ms())
                if granted and self._is_past(known):
                    raise _TooLate
        except _TooLate:
            return False
        return granted

    def _refuse(self, order_id: int, said: str) -> None:
        told = Told(OrderState.REFUSED, self._now_ms(), f"Not sent: {said}")
        with self._database.writing() as conn:
            orders.tell(conn, order_id, told)

    # --- what is stored --------------------------------------------------------------------

    def _fetch_if_moved(self) -> None:
        seen = self._database.data_version()
        if seen != self._version:
            self._fetch()
            self._version = seen

    def _fetch(self) -> None:
        with self._database.reading() as conn:
            found = {one.id: one for one in orders.in_state(conn, OrderState.STORED)}
            self._proving.fetch(conn)
        now_s = self._monotonic_s()
        with self._lock:
            self._stored = found
            self._seen_s = {key: self._seen_s.get(key, now_s) for key in found}
            asked = {order_id for order_id, _ in self._claims}
            self._taken &= found.keys() | asked

    def _is_past(self, one: Order) -> bool:
        """Whether an order's time is over, by the wall's clock or by one nobody can set."""
        now_ms = self._now_ms()
        seen_s = self._seen_s.get(one.id)
        good_s = (one.expires_ms - one.made_ms) / 1000
        return (
            now_ms >= one.expires_ms
            or one.made_ms > now_ms + orders.CLOCKS_APART_MS
            or (seen_s is not None and self._monotonic_s() - seen_s >= good_s)
        )

    def _expire(self) -> None:
        past = [key for key, one in self._stored.items() if self._is_past(one)]
        if not past:
            return
        with self._database.writing() as conn:
            orders.expire(conn, self._now_ms(), past)
        with self._lock:
            self._stored = {key: one for key, one in self._stored.items() if key not in past}
