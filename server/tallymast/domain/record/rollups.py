"""What is kept of an hour besides its polls: how contact was, and what each point did.

Everything is exact and in raw numbers; an hour computed again from the same polls is equal.
"""

import struct
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.model import HourCounts, Outcome, PollFlag, SiteLayout, WordLayout
from tallymast.domain.record.chunks import PollColumns
from tallymast.domain.record.columns import decode_column
from tallymast.domain.record.runs import Runs, runs_of

HOUR_MS: Final = 3_600_000
QUARTER_MS: Final = 900_000
COUNTS: Final = ("first_try", "retried", "no_answer", "garbled", "refused", "gateway_lost")

_BUCKETS_AN_OCTAVE: Final = 4  # ours: a bucket is 19 % wide
_LAST_BUCKET: Final = 79  # from 2^(79/4) ms, a quarter of an hour, on
_STALE_AFTER_MS: Final = 60_000  # ours: what a reading says holds for three periods, at least this


@dataclass(frozen=True, slots=True)
class CommHour:
    """A site's contact in one clock hour.

    Attributes:
        counts: polls by outcome; those in maintenance are in none.
        quarters: 4 x 6 the same by quarter hour, columns as ``COUNTS``.
        answers: answer times: bucket number to polls (see ``bucket_ms``).
        codes: exception code to polls that ended with it.
        runs: polls missed in a row; None where they were not kept yet.

    """

    counts: HourCounts
    quarters: NDArray[np.int64]
    answers: Mapping[int, int]
    codes: Mapping[int, int]
    runs: Runs | None = None


@dataclass(frozen=True, slots=True)
class PointHour:
    """A point's raw numbers in one hour; exact mean = ``total / n``.

    ``on_ms``: how long a contact was on; 0 for other points.
    """

    n: int
    total: float
    least: float
    most: float
    first: float
    last: float
    changes: int
    on_ms: int = 0
    point_id: int = field(default=0, kw_only=True)


def comm_hour(parts: Sequence[PollColumns], hour_ms: int) -> CommHour:
    """Return how contact was in an hour, from its polls under every layout."""
    quarters = np.zeros((4, len(COUNTS)), np.int64)
    answers: Counter[int] = Counter()
    codes: Counter[int] = Counter()
    for part in parts:
        counted = part.take(_counted(part))
        quarter = ((counted.at_ms - hour_ms) // QUARTER_MS).astype(np.intp)
        for column, name in enumerate(COUNTS):
            rows = quarter[_belongs(counted, name)]
            quarters[:, column] += np.bincount(rows, minlength=4)[:4]
        answers.update(_buckets(counted))
        codes.update(counted.code[counted.code != 0].tolist())
    counts = counts_of(quarters.sum(axis=0))
    return CommHour(counts, quarters, dict(answers), dict(codes), runs_of(parts))


def counts_of(row: NDArray[np.int64] | Sequence[int]) -> HourCounts:
    """Return counts from numbers in the order of ``COUNTS``."""
    return HourCounts(*(int(number) for number in row))


def point_hours(
    columns: PollColumns, layout: SiteLayout, begin_ms: int, end_ms: int | None = None
) -> list[PointHour]:
    """Return what each point of a layout did in an hour; points without a value are left out.

    Args:
        columns: the hour's polls under this layout.
        layout: what they read.
        begin_ms: the hour's beginning.
        end_ms: where a part of an hour ends; None: the hour is whole.

    """
    span = (begin_ms, begin_ms + HOUR_MS if end_ms is None else end_ms)
    hours = []
    for point in layout.points:
        if point.layout is WordLayout.TEXT:
            continue
        column = decode_column(columns, layout, point)
        if column.good.any():
            numbers, times = column.raw[column.good], columns.at_ms[column.good]
            hours.append(_point_hour(point.point_id, numbers, times, span))
    return hours


def bucket_ms(bucket: int) -> float:
    """Return the least answer time [ms] of a bucket; the next one's is 19 % more."""
    return float(2 ** (bucket / _BUCKETS_AN_OCTAVE))


def answer_quantile_ms(answers: Mapping[int, int], share: float) -> float | None:
    """Return the answer time [ms] that a share 0..1 of answers stays within, None without any.

    To the width of a bucket: the middle of the one in which it lies, on a scale of octaves.
    """
    total = sum(answers.values())
    if not total:
        return None
    reached = 0
    for bucket, n in sorted(answers.items()):
        reached += n
        if reached >= share * total:
            return bucket_ms(bucket) * 2 ** (0.5 / _BUCKETS_AN_OCTAVE)
    return None


# --- as bytes -------------------------------------------------------------------------


def quarters_bytes(quarters: NDArray[np.int64]) -> bytes:
    """Return 24 unsigned 16-bit numbers, low byte first, quarter by quarter."""
    return np.minimum(quarters, 0xFFFF).astype("<u2").tobytes()


def quarters_of(stored: bytes) -> NDArray[np.int64]:
    """Return quarters from their bytes, 4 x 6; of several hours one after the other, 4n x 6."""
    return np.frombuffer(stored, "<u2").reshape(-1, len(COUNTS)).astype(np.int64)


def answers_bytes(answers: Mapping[int, int]) -> bytes:
    """Return buckets that are not empty: number, count as unsigned 16 bits, low byte first."""
    return b"".join(
        struct.pack("<BH", bucket, min(n, 0xFFFF)) for bucket, n in sorted(answers.items())
    )


def answers_of(stored: bytes) -> dict[int, int]:
    """Return buckets from their bytes."""
    return dict(struct.iter_unpack("<BH", stored))


def add_answers(stored: bytes) -> dict[int, int]:
    """Return buckets added up from the bytes of many hours or days, one after the other."""
    cells = np.frombuffer(stored, np.dtype([("bucket", "u1"), ("n", "<u2")]))
    counted = np.bincount(cells["bucket"], weights=cells["n"])
    return {int(bucket): int(counted[bucket]) for bucket in np.flatnonzero(counted)}


# --- inside ---------------------------------------------------------------------------


def _counted(part: PollColumns) -> NDArray[np.bool_]:
    return np.asarray((part.flags & PollFlag.MAINTENANCE) == 0)


def _belongs(part: PollColumns, name: str) -> NDArray[np.bool_]:
    if name == "refused":
        answered = part.outcome <= Outcome.RETRIED
        return np.asarray(answered & ((part.flags & PollFlag.REFUSED) != 0))
    return np.asarray(part.outcome == Outcome[name.upper()])


def _buckets(part: PollColumns) -> Counter[int]:
    answered = part.answer_tenths[part.answer_tenths >= 0]
    octaves = np.log2(np.maximum(answered, 10) / 10)
    buckets = np.minimum((octaves * _BUCKETS_AN_OCTAVE).astype(np.int64), _LAST_BUCKET)
    return Counter(buckets.tolist())


def _point_hour(
    point_id: int, numbers: NDArray[Any], times: NDArray[np.int64], span: tuple[int, int]
) -> PointHour:
    real = numbers.astype(np.float64)
    on_ms = _on_ms(numbers, times, span) if numbers.dtype == np.bool_ else 0
    return PointHour(
        n=len(real),
        total=float(real.sum()),  # exact for whole numbers while it stays below 2^53
        least=float(real.min()),
        most=float(real.max()),
        first=float(real[0]),
        last=float(real[-1]),
        changes=int(np.count_nonzero(numbers[1:] != numbers[:-1])),
        on_ms=on_ms,
        point_id=point_id,
    )


def _on_ms(states: NDArray[np.bool_], times: NDArray[np.int64], span: tuple[int, int]) -> int:
    """Return how long a contact was on: a reading holds until the next, or until stale.

    The first also holds back to the beginning of the span, within the same limit.
    """
    edges = np.concatenate((span[:1], times, span[1:]))
    spans = np.diff(edges)
    usual = float(np.median(spans[1:-1])) if len(times) > 1 else 0.0
    spans = np.minimum(spans, max(3 * usual, _STALE_AFTER_MS))
    holding = np.concatenate((states[:1], states))
    return int(spans[holding].sum())
