"""What counting registers showed in the newest poll of a site, with the restart counter beside it.

A register is told only where its words are sound and nothing casts doubt on their time; whoever
asks then has to look at the polls themselves.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from tallymast.domain.commissioning.seen import block_words
from tallymast.domain.errors import DecodeError
from tallymast.domain.model import LayoutPoint, Poll, SiteLayout, SiteState
from tallymast.domain.readings import decode_point

NOT_READ: Final = -1  # a counter that was not read in the same poll
_LARGEST: Final = 2**53  # beyond it a double skips whole numbers (IEEE 754)


@dataclass(frozen=True, slots=True)
class Newest:
    """A register in the newest poll that brought it.

    Attributes:
        at_ms: when.
        count: what it showed; None: no sound count, or its time is in doubt.
        restarts: the restart counter of the same poll, ``NOT_READ`` where it was not read.

    """

    at_ms: int
    count: float | None
    restarts: int = NOT_READ


def newest_of(
    state: SiteState, layout: SiteLayout, tags: Iterable[str], restarts: str | None
) -> dict[str, Newest]:
    """Return what registers of a site showed last, by tag; those never read are left out.

    Args:
        state: the site's newest state.
        layout: the layout its polls are read by now.
        tags: of the registers.
        restarts: the tag of its restart counter; None: it has none.

    """
    if state.layout_id != layout.id:
        return {}
    points = {one.tag: one for one in layout.points}
    beside = points.get(restarts) if restarts is not None else None
    found = {}
    for tag in tags:
        point = points.get(tag)
        at_ms = None if point is None else state.block_ms[point.block]
        if point is None or at_ms is None:
            continue
        count = _sound(state, layout, point)
        is_same = beside is not None and state.block_ms[beside.block] == at_ms
        again = _sound(state, layout, beside) if beside is not None and is_same else None
        found[tag] = Newest(at_ms, count, NOT_READ if again is None else int(again))
    return found


def restarts_in(poll: Poll, layout: SiteLayout, tag: str) -> int:
    """Return what a restart counter showed in a poll, ``NOT_READ`` where it was not read."""
    point = next((one for one in layout.points if one.tag == tag), None)
    words = block_words(poll, layout).get(point.block) if point is not None else None
    if point is None or words is None or poll.layout_id != layout.id:
        return NOT_READ
    count = _decoded(layout, point, words)
    return NOT_READ if count is None else int(count)


def _sound(state: SiteState, layout: SiteLayout, point: LayoutPoint) -> float | None:
    words = state.block_words[point.block]
    if words is None or state.suspect_blocks >> point.block & 1:
        return None
    return _decoded(layout, point, words)


def _decoded(layout: SiteLayout, point: LayoutPoint, words: bytes) -> float | None:
    try:
        raw = decode_point(layout, point, words)
    except DecodeError:
        return None
    if isinstance(raw, bool | str) or not math.isfinite(raw) or abs(raw) >= _LARGEST:
        return None
    return float(raw)
