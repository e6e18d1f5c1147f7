"""A site's outputs as its pages list them: value, age, tags, the last order; pulses first."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from tallymast.domain.health.attention import Standing
from tallymast.domain.model import Point, PointKind, SitePlan
from tallymast.domain.orders.model import Order, TagOut
from tallymast.routes.formats import value_words
from tallymast.routes.orders.order_rows import OrderLine, order_line
from tallymast.routes.orders.order_words import OUTPUTS
from tallymast.routes.rows import remark_of, tone_of

KINDS: Final = {
    PointKind.PULSE_OUTPUT: "pulse",
    PointKind.DISCRETE_OUTPUT: "on and off",
    PointKind.ANALOG_OUTPUT: "set-point",
}


@dataclass(frozen=True, slots=True)
class OutputRow:
    """One output as it is listed."""

    tag: str
    name: str
    kind: str
    words: str
    tone: str
    remark: str
    reason: str
    at_ms: int | None
    tags: tuple[TagOut, ...]
    last: OrderLine | None


def outputs_of(plan: SitePlan) -> tuple[Point, ...]:
    """Return a site's outputs, pulse outputs first, else in the network file's order."""
    return tuple(
        point
        for kind in OUTPUTS
        for point in plan.site.points
        if point.kind is kind and point.write is not None
    )


def output_rows(
    standing: Standing, tags: Sequence[TagOut], orders: Sequence[Order], zone: tzinfo
) -> tuple[OutputRow, ...]:
    """Return a row for every output.

    Args:
        standing: how the site stands.
        tags: that hang at the site.
        orders: its latest, newest first.
        zone: whose clock is told.

    """
    latest = {one.tag: order_line(one, standing.plan, zone) for one in reversed(orders)}
    return tuple(
        _row(standing, point, tags_on(standing.plan, tags, point.tag), latest.get(point.tag))
        for point in outputs_of(standing.plan)
    )


def tags_on(plan: SitePlan, tags: Sequence[TagOut], tag: str) -> tuple[TagOut, ...]:
    """Return which of a site's tags hold for an output: its own, and the whole site's."""
    ids = {one.point_id for one in plan.layout.points if one.tag == tag}
    return tuple(
        one
        for one in tags
        if one.removed_ms is None and (one.point_id is None or one.point_id in ids)
    )


def _row(
    standing: Standing, point: Point, tags: tuple[TagOut, ...], last: OrderLine | None
) -> OutputRow:
    reading = standing.readings.get(point.tag)
    remark = remark_of(standing, reading)
    return OutputRow(
        point.tag,
        point.name,
        KINDS[point.kind],
        value_words(reading, point),
        tone_of(standing, point, reading),
        remark,
        "" if remark in ("last", "stale") else reading.reason if reading else "not read yet",
        reading.at_ms if reading else None,
        tags,
        last,
    )
