"""Puts two passes of one time side by side: where a clock was set back, both have polls then.

A poll is never overwritten by another. One that meets another at the same millisecond goes to
the first free one after it, in the same hour; the same poll given again stays once.
"""

from collections.abc import Collection, Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from tallymast.domain.record.chunks import PollColumns, block_places, merge

HOUR_MS: Final = 3_600_000

_Content = tuple[tuple[int, ...], bytes]


def instants_near(at_ms: int) -> Iterator[int]:
    """Yield where a poll may be kept: its instant, later ones of its hour, then earlier ones."""
    hour_ms = at_ms - at_ms % HOUR_MS
    yield from range(at_ms, hour_ms + HOUR_MS)
    yield from range(at_ms - 1, hour_ms - 1, -1)


def both_passes(
    kept: PollColumns, new: PollColumns, registers: Collection[int] | None = None
) -> PollColumns:
    """Return all polls, ascending in time, those of ``kept`` at their instants.

    Args:
        kept: polls that are there.
        new: polls to be put beside them, under the same layout. One that is equal to what is
            kept, at its instant or where it would have been moved to, is there already.
        registers: the columns of ``words`` that are filled on both sides; None: all.

    Raises:
        DecodeError: their layouts have different blocks.

    """
    meets = np.flatnonzero(np.isin(new.at_ms, kept.at_ms))
    if not len(meets):
        return merge(kept, new)
    rows = {at_ms: row for row, at_ms in enumerate(kept.at_ms.tolist())}
    taken = set(new.at_ms.tolist())
    at_ms = new.at_ms.copy()
    is_new = np.ones(len(new), np.bool_)
    for row in meets.tolist():
        content = _content(new, row, registers)
        for instant in instants_near(int(new.at_ms[row])):
            if instant in rows:
                if _content(kept, rows[instant], registers) == content:
                    is_new[row] = False
                    break
            elif instant not in taken:
                at_ms[row] = instant
                taken.add(instant)
                break
    return merge(kept, replace(new, at_ms=at_ms).take(is_new))


def _content(columns: PollColumns, row: int, registers: Collection[int] | None) -> _Content:
    """Return what a poll says besides its instant."""
    got = int(columns.got[row])
    places = block_places(got, columns.widths)
    if registers is not None:
        places = places[np.isin(places, list(registers))]
    numbers = (columns.outcome, columns.flags, columns.tries, columns.answer_tenths, columns.code)
    return (got, *(int(one[row]) for one in numbers)), columns.words[row, places].tobytes()
