"""Finds in which states contacts and outputs were read since an instant."""

from collections.abc import Iterable, Mapping
from itertools import accumulate

from tallymast.domain.errors import DecodeError
from tallymast.domain.model import Poll, SiteLayout
from tallymast.domain.readings import decode_point


def states_seen(
    polls: Iterable[Poll], layout: SiteLayout, since_ms: Mapping[str, int]
) -> dict[str, dict[bool, int]]:
    """Return by tag when each state was first read.

    Args:
        polls: of one site; those of another layout are passed over.
        layout: what the others were read by.
        since_ms: for each tag that is looked for, from when on [UTC ms].

    """
    points = [point for point in layout.points if point.tag in since_ms]
    seen: dict[str, dict[bool, int]] = {tag: {} for tag in since_ms}
    for poll in polls:
        if poll.layout_id != layout.id:
            continue
        words = block_words(poll, layout)
        for point in points:
            if poll.at_ms < since_ms[point.tag] or point.block not in words:
                continue
            try:
                state = bool(decode_point(layout, point, words[point.block]))
            except DecodeError:
                continue
            known = seen[point.tag]
            known[state] = min(known.get(state, poll.at_ms), poll.at_ms)
    return seen


def block_words(poll: Poll, layout: SiteLayout) -> dict[int, bytes]:
    """Return the words of each block a poll brought, by the block's place."""
    got = [n for n in range(len(layout.blocks)) if poll.got >> n & 1]
    ends = list(accumulate(2 * layout.blocks[n].words for n in got))
    return {
        n: poll.words[end - 2 * layout.blocks[n].words : end]
        for n, end in zip(got, ends, strict=True)
    }
