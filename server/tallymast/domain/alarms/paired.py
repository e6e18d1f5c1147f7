"""Two points of a site held against each other: a value and its twin, an output and its proof."""

from tallymast.domain.alarms.judged import UNKNOWN, is_known, judged, spoken
from tallymast.domain.alarms.model import Alarm, Condition, Seen
from tallymast.domain.health.attention import Standing as SiteStanding
from tallymast.domain.health.attention import number_of
from tallymast.domain.model import Point, PointKind, Reading

Pair = tuple[Reading, Reading, int]  # and when the older of the two was taken


def judge_deviation(alarm: Alarm, site: SiteStanding, point: Point) -> Seen:
    """Judge how far a value lies from another that shows the same; the older reading counts."""
    pair = _pair(alarm, site, point)
    if pair is None:
        return UNKNOWN
    own, other, at_ms = pair
    here, there = number_of(own), number_of(other)
    if here is None or there is None:
        return UNKNOWN
    twin = site.plan.site.point(alarm.other)
    name = twin.name if twin is not None else alarm.other
    apart = spoken(abs(here - there), point.unit)
    words = f"{spoken(here, point.unit)}, {name} {spoken(there, point.unit)}: {apart} apart"
    return judged(alarm, abs(here - there), at_ms, words, above=True)


def judge_feedback(alarm: Alarm, site: SiteStanding, point: Point) -> Seen:
    """Judge whether an output and the contact that proves its effect agree.

    A machine that runs while its output is off is nobody's fault while its selector is not in
    Auto: somebody runs it there by hand. A pulse output whose station holds it, as a gate's, ends
    its pulse and leaves the limit contact made, which is no failure to stop.
    """
    pair = _pair(alarm, site, point)
    proof = site.plan.site.point(alarm.other)
    if pair is None or proof is None:
        return UNKNOWN
    own, other, at_ms = pair
    is_on, runs = bool(own.value), bool(other.value)
    shown = f"{proof.name} {(proof.words or ('off', 'on'))[runs]}"
    if is_on is runs:
        return Seen(Condition.NORMAL, at_ms, f"output {_word(is_on)}, {shown}")
    in_auto = _in_auto(site, point)
    if is_on:
        hand = "; its selector is not in Auto" if in_auto is False else ""
        words = f"fail to start: output on, {shown}{hand}"
        return Seen(Condition.ABNORMAL, at_ms, words)
    if _stays(point) or in_auto is False:
        return Seen(Condition.NORMAL, at_ms, f"output off, {shown}")
    if in_auto is None and point.auto is not None:
        return UNKNOWN
    return Seen(Condition.ABNORMAL, at_ms, f"fail to stop: output off, {shown}")


def _pair(alarm: Alarm, site: SiteStanding, point: Point) -> Pair | None:
    own, other = site.readings.get(point.tag), site.readings.get(alarm.other)
    if own is None or other is None or not (is_known(own) and is_known(other)):
        return None
    if own.at_ms is None or other.at_ms is None:
        return None
    return own, other, min(own.at_ms, other.at_ms)


def _in_auto(site: SiteStanding, point: Point) -> bool | None:
    """Return whether the selector is in Auto; None where none is read, or nobody knows."""
    reading = site.readings.get(point.auto) if point.auto is not None else None
    return bool(reading.value) if reading is not None and is_known(reading) else None


def _stays(point: Point) -> bool:
    is_held = point.fail_safe is not None and point.fail_safe.state == "hold"
    return point.kind is PointKind.PULSE_OUTPUT and is_held


def _word(is_on: bool) -> str:
    return "on" if is_on else "off"
