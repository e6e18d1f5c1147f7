"""The alarms of what a point does: it parts from its twin, moves too fast, counts wrong, disobeys.

Priorities: two instruments that disagree are one step below the point's own limits, for a limit is
still judged; what moves too fast is as urgent as the limit it runs to. A count in doubt can wait
for the office. An output that does not do what it shows, or an order that did not end as ordered,
is high at least: somebody acts on a belief that is wrong.
"""

from collections.abc import Iterator

from tallymast.domain.alarms.delay_defaults import usual_of
from tallymast.domain.alarms.model import Alarm, Kind
from tallymast.domain.alarms.of_points import point_alarm
from tallymast.domain.grammar.drafts import OUTPUTS
from tallymast.domain.model import (
    Point,
    PointKind,
    PollClass,
    Priority,
    RateLimit,
    Site,
    WordLayout,
)

DEADBAND = 0.1  # ours: a tenth of a deviation or of a rate of change
OFF_S = 60.0  # ours: so long a rate of change has to be over
LEAST_POLLS = 3  # ours: a rate of change is judged over so many polls at least


def doing_alarms(site: Site, point: Point, lower: Priority) -> Iterator[Alarm]:
    """Yield them; ``lower`` is the priority one step below the point's own."""
    if point.deviation is not None:
        yield _deviation(site, point, lower)
    if point.rate_limit is not None:
        yield from _rates(site, point, point.rate_limit)
    if point.kind is PointKind.TOTALIZER and point.modulus is not None:
        # A signed count may go back: a meter of both directions has no modulus.
        yield point_alarm(site, point, Kind.TOTALIZER, Priority.NORMAL, latched=True)
    if point.kind in OUTPUTS and point.write is not None:
        yield from _of_output(site, point)


def _deviation(site: Site, point: Point, priority: Priority) -> Alarm:
    assert point.deviation is not None
    usual = usual_of(point)
    return point_alarm(
        site,
        point,
        Kind.DEVIATION,
        priority,
        point.deviation.high,
        DEADBAND * point.deviation.high,
        usual.on_delay_s if point.on_delay_s is None else point.on_delay_s,
        usual.off_delay_s if point.off_delay_s is None else point.off_delay_s,
        other=point.deviation.tag,
    )


def _rates(site: Site, point: Point, written: RateLimit) -> Iterator[Alarm]:
    """Yield one for each way that is watched; a fall has its limit below zero."""
    fall = None if written.fall is None else -written.fall
    for name, limit in (("rises", written.rise), ("falls", fall)):
        if limit is not None:
            yield point_alarm(
                site,
                point,
                Kind.RATE,
                point.priority,
                limit,
                DEADBAND * abs(limit),
                point.on_delay_s or 0.0,
                OFF_S if point.off_delay_s is None else point.off_delay_s,
                name=name,
                over_s=max(written.over_s, LEAST_POLLS * site.poll_every_s),
            )


def _of_output(site: Site, point: Point) -> Iterator[Alarm]:
    priority = Priority.URGENT if point.priority is Priority.URGENT else Priority.HIGH
    yield point_alarm(site, point, Kind.ORDER, priority)
    proof = site.point(point.feedback.tag) if point.feedback is not None else None
    if point.feedback is None or proof is None or proof.layout is not WordLayout.BOOL:
        return  # an analog feedback, as a gate's position, proves an order and no state
    if point.kind is PointKind.ANALOG_OUTPUT or PollClass.SLOW in (point.poll, proof.poll):
        return
    yield point_alarm(
        site,
        point,
        Kind.FEEDBACK,
        priority,
        on_delay_s=point.feedback.within_s,
        other=proof.tag,
    )
