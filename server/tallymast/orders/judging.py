"""Judges a stored order by the newest that is known, and what its feedback proves: for the desk."""

from collections.abc import Callable, Mapping, Sequence

from tallymast.domain.model import Point, Reading, Site
from tallymast.domain.orders.feedback import explained, judge
from tallymast.domain.orders.model import Order, Proof
from tallymast.domain.orders.rules import refusals
from tallymast.live import Live
from tallymast.routes.orders.situation import Around, situation_of
from tallymast.routes.services import NetworkView, StorageCondition
from tallymast.storage.engine import Database

_GONE = "The output is not in the network any more."


class OrderJudge:
    """Says why an order may not be sent now.

    Args:
        database: tags, orders and the record.
        live: the newest readings.
        network: as it is now.
        storage: how storing goes.
        now_ms: the wall clock.

    """

    def __init__(
        self,
        database: Database,
        live: Live,
        network: Callable[[], NetworkView],
        storage: Callable[[], StorageCondition],
        now_ms: Callable[[], int],
    ) -> None:
        self._database = database
        self._around = Around(live, network, storage)
        self._now_ms = now_ms

    def refusals(self, order: Order) -> tuple[str, ...]:
        """Return every reason against sending a stored order, as sentences; empty: it may go.

        Raises:
            StorageError: the database refused, so nothing is known.

        """
        sites = self._around.network().sites
        plan = next((one for one in sites if one.site_id == order.site_id), None)
        point = plan.site.point(order.tag) if plan else None
        if plan is None or point is None:
            return (_GONE,)
        with self._database.reading() as conn:
            now_ms = self._now_ms()
            situation = situation_of(self._around, conn, plan, point, now_ms, but=order.id)
        return refusals(order.wanted, situation)


def proven(
    order: Order,
    point: Point,
    readings: Sequence[Reading],
    now_ms: int,
    site: Site,
    newest: Mapping[str, Reading],
) -> tuple[Proof, str, int | None]:
    """Return what the feedback says of an order; see ``proving.Prove``."""
    watched = site.point(point.feedback.tag) if point.feedback else None
    beside = explained(site, point, newest)
    return judge(order, point, readings, now_ms, watched, beside)
