"""Whether an output's effect is proven: by a contact that follows, or a number that moves.

The proof is a statement of its own. Without a fresh reading it is unknown, never assumed; a
reading whose time is uncertain proves nothing, as it may be from before the order.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Final, NamedTuple

from tallymast.domain.grammar.drafts import span_of
from tallymast.domain.model import Point, PointKind, Quality, Reading, Site, Table, WordLayout
from tallymast.domain.orders.model import Order, OrderKind, OrderState, Proof
from tallymast.domain.orders.starting import condition_words, is_held
from tallymast.domain.orders.wording import contact_word, number_words, span_words, value_words

# Ours: a site whose feedback is waited for is polled every few seconds; one that has given nothing
# for half a minute more gives nothing.
GRACE_MS: Final = 30_000
_SHARE: Final = 0.01  # of the span, where no deadband is written
_SOUND = (Quality.GOOD, Quality.STALE)  # stale is only its age; when it was read is sure

Judged = tuple[Proof, str, int | None]
_NOTHING: Final[Judged] = (Proof.NONE, "", None)


class _Seen(NamedTuple):
    """A sound reading: when, and what [own unit; a contact 1 or 0]."""

    at_ms: int
    value: float


class _Case(NamedTuple):
    """One order, whose effect a point is to prove by ``until_ms``."""

    order: Order
    point: Point
    watched: Point
    sent_ms: int
    until_ms: int
    within_s: float

    def after_s(self, at_ms: int) -> float:
        return round((at_ms - self.sent_ms) / 1000)


def judge(
    order: Order,
    point: Point,
    readings_since: Sequence[Reading],
    now_ms: int,
    watched: Point | None = None,
    beside: str = "",
) -> Judged:
    """Return what the feedback point says of an order.

    A contact has to show what was ordered. A number has to move by its deadband, or by 1 % of its
    span; for a set-point being there already will do, for a pulse that is ended standing still,
    for an output switched off lying at the bottom of its span.

    Args:
        order: as it is stored; unsent and refused ones prove nothing.
        point: its output.
        readings_since: readings of the feedback point in any order, those since the order was
            sent, and, where it is a number, the last one before.
        now_ms: when it is [UTC ms].
        watched: the feedback point itself; left out, only a contact can be judged.
        beside: what else is known and may explain it, as ``explained`` words it.

    Returns:
        The proof, a statement for people, and when it was decided [UTC ms]; None while waiting.

    """
    rule = point.feedback
    if rule is None or order.sent_ms is None or order.state in _NEVER:
        return _NOTHING
    until_ms = order.sent_ms + round(1000 * rule.within_s)
    other = watched or _unnamed(rule.tag, readings_since)
    case = _Case(order, point, other, order.sent_ms, until_ms, rule.within_s)
    seen = sorted(_sound(readings_since))
    if other.layout is WordLayout.BOOL:
        return _of_contact(case, seen, now_ms, beside)
    return _of_number(case, seen, now_ms, beside)


_NEVER = (OrderState.STORED, OrderState.REFUSED, OrderState.NOT_SENT)


def explained(site: Site, point: Point, readings: Mapping[str, Reading]) -> str:
    """Return what may explain that an output has no effect: ``Selector is not in Auto``.

    Empty where nothing is seen. Values are taken as they were read last.
    """
    return "; ".join(_explanations(site, point, readings))


def _explanations(site: Site, point: Point, readings: Mapping[str, Reading]) -> Iterator[str]:
    selector = site.point(point.auto) if point.auto is not None else None
    if selector is not None and _value(readings.get(selector.tag)) == 0:
        yield f"{selector.name} is not in Auto"
    interlock = point.interlock
    other = site.point(interlock.tag) if interlock is not None else None
    if interlock is None or other is None:
        return
    value = _value(readings.get(other.tag))
    if value is not None and not is_held(interlock, value):
        shows, wants = value_words(other, value), condition_words(interlock, other)
        yield f"{other.name} shows {shows}, not {wants}"


# --- a contact ------------------------------------------------------------------------------


def _of_contact(case: _Case, seen: list[_Seen], now_ms: int, beside: str) -> Judged:
    wants = case.order.wanted.kind is not OrderKind.OFF
    word = contact_word(case.watched, wants)
    told = _within(case, seen)
    for one in told:
        if bool(one.value) is wants:
            after = span_words(case.after_s(one.at_ms))
            return Proof.PROVEN, f"{word} (feedback, seen after {after})", one.at_ms
    last = told[-1] if told else None
    ends_ms = min(case.until_ms, _pulse_end(case))
    if last is not None and last.at_ms >= _decides_from(case) and now_ms >= ends_ms:
        shows = contact_word(case.watched, bool(last.value))
        why = f"{case.watched.name} shows {shows}"
        return _not_proven(case, word, (ends_ms - case.sent_ms) / 1000, why, beside)
    return _open(case, word, now_ms)


def _within(case: _Case, seen: list[_Seen]) -> list[_Seen]:
    """Return what counts: readings in the time, and the first one after it.

    A pump seen running by the first reading after its time may have been just in time. What is
    read after a pulse has ended tells nothing of it.
    """
    ends_ms = min(case.until_ms + GRACE_MS, _pulse_end(case))
    after = [one for one in seen if case.sent_ms < one.at_ms <= ends_ms]
    late = [one for one in after if one.at_ms >= case.until_ms]
    return [one for one in after if one.at_ms < case.until_ms] + late[:1]


def _pulse_end(case: _Case) -> float:
    wanted = case.order.wanted
    if wanted.kind is not OrderKind.PULSE or wanted.duration_s is None:
        return float("inf")
    return case.sent_ms + 1000 * wanted.duration_s


def _decides_from(case: _Case) -> float:
    """Return the instant from which a reading that says otherwise decides.

    A pulse shorter than the time of its feedback gives the last word to its second half.
    """
    end = _pulse_end(case)
    return case.until_ms if end >= case.until_ms else (case.sent_ms + end) / 2


# --- a number -------------------------------------------------------------------------------


def _of_number(case: _Case, seen: list[_Seen], now_ms: int, beside: str) -> Judged:
    least = least_move(case.watched)
    what = f"{case.watched.name} moves"
    if least is None:
        words = f"how far {case.watched.name} has to move is not known; write its deadband"
        return Proof.UNKNOWN, words, now_ms
    before = [one for one in seen if one.at_ms <= case.sent_ms]
    after = [one for one in seen if case.sent_ms < one.at_ms <= case.until_ms + GRACE_MS]
    late = [one for one in after if one.at_ms >= case.until_ms]
    after = [one for one in after if one.at_ms < case.until_ms] + late[:1]
    start = before[-1] if before else after[0] if after else None
    if start is None:
        return _open(case, what, now_ms)
    for n, one in enumerate(after):
        if words := _effect(case, start, after[: n + 1], least):
            after_words = span_words(case.after_s(one.at_ms))
            return Proof.PROVEN, f"{words} (feedback, seen after {after_words})", one.at_ms
    if not late or (not before and len(after) < 2):
        return _open(case, what, now_ms)
    unit = case.watched.unit
    moved = max(abs(one.value - start.value) for one in after)
    why = f"by {number_words(moved, unit)}, at least {number_words(least, unit)} was expected"
    return _not_proven(case, what, case.within_s, why, beside)


def least_move(watched: Point) -> float | None:
    """Return how far a number has to move to prove an effect, in its unit; None: not known.

    Its deadband, else 1 % of its span: of its scale, or of what whole registers hold.
    """
    if watched.deadband > 0:
        return watched.deadband
    span = watched.value or span_of(watched.layout, watched.length)
    return abs(span[1] - span[0]) * _SHARE if span is not None else None


def _effect(case: _Case, start: _Seen, after: list[_Seen], least: float) -> str:
    """Return what the newest of the readings proves; empty while it proves nothing."""
    wanted, newest, name = case.order.wanted, after[-1], case.watched.name
    shows = number_words(newest.value, case.watched.unit)
    if case.point.kind is PointKind.PULSE_OUTPUT and wanted.kind is OrderKind.OFF:
        still = len(after) > 1 and abs(newest.value - after[-2].value) < least
        return f"{name} stands still at {shows}" if still else ""
    step = newest.value - start.value
    if abs(step) >= least:
        return f"{name} moved by {number_words(abs(step), case.watched.unit)} to {shows}"
    if wanted.kind is OrderKind.SETPOINT and wanted.want is not None:
        same = case.watched.unit == case.point.unit
        return f"{name} is at {shows}" if same and abs(newest.value - wanted.want) < least else ""
    bottom = min(case.watched.value) if case.watched.value is not None else 0.0
    is_off = wanted.kind is OrderKind.OFF and newest.value - bottom < least
    return f"{name} is at {shows}, the bottom of its span" if is_off else ""


# --- both -----------------------------------------------------------------------------------


def _open(case: _Case, what: str, now_ms: int) -> Judged:
    if now_ms < case.until_ms + GRACE_MS:
        return Proof.WAITING, f"{what}: waited for, {span_words(case.within_s)} in all", None
    words = f"not known whether {what}: no fresh reading of {case.watched.name} in time"
    return Proof.UNKNOWN, words, now_ms


def _not_proven(case: _Case, what: str, after_s: float, why: str, beside: str) -> Judged:
    more = f"; {beside}" if beside else ""
    words = f"{what} NOT proven after {span_words(after_s)}: {why}{more}"
    return Proof.NOT_PROVEN, words, case.sent_ms + round(1000 * after_s)


def _sound(readings: Sequence[Reading]) -> Iterator[_Seen]:
    for one in readings:
        value = _value(one)
        if value is not None and one.at_ms is not None and one.quality in _SOUND:
            yield _Seen(one.at_ms, value)


def _value(reading: Reading | None) -> float | None:
    if reading is None or reading.value is None or isinstance(reading.value, str):
        return None
    return float(reading.value)


def _unnamed(tag: str, readings: Sequence[Reading]) -> Point:
    """Stand in for a feedback point that was not handed over: its kind shows in its readings."""
    is_contact = any(isinstance(one.value, bool) for one in readings)
    kind = PointKind.DISCRETE_INPUT if is_contact or not readings else PointKind.ANALOG_INPUT
    layout = WordLayout.BOOL if kind is PointKind.DISCRETE_INPUT else WordLayout.FLOAT32
    return Point(tag, tag, kind, Table.DISCRETE, 0, layout)
