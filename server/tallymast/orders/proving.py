"""Looks what the field says of orders that are over: their feedback, and outputs left unknown.

A reading counts only where its poll surely began after the order was read back: the first one
after it if every exchange of it was answered at its first try, else the next.
"""

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

from sqlalchemy import Connection

from tallymast.domain.model import Outcome, Point, PollFlag, Quality, Reading, Site, SitePlan
from tallymast.domain.orders.model import Order, Proof
from tallymast.live import Live
from tallymast.routes.services import NetworkView
from tallymast.routes.standings import site_readings
from tallymast.storage import order_proofs, orders
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)


class Prove(Protocol):
    """Says what the readings of a feedback point prove of an order."""

    def __call__(
        self,
        order: Order,
        point: Point,
        readings: Sequence[Reading],
        now_ms: int,
        site: Site,
        newest: Mapping[str, Reading],
    ) -> tuple[Proof, str, int | None]:
        """Return the proof, a statement, and when it was decided [UTC ms].

        Args:
            order: as it is stored.
            point: its output.
            readings: of the feedback point since the order was read back, and the last before
                it was sent where that is known.
            now_ms: when it is.
            site: whose output.
            newest: every newest reading of the site, which may explain what is not proven.

        """


_GONE: Final = "The output or its feedback was taken out of the network before it could be proven."
_OVERTAKEN: Final = "Another order went to this output before this one could be proven."
_FAULT: Final = "It could not be judged, by a fault of the program; its log says more."


@dataclass(slots=True)
class _Waiting:
    """An order whose feedback is waited for, and what was read since.

    Attributes:
        begun_ms, begun_s: when that began here, by the wall's clock and one nobody can set.

    """

    order: Order
    begun_ms: int
    begun_s: float
    readings: list[Reading] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Found:
    """What is to be stored of an order: what its feedback proved, or how it was read later."""

    order: Order
    at_ms: int
    said: str
    proof: Proof = Proof.NONE
    value: float = 0.0

    def store(self, conn: Connection) -> None:
        """Store it."""
        if self.proof is Proof.NONE:
            order_proofs.read_later(conn, self.order, self.value, self.at_ms, self.said)
        else:
            order_proofs.prove(conn, self.order, self.proof, self.at_ms, self.said)


class Proving:
    """What is still to be seen of orders that are over.

    Args:
        live: the newest readings.
        view: the network as it is now.
        prove: says what readings of a feedback point prove.
        now_ms: the wall clock.
        monotonic_s: a clock that nobody can set.

    """

    def __init__(
        self,
        live: Live,
        view: Callable[[], NetworkView],
        prove: Prove,
        now_ms: Callable[[], int],
        monotonic_s: Callable[[], float],
    ) -> None:
        self._live = live
        self._view = view
        self._prove = prove
        self._now_ms = now_ms
        self._monotonic_s = monotonic_s
        self._waiting: dict[int, _Waiting] = {}
        self._overtaken: frozenset[int] = frozenset()
        self._unread: tuple[Order, ...] = ()
        self.watched: frozenset[int] = frozenset()

    def begin(self, conn: Connection, order_id: int, at_ms: int) -> None:
        """Wait for the feedback of an order that was just confirmed, where it has one."""
        found = orders.order(conn, order_id)
        point = self._place(found)[1] if found is not None else None
        if point is not None and point.feedback is not None:
            order_proofs.wait(conn, order_id, at_ms)

    def fetch(self, conn: Connection) -> None:
        """Read which orders are waited for; what was read of them so far is kept."""
        now_ms, now_s = self._now_ms(), self._monotonic_s()
        found = {one.id: one for one in order_proofs.waiting(conn)}
        self._waiting = {
            key: self._waiting.get(key) or _Waiting(one, now_ms, now_s, self._before(one))
            for key, one in found.items()
        }
        overtaken = order_proofs.overtaken(conn) if found else ()
        self._overtaken = frozenset(one.id for one in overtaken)
        self._unread = order_proofs.unread(conn)
        self.watched = frozenset(one.site_id for one in found.values())

    def look(self, database: Database) -> None:
        """Store what the newest readings say of the orders that are waited for.

        Raises:
            StorageError: the database refused; the next look finds the same again.

        """
        if not self._waiting and not self._unread:
            return
        found = [self._soundly_judged(one) for one in self._waiting.values()]
        found += [self._read(one) for one in self._unread]
        known = [one for one in found if one is not None]
        if not known:
            return
        with database.writing() as conn:
            for one in known:
                one.store(conn)
        ended = {one.order.id for one in known}
        self._waiting = {key: one for key, one in self._waiting.items() if key not in ended}
        self._unread = tuple(one for one in self._unread if one.id not in ended)
        self.watched = frozenset(one.order.site_id for one in self._waiting.values())

    # --- feedback --------------------------------------------------------------------------

    def _soundly_judged(self, waiting: _Waiting) -> _Found | None:
        """Return what is proven now; a fault of the program in one order ends that order's."""
        try:
            return self._judged(waiting)
        except Exception:
            log.exception("the proof of order %d ends: a bug", waiting.order.id)
            return _Found(waiting.order, self._moment(waiting), _FAULT, Proof.UNKNOWN)

    def _judged(self, waiting: _Waiting) -> _Found | None:
        """Return what is proven of an order now, None while it is waited for."""
        order, now_ms = waiting.order, self._moment(waiting)
        plan, point = self._place(order)
        if plan is None or point is None or point.feedback is None:
            return _Found(order, now_ms, _GONE, Proof.UNKNOWN)
        if order.id in self._overtaken:
            return _Found(order, now_ms, _OVERTAKEN, Proof.UNKNOWN)
        since_ms = order.readback_ms or order.state_ms
        newest = self._newest(plan)
        reading = self._fresh(plan, newest.get(point.feedback.tag), since_ms)
        if reading is not None and reading not in waiting.readings:
            waiting.readings.append(reading)
        readings = tuple(waiting.readings)
        proof, said, at_ms = self._prove(order, point, readings, now_ms, plan.site, newest)
        if proof in (Proof.WAITING, Proof.NONE):
            return None
        return _Found(order, now_ms if at_ms is None else at_ms, said, proof)

    def _moment(self, waiting: _Waiting) -> int:
        """Return the time of day, which for a waiting order never runs backwards."""
        passed_ms = round(1000 * (self._monotonic_s() - waiting.begun_s))
        return max(self._now_ms(), waiting.begun_ms + passed_ms)

    # --- outputs left unknown --------------------------------------------------------------

    def _read(self, order: Order) -> _Found | None:
        """Return how an unknown order's output was read afterwards, None until it was."""
        plan, point = self._place(order)
        if plan is None or point is None:
            return None
        reading = self._fresh(plan, self._newest(plan).get(order.tag), order.state_ms)
        if reading is None or reading.at_ms is None or isinstance(reading.value, str):
            return None
        is_on = bool(reading.value)
        said = f"Read once afterwards: the output is {'on' if is_on else 'off'}."
        return _Found(order, reading.at_ms, said, value=float(is_on))

    # --- readings --------------------------------------------------------------------------

    def _place(self, order: Order) -> tuple[SitePlan | None, Point | None]:
        sites = self._view().sites
        plan = next((one for one in sites if one.site_id == order.site_id), None)
        return plan, plan.site.point(order.tag) if plan else None

    def _newest(self, plan: SitePlan) -> Mapping[str, Reading]:
        state = self._live.sites().get(plan.site_id)
        gateway = self._view().gateway_of(plan.site_id)
        found = site_readings(gateway, plan, state, self._now_ms())
        return {one.tag: one for one in found}

    def _before(self, order: Order) -> list[Reading]:
        """Return what the feedback point showed last before an order was sent, if that is known."""
        plan, point = self._place(order)
        if plan is None or point is None or point.feedback is None or order.sent_ms is None:
            return []
        reading = self._newest(plan).get(point.feedback.tag)
        known = reading is not None and reading.at_ms is not None and reading.at_ms <= order.sent_ms
        return [reading] if reading is not None and known else []

    def _fresh(self, plan: SitePlan, reading: Reading | None, since_ms: int) -> Reading | None:
        """Return a good reading if it was surely asked for after ``since_ms``."""
        if reading is None or reading.quality is not Quality.GOOD:
            return None
        return reading if reading.at_ms in self._surely_after(plan.site_id, since_ms) else None

    def _surely_after(self, site_id: int, since_ms: int) -> set[int]:
        polls = [
            one
            for one in self._live.polls(site_id)
            if one.at_ms > since_ms and one.outcome.is_answered
        ]
        return {
            one.at_ms
            for n, one in enumerate(polls)
            if (n or one.outcome is Outcome.FIRST_TRY) and PollFlag.SUSPECT not in one.flags
        }
