"""Answers that come garbled where none did before."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.baselines import log_likelihood
from tallymast.domain.health.record import ContactHours
from tallymast.domain.record.rollups import HOUR_MS

_RECENT_MS: Final = 3 * HOUR_MS  # ours: what was clean for longer is over
_ROW_MS: Final = 12 * HOUR_MS
_LEAST: Final = 3  # ours: two garbled answers may be chance
_LEAST_SHARE: Final = 0.01
_LEAST_POLLS: Final = 6
_WORTH: Final = 2.0  # ours: garbled answers come in bursts


@dataclass(frozen=True, slots=True)
class Garbled:
    """Garbled answers that still come.

    Attributes:
        since_ms: the hour in which they began.
        garbled: polls lost to them since.
        late: share of polls that had no good answer at the first try, in the hours between the
            first and the last with garbled answers where there are enough.
        late_of: of so many polls.
        asked: polls since.
        before: garbled in the weeks before.
        before_asked: of so many.
        evidence: logarithm of the odds against the usual.

    """

    since_ms: int
    garbled: int
    late: float
    late_of: int
    asked: int
    before: int
    before_asked: int
    evidence: float


def garbled_of(contact: ContactHours, now_ms: int) -> Garbled | None:
    """Return the garbled answers that came lately out of nothing, None where there are few."""
    hours = sorted(hour for hour, count in contact.garbled.items() if count > 0)
    row = _newest_row(hours)
    if not row or now_ms - row[-1] > _over_after_ms(row) + HOUR_MS:
        return None
    first = row[0]
    asked, late = contact.cells[:, 0], contact.cells[:, 0] - contact.cells[:, 1]
    since = contact.at_ms >= first
    known = ~since
    counts = [contact.garbled[hour] for hour in hours]
    garbled = sum(n for hour, n in zip(hours, counts, strict=True) if hour >= first)
    before = sum(counts) - garbled
    n_now, n_was = int(asked[since].sum()), int(asked[known].sum())
    if garbled < _LEAST or garbled < _LEAST_SHARE * n_now or not n_was:
        return None
    if before / n_was > garbled / n_now / 5:
        return None
    part = np.array([garbled, before, garbled + before], np.float64)
    wholes = np.array([max(n_now, garbled), n_was, max(n_now, garbled) + n_was], np.float64)
    ratio = log_likelihood(part, wholes)
    evidence = float(ratio[0] + ratio[1] - ratio[2]) / _WORTH - 2.0
    whole = _whole_hours(contact, first, hours[-1])
    n_whole = int(asked[whole].sum())
    share = float(late[whole].sum() / n_whole)
    return Garbled(first, garbled, share, n_whole, n_now, before, n_was, evidence)


def _newest_row(hours: Sequence[int]) -> Sequence[int]:
    """Return the newest hours with garbled answers, as far back as no half day is without."""
    begin = len(hours)
    while begin and (begin == len(hours) or hours[begin] - hours[begin - 1] <= _ROW_MS):
        begin -= 1
    return hours[begin:]


def _over_after_ms(row: Sequence[int]) -> float:
    """Return after which time without any it is over: at a slow site single hours have none."""
    usual = (row[-1] - row[0]) / max(len(row) - 1, 1)
    return min(max(_RECENT_MS, 4 * usual), _ROW_MS)


def _whole_hours(contact: ContactHours, first_ms: int, last_ms: int) -> NDArray[np.bool_]:
    """Return the hours that were garbled all through, as far as that can be known.

    It may have begun late in the first hour and ended early in the last: those are left out
    where enough polls remain.
    """
    asked, at_ms = contact.cells[:, 0], contact.at_ms
    inside = (at_ms >= first_ms) & (at_ms <= last_ms)
    for hours in (inside & (at_ms > first_ms) & (at_ms < last_ms), inside & (at_ms > first_ms)):
        if asked[hours].sum() >= _LEAST_POLLS:
            return np.asarray(hours)
    return np.asarray(inside)
