"""Writes many instants at once, as ISO 8601 with the offset that held there and then."""

from datetime import UTC, datetime, tzinfo
from typing import Final

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

_QUARTER_MS: Final = 900_000  # no zone has changed its offset inside a quarter hour since 1972


def utc_texts(at_ms: Ints) -> list[str]:
    """Return instants [UTC ms] as ``2026-03-08T07:00:00.000Z``."""
    return [f"{text}Z" for text in _texts(at_ms)]


def local_texts(at_ms: Ints, zone: tzinfo) -> list[str]:
    """Return instants [UTC ms] as ``2026-03-08T01:00:00.000-07:00`` in a zone.

    The hour that an autumn repeats is told apart by its offset.
    """
    quarters, which = np.unique(at_ms // _QUARTER_MS, return_inverse=True)
    minutes = np.array([_offset_min(int(one) * _QUARTER_MS, zone) for one in quarters], np.int64)
    words = [_offset_words(int(one)) for one in minutes]
    local = _texts(at_ms + minutes[which] * 60_000) if len(at_ms) else []
    return [text + words[quarter] for text, quarter in zip(local, which.tolist(), strict=True)]


def _texts(at_ms: Ints) -> list[str]:
    texts: list[str] = np.datetime_as_string(at_ms.astype("datetime64[ms]"), unit="ms").tolist()
    return texts


def _offset_min(at_ms: int, zone: tzinfo) -> int:
    offset = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone).utcoffset()
    assert offset is not None
    return int(offset.total_seconds()) // 60


def _offset_words(minutes: int) -> str:
    hours, rest = divmod(abs(minutes), 60)
    return f"{'-' if minutes < 0 else '+'}{hours:02d}:{rest:02d}"
