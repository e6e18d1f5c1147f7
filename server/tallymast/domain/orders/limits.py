"""What an output's own figures allow: longest on-time, span of a set-point, starts of a motor.

And how long an output stays as it was ordered before its station ends that by itself.
"""

from typing import NamedTuple

from tallymast.domain.grammar.drafts import span_of
from tallymast.domain.model import Point, PointKind, Site, WordLayout
from tallymast.domain.orders.model import OrderKind, Wanted
from tallymast.domain.orders.writing import pulse_s

# Common practice, no published source; where the motor's maker says otherwise, write it.
OFFERED_S = 900.0
LONGEST_S = 3600.0
MIN_OFF_S = 300.0
STARTS_PER_HOUR = 6.0
_STARTING = (PointKind.DISCRETE_OUTPUT, PointKind.PULSE_OUTPUT)


class StartLimits(NamedTuple):
    """How a motor is spared; None: no such limit.

    Attributes:
        min_off_s: how long it stays off at least [s].
        per_hour: how often it may start within an hour.

    """

    min_off_s: float | None
    per_hour: float | None


def start_limits(site: Site, point: Point) -> StartLimits:
    """Return what spares the motor behind an output.

    What the network file names holds. Else the usual 5 min and 6 starts hold where something says
    that a motor runs there: a selector, or a contact that proves the output. A bare on/off output
    (a lamp, a solenoid) has no limits unless they are written, nor has one that moves a position:
    a gate is nudged again and again. A set-point starts nothing.
    """
    if point.kind not in _STARTING:
        return StartLimits(None, None)
    usual = runs_a_motor(site, point)
    min_off_s = point.min_off_s if point.min_off_s is not None else MIN_OFF_S if usual else None
    per_hour = (
        point.starts_per_hour
        if point.starts_per_hour is not None
        else STARTS_PER_HOUR
        if usual
        else None
    )
    if per_hour is not None and per_hour < 1:  # one start in several hours: the pause says it
        min_off_s = max(min_off_s or 0.0, 3600 / per_hour)
    return StartLimits(min_off_s, per_hour)


def runs_a_motor(site: Site, point: Point) -> bool:
    """Whether an output has a selector, or a contact that proves it."""
    proof = site.point(point.feedback.tag) if point.feedback is not None else None
    return point.auto is not None or (proof is not None and proof.layout is WordLayout.BOOL)


def longest_pulse_s(point: Point) -> float:
    """Return the longest on-time that may be ordered [s]: ``max_s``, else 60 min, if it fits."""
    longest = point.max_s if point.max_s is not None else LONGEST_S
    span = span_of(point.layout, point.length)
    if span is None or point.seconds_per_count is None:
        return longest
    return min(longest, span[1] * point.seconds_per_count)


def offered_pulse_s(point: Point) -> float:
    """Return the on-time that is offered [s]: 15 min, or less where that is too long."""
    return min(OFFERED_S, longest_pulse_s(point))


def hold_s(point: Point, wanted: Wanted) -> float | None:
    """Return how long an output stays as ordered until its station ends that by itself [s].

    A pulse runs for its on-time. An output that falls back to off stays on for as long as its
    station waits for the next poll. None: nothing ends it, or it is no order to go on.
    """
    if wanted.kind is OrderKind.PULSE:
        try:
            return pulse_s(point, wanted)
        except ValueError:
            return None
    falls = point.fail_safe is not None and point.fail_safe.state == "off"
    if wanted.kind is not OrderKind.ON or point.fail_safe is None or not falls:
        return None
    return point.fail_safe.after_s


def least_repeat_s(point: Point, wanted: Wanted) -> float | None:
    """Return how long the same order is not repeated after it was sent [s]; None: no such limit.

    A quarter of the hold time: common practice, no published source.
    """
    held = hold_s(point, wanted)
    return None if held is None else held / 4


def set_span(point: Point) -> tuple[float, float] | None:
    """Return the lowest and highest set-point, in the point's own unit; None: nobody says.

    ``set_range``, else the ends of the scale, else what whole registers hold. A floating number
    without either could be anything, so its range has to be written.
    """
    if point.set_range is not None:
        return point.set_range
    if point.raw is not None and point.value is not None:
        return (min(point.value), max(point.value))
    return span_of(point.layout, point.length)
