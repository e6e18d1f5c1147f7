"""Reads from the record what alarms that need a while would remember, had nobody restarted."""

import logging
from collections.abc import Callable
from typing import Final

from tallymast.domain.alarms.counting import BACK_HELD_MS, Counted
from tallymast.domain.alarms.moving import Trace
from tallymast.domain.alarms.seeding import recounted, traced, unbroken_from
from tallymast.domain.errors import StorageError
from tallymast.domain.model import Point, PointKind, SitePlan
from tallymast.domain.totals.meters import restart_point
from tallymast.routes.services import NetworkView
from tallymast.routes.standings import stale_spans
from tallymast.storage.count_readings import count_readings
from tallymast.storage.engine import Database
from tallymast.storage.readings import Goodness, parts_with, raw_series

log = logging.getLogger(__name__)

_NOTHING: Final = Trace()


class Past:
    """The newest readings of the record, as alarms remember them; good ones only.

    Where the database refuses there is no past: a look never waits for it.

    Args:
        database: the record.
        view: the network as it is now.
        now_ms: the wall clock.

    """

    def __init__(
        self, database: Database, view: Callable[[], NetworkView], now_ms: Callable[[], int]
    ) -> None:
        self._database = database
        self._view = view
        self._now_ms = now_ms

    def trace(self, plan: SitePlan, point: Point, span_s: float) -> Trace:
        """Return how a point moved in the last ``span_s`` up to now, as it is read now."""
        now_ms = self._now_ms()
        from_ms = now_ms - round(1000 * span_s)
        try:
            with self._database.reading() as conn:
                parts = parts_with(conn, plan.site_id, point.tag, from_ms, now_ms + 1)
                before = [one for one in parts if one.layout.id != plan.layout.id]
                ends = [int(one.columns.at_ms[-1]) for one in before if len(one.columns.at_ms)]
                from_ms = max([from_ms, *(end + 1 for end in ends)])
                series = raw_series(conn, plan.site_id, point.tag, from_ms, now_ms + 1)
        except StorageError as error:
            log.warning("alarms begin without a past at site=%d: %s", plan.site_id, error)
            return _NOTHING
        good = series.quality >= Goodness.GOOD
        at_ms, values = series.at_ms[good].tolist(), series.value[good].tolist()
        first = unbroken_from(at_ms, now_ms, self._fresh_ms(plan, point))
        return traced(zip(at_ms[first:], values[first:], strict=True), span_s)

    def count(self, plan: SitePlan, point: Point) -> Counted | None:
        """Return what would be remembered of a totalizer by now, None where nothing is."""
        now_ms, fresh_ms = self._now_ms(), self._fresh_ms(plan, point)
        counter = plan.site.point_of(PointKind.COUNTER)
        if counter != restart_point(plan.site):  # what explains a step back is another point
            return None
        try:
            with self._database.reading() as conn:
                span = now_ms - BACK_HELD_MS - fresh_ms, now_ms + 1
                found = count_readings(conn, plan, (point,), *span)[point.tag]
        except StorageError as error:
            log.warning("counts begin without a past at site=%d: %s", plan.site_id, error)
            return None
        at_ms, changed = found.at_ms.tolist(), found.changed.nonzero()[0].tolist()
        first = max(unbroken_from(at_ms, now_ms, fresh_ms), *changed, 0)
        starts = zip(found.starts.at_ms.tolist(), found.starts.count.tolist(), strict=True)
        beside = {at: float(count) for at, count in starts}
        restarts = [beside.get(at) for at in at_ms[first:]]
        return recounted(
            at_ms[first:],
            found.count[first:].astype(float).tolist(),
            restarts,
            point,
            has_counter=counter is not None,
        )

    def _fresh_ms(self, plan: SitePlan, point: Point) -> int:
        return stale_spans(self._view().gateway_of(plan.site_id), plan)[point.poll]
