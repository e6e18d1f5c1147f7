"""Instants on a zone's wall clock: one as a datetime, many at once as numbers or ISO 8601 texts."""

from datetime import UTC, datetime, tzinfo
from typing import Final

import numpy as np
from numpy.typing import NDArray

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

Ints = NDArray[np.int64]

_DAY_MS: Final = 86_400_000
_QUARTER_MS: Final = 900_000  # no zone has changed its offset inside a quarter hour since 1972


def local_time(at_ms: float, zone: tzinfo) -> datetime:
    """Return an instant [UTC ms] on the wall clock of a zone."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)


def lasting(span_ms: float) -> str:
    """Return a span in one or two units, rounded down: ``40 s``, ``3 h 10 min``, ``9 days``."""
    seconds = max(int(span_ms // 1000), 0)
    if seconds < 60:
        return f"{seconds} s"
    minutes = seconds // 60
    if minutes < 60:
        return f"{minutes} min"
    hours = minutes // 60
    if hours < 48:
        return f"{hours} h {minutes % 60} min" if minutes % 60 else f"{hours} h"
    return f"{hours // 24} days"


def clock_words(ms: int, now_ms: int, zone: tzinfo, seconds: bool = False) -> str:
    """Return an instant on the wall clock; with the day where it is not today's."""
    at = local_time(ms, zone)
    now = local_time(now_ms, zone)
    time = f"{at:%H:%M:%S}" if seconds else f"{at:%H:%M}"
    if at.date() == now.date():
        return time
    day = f"{DAYS[at.weekday()]} {at.day} {MONTHS[at.month - 1]}"
    if at.year != now.year:
        day += f" {at.year}"
    return f"{day} {time}"


def offsets_ms(at_ms: Ints, zone: tzinfo) -> Ints:
    """Return how far a zone's wall clock was ahead of UTC at instants [UTC ms], in whole minutes.

    A UTC day that ends with the offset it began with is taken to have kept it.
    """
    days, place = np.unique(at_ms // _DAY_MS, return_inverse=True)
    edges = [
        (_offset_ms(int(day) * _DAY_MS, zone), _offset_ms((int(day) + 1) * _DAY_MS, zone))
        for day in days
    ]
    first = np.array([one for one, _ in edges], np.int64)
    offsets = first[place.reshape(-1)]
    changing = np.array([one != then for one, then in edges], np.bool_)[place.reshape(-1)]
    quarters, which = np.unique(at_ms[changing] // _QUARTER_MS, return_inverse=True)
    known = np.array([_offset_ms(int(one) * _QUARTER_MS, zone) for one in quarters], np.int64)
    offsets[changing] = known[which.reshape(-1)]
    return offsets


def utc_texts(at_ms: Ints) -> list[str]:
    """Return instants [UTC ms] as ``2026-03-08T07:00:00.000Z``."""
    return [f"{text}Z" for text in _texts(at_ms)]


def local_texts(at_ms: Ints, zone: tzinfo) -> list[str]:
    """Return instants [UTC ms] as ``2026-03-08T01:00:00.000-07:00`` in a zone.

    The hour that an autumn repeats is told apart by its offset.
    """
    offsets = offsets_ms(at_ms, zone)
    kinds, which = np.unique(offsets, return_inverse=True)
    words = [_offset_words(int(one) // 60_000) for one in kinds]
    there = _texts(at_ms + offsets) if len(at_ms) else []
    return [text + words[kind] for text, kind in zip(there, which.tolist(), strict=True)]


def _texts(at_ms: Ints) -> list[str]:
    texts: list[str] = np.datetime_as_string(at_ms.astype("datetime64[ms]"), unit="ms").tolist()
    return texts


def _offset_ms(at_ms: int, zone: tzinfo) -> int:
    offset = local_time(at_ms, zone).utcoffset()
    assert offset is not None
    return int(offset.total_seconds()) // 60 * 60_000


def _offset_words(minutes: int) -> str:
    hours, rest = divmod(abs(minutes), 60)
    return f"{'-' if minutes < 0 else '+'}{hours:02d}:{rest:02d}"
