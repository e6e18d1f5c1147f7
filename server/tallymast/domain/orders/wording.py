"""Spans, ages and values of outputs in words, as sentences about orders use them."""

from tallymast.domain.model import Point, PointKind
from tallymast.domain.orders.model import OrderKind

CONTACT_WORDS = ("off", "on")
KIND_WORDS = {
    OrderKind.ON: "on",
    OrderKind.OFF: "off",
    OrderKind.PULSE: "an on-time",
    OrderKind.SETPOINT: "a set-point",
}


def span_words(seconds: float) -> str:
    """Return a span as people say it: ``12.5 s``, ``120 s``, ``4 min 20 s``, ``1 h 30 min``."""
    if seconds <= 120:
        return f"{_short(seconds)} s"
    whole = round(seconds)
    parts = (whole // 3600, "h"), (whole // 60 % 60, "min"), (whole % 60, "s")
    return " ".join(f"{count} {unit}" for count, unit in parts if count)


def left_words(ms: int) -> str:
    """Return how long is left, in whole seconds upwards: whoever waits so long is not early."""
    return span_words(-(-max(ms, 0) // 1000))


def ago_words(ms: int) -> str:
    """Return an age roughly, without ``ago``: ``12 s``, ``4 min``, ``26 h``, ``3 days``."""
    seconds = max(ms, 0) / 1000
    for word, length_s, up_to in (("s", 1, 90), ("min", 60, 90), ("h", 3600, 36)):
        if seconds < up_to * length_s:
            return f"{seconds / length_s:.0f} {word}"
    return f"{seconds / 86_400:.0f} days"


def number_words(value: float, unit: str) -> str:
    """Return a number with its unit, to six figures."""
    return f"{_short(value)} {unit}".strip()


def contact_word(point: Point, is_on: bool) -> str:
    """Return the word of a contact or a discrete output for 1 or 0."""
    return (point.words or CONTACT_WORDS)[is_on]


def value_words(point: Point, value: float) -> str:
    """Return what a point shows: a contact's word, seconds left of a pulse, else the number.

    Args:
        point: whose value it is.
        value: in its own unit; of a pulse output seconds.

    """
    if point.kind in (PointKind.DISCRETE_INPUT, PointKind.DISCRETE_OUTPUT):
        return contact_word(point, value != 0)
    if point.kind is PointKind.PULSE_OUTPUT:
        return f"{span_words(value)} left to run" if value > 0 else "off"
    return number_words(value, point.unit)


def either(words: tuple[str, ...]) -> str:
    """Return words as a choice: ``a``, ``a or b``, ``a, b or c``."""
    return " or ".join([*([", ".join(words[:-1])] if words[:-1] else []), *words[-1:]])


def _short(number: float) -> str:
    text = f"{number:.6g}"
    return f"{number:.0f}" if "e" in text and abs(number) >= 1 else text
