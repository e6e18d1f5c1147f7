"""Says in words what a finding's chart shows, before it began and since, and of how many."""

from collections.abc import Callable

import numpy as np

from tallymast.domain.health.comms.intervals import share_of
from tallymast.domain.model import Point, PointKind
from tallymast.domain.record.spans import SpanSeries
from tallymast.routes.drive_drawings import HourOfDay
from tallymast.routes.evidence_picture import Floats, Ints, Told
from tallymast.routes.formats import decimals_of, number, plural, with_unit
from tallymast.routes.visit_sentences import share_words
from tallymast.storage.contact_series import ContactSeries

_Part = slice | np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


def parted(name: str, at_ms: Ints, since_ms: int | None, say: Callable[[_Part], str]) -> Told:
    """Return what is said of a line's part before an instant and of the rest.

    Args:
        name: of the line.
        at_ms: when its values are.
        since_ms: the instant; None: all is said in one.
        say: words of a part of the values.

    """
    if since_ms is None:
        return Told(name, "", say(slice(None)))
    return Told(name, say(at_ms < since_ms), say(at_ms >= since_ms))


def middle_words(point: Point, values: Floats, counts: Ints, whose: str = "") -> str:
    """Return ``median −79 dBm, 1 440 readings``; ``whose`` says of what the median is."""
    known = values[~np.isnan(values)]
    if not len(known):
        return "no reading"
    words = value_with_unit(float(np.median(known)), point)
    return f"median {whose}{words}, {_readings(counts)}"


def night_words(point: Point, volts: Floats) -> str:
    """Return the median of nights."""
    if not len(volts):
        return "no night"
    words = value_with_unit(float(np.median(volts)), point)
    return f"median {words}, {plural(len(volts), 'night')}"


def lowest_words(point: Point, spans: SpanSeries, part: _Part) -> str:
    """Return the median with the lowest reading."""
    least = spans.least[part]
    if np.isnan(least).all():
        return "no reading"
    lowest = value_with_unit(float(np.nanmin(least)), point)
    middle = middle_words(point, spans.mean[part], spans.n[part], "of hourly means ")
    return f"lowest {lowest}, {middle}"


def moved_words(point: Point, first: Floats, last: Floats, counts: Ints) -> str:
    """Return from where to where a count went."""
    begin, end = first[~np.isnan(first)], last[~np.isnan(last)]
    if not len(begin) or not len(end):
        return "no reading"
    from_words, to_words = (value_with_unit(float(one), point) for one in (begin[0], end[-1]))
    return f"{from_words} to {to_words}, {_readings(counts)}"


def share_told(name: str, series: ContactSeries, parts: Ints, since_ms: int | None) -> Told:
    """Return a share of polls before and since, with the polls it is of and its interval."""

    def say(part: _Part) -> str:
        return polls_words(parts[part], series.asked[part])

    return parted(name, series.at_ms, since_ms, say)


def polls_words(parts: Ints, asked: Ints) -> str:
    """Return a share of polls with what it is of and its interval; ``none of 1 440 polls``."""
    known = share_of(parts, asked)
    if known.whole and not known.part:
        return f"none of {number(known.whole)} {'poll' if known.whole == 1 else 'polls'}"
    return share_words(known).replace(" %", "\u00a0%")


def worst_hour_words(day: tuple[HourOfDay, ...]) -> str:
    """Return in which hour of the local day most is lost; empty where nothing is."""
    worst = max(range(24), key=lambda hour: day[hour].missed)
    if not day[worst].missed:
        return ""
    lost = 100 * day[worst].missed
    share = "under 1" if lost < 1 else f"{lost:.0f}"
    clock = f"{worst:02d}:00 to {(worst + 1) % 24:02d}:00"
    return f"most from {clock}, {share}\u00a0% over {plural(day[worst].days, 'day')}"


def value_with_unit(value: float, point: Point) -> str:
    """Return a value that was worked out of several readings, as exact as the point's own."""
    decimals = decimals_of(point)
    if decimals is None and point.kind in (PointKind.SIGNAL, PointKind.COUNTER):
        decimals = 0
    return with_unit(number(value, decimals), point.unit)


def _readings(counts: Ints) -> str:
    whole = int(counts.sum())
    return f"{number(whole)} {'reading' if whole == 1 else 'readings'}"
