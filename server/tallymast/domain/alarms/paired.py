"""Two points of a site held against each other: a value and its twin, an output and its proof."""

from dataclasses import dataclass, replace

from tallymast.domain.alarms.judged import UNKNOWN, is_known, judged, spoken
from tallymast.domain.alarms.model import Alarm, Condition, Seen
from tallymast.domain.health.attention import Standing as SiteStanding
from tallymast.domain.health.attention import number_of
from tallymast.domain.model import Point, PointKind, Reading
from tallymast.domain.orders.model import Order, OrderKind, OrderState

Pair = tuple[Reading, Reading, int]  # and when the older of the two was taken


def judge_deviation(alarm: Alarm, site: SiteStanding, point: Point) -> Seen:
    """Judge how far a value lies from another that shows the same; the older reading counts."""
    pair = _pair(alarm, site)
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


@dataclass(frozen=True, slots=True)
class Switched:
    """What is remembered of an output and its proof.

    Attributes:
        is_on: what the output showed last.
        is_seen: whether it was seen to change to that.
        is_followed: whether its proof agreed with it since.

    """

    is_on: bool
    is_seen: bool
    is_followed: bool


def switched(before: Switched | None, alarm: Alarm, site: SiteStanding) -> Switched | None:
    """Return what is remembered after the newest readings; as before where one is not known."""
    pair = _pair(alarm, site)
    if pair is None:
        return before
    is_on, runs = bool(pair[0].value), bool(pair[1].value)
    if before is None or before.is_on is not is_on:
        return Switched(is_on, before is not None, is_on is runs)
    return replace(before, is_followed=before.is_followed or is_on is runs)


def judge_feedback(
    alarm: Alarm, site: SiteStanding, point: Point, known: Switched | None, order: Order | None
) -> Seen:
    """Judge whether an output and the contact that proves its effect agree.

    A station's own control starts and stops a machine too: with its output unmoved that is no
    failure. So the two may disagree once the proof has followed the output's last change; what
    was ordered on from here has to go on running. Nor is it a failure to stop while the selector
    is not in Auto, for somebody runs it there by hand, or where a station holds a pulse output, as
    a gate's: its pulse ends and leaves the limit contact made.
    """
    pair = _pair(alarm, site)
    proof = site.plan.site.point(alarm.other)
    if pair is None or proof is None:
        return UNKNOWN
    own, other, at_ms = pair
    is_on, runs = bool(own.value), bool(other.value)
    shown = f"output {'on' if is_on else 'off'}, {proof.name} {_word(proof, runs)}"
    if is_on is runs:
        return Seen(Condition.NORMAL, at_ms, shown)
    is_owed = known is not None and known.is_seen and not known.is_followed
    is_ordered = is_on and order is not None and _is_on_by(order)
    in_auto = _in_auto(site, point)
    if not (is_owed or is_ordered):  # an alarm that stands stays
        return Seen(Condition.NORMAL, at_ms, shown, back=True)
    if is_on:
        return _not_running(at_ms, shown, known, in_auto)
    return _not_stopped(at_ms, shown, point, in_auto)


def _not_running(at_ms: int, shown: str, known: Switched | None, in_auto: bool | None) -> Seen:
    ran = known is not None and known.is_followed
    hand = "; its selector is not in Auto" if in_auto is False else ""
    what = "stopped by itself" if ran else "fail to start"
    return Seen(Condition.ABNORMAL, at_ms, f"{what}: {shown}{hand}")


def _not_stopped(at_ms: int, shown: str, point: Point, in_auto: bool | None) -> Seen:
    if _stays(point) or in_auto is False:
        return Seen(Condition.NORMAL, at_ms, shown)
    if in_auto is None and point.auto is not None:
        return UNKNOWN
    return Seen(Condition.ABNORMAL, at_ms, f"fail to stop: {shown}")


def _is_on_by(order: Order) -> bool:
    kinds = (OrderKind.ON, OrderKind.PULSE)
    return order.state is OrderState.CONFIRMED and order.wanted.kind in kinds


def _pair(alarm: Alarm, site: SiteStanding) -> Pair | None:
    own, other = site.readings.get(alarm.tag), site.readings.get(alarm.other)
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


def _word(proof: Point, runs: bool) -> str:
    return (proof.words or ("off", "on"))[runs]
