"""How long answers take, and whether they have become slower than they were.

The radio's own retries hide in the answer time: it falls ill before a poll needs a second try.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final

from tallymast.domain.health.comms.intervals import USUAL_LAG1, differs, effective_n, wilson
from tallymast.domain.health.comms.model import AnswerTimes, Share, SlowAnswers
from tallymast.domain.record.rollups import answer_quantile_ms, bucket_ms

LEAST_BASELINE_DAYS: Final = 7  # common practice, no published source
_LEAST_SLOW_DAYS: Final = 2  # Ours: one day may have its reason
_LEAST_BUCKETS: Final = 2  # Ours: two buckets are 41 %
_LEAST_ANSWERS: Final = 80  # Ours: a site polled each quarter of an hour gives 96 a day

Day = tuple[int, Mapping[int, int]]


def answer_times(buckets: Mapping[int, int]) -> AnswerTimes | None:
    """Return how long answers took, None without any.

    Args:
        buckets: bucket number to answers (see ``tallymast.domain.record.rollups.bucket_ms``).

    """
    median, late = answer_quantile_ms(buckets, 0.5), answer_quantile_ms(buckets, 0.95)
    if median is None or late is None:
        return None
    return AnswerTimes(median, late, sum(buckets.values()))


def slower(days: Sequence[Day]) -> SlowAnswers | None:
    """Return since when answers are slower than the site's own baseline, None if they are not.

    Ours: they are when on each of the newest days, two at least, the 95th percentile lies two
    buckets (41 %) or more above that of every day of the baseline, and the share of answers that
    took longer than the baseline's slowest 95th percentile has grown beyond chance (95 % intervals
    of both shares, each answer counting 0.18). The baseline is every day before, seven at least.

    Args:
        days: begin of the day [ms] and its buckets, oldest first; days of few answers are left out.

    """
    known = [day for day in days if sum(day[1].values()) >= _LEAST_ANSWERS]
    highs = [_late_bucket(buckets) for _, buckets in known]
    for first in range(LEAST_BASELINE_DAYS, len(known) - _LEAST_SLOW_DAYS + 1):
        limit = max(highs[:first])
        if min(highs[first:]) >= limit + _LEAST_BUCKETS:
            found = _compared(known[:first], known[first:], limit)
            if found is not None:
                return found
    return None


def _compared(before: Sequence[Day], after: Sequence[Day], limit: int) -> SlowAnswers | None:
    was, now = _together(before), _together(after)
    if not differs(_over(now, limit), _over(was, limit)):
        return None
    was_times, now_times = answer_times(was), answer_times(now)
    if was_times is None or now_times is None:
        return None
    return SlowAnswers(after[0][0], was_times, now_times)


def _over(buckets: Mapping[int, int], limit: int) -> Share:
    part = sum(n for bucket, n in buckets.items() if bucket > limit)
    whole = sum(buckets.values())
    worth = effective_n(whole, USUAL_LAG1)
    low, high = wilson(part / whole * worth, worth)
    return Share(part, whole, low, high, worth)


def _together(days: Sequence[Day]) -> Counter[int]:
    every: Counter[int] = Counter()
    for _, buckets in days:
        every.update(buckets)
    return every


def _late_bucket(buckets: Mapping[int, int]) -> int:
    """Return the bucket in which the 95th percentile lies."""
    late = answer_quantile_ms(buckets, 0.95) or 0.0
    return max(bucket for bucket in buckets if bucket_ms(bucket) <= late)
