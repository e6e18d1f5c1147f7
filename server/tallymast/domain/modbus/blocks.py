"""Plans which reads fetch a site's points in the least time, and where each point then lies.

Only registers the profile declares are read, and those it marks spare; a value of several
words is never split over two reads, because between two reads it may change.
"""

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from tallymast.domain.errors import ConfigError
from tallymast.domain.modbus.requests import MAX_READ_BITS, MAX_READ_REGISTERS
from tallymast.domain.model import Block, LayoutPoint, Point, PollClass, SiteLayout, Table

Spare = tuple[Table, int, int]

# Ours, where the channel is not known: about what a radio hop takes, and two characters at
# 9600 baud [s].
OVERHEAD_S, COST_PER_WORD_S = 0.15, 0.002


class _Span(NamedTuple):
    """Addresses from ``start`` to ``end``, the end not included."""

    start: int
    end: int


def plan_blocks(
    points: Sequence[Point],
    max_words: int,
    spare: Sequence[Spare] = (),
    overhead: float = OVERHEAD_S,
    cost_per_word: float = COST_PER_WORD_S,
) -> tuple[Block, ...]:
    """Return the reads with the least total ``overhead + cost_per_word * words``.

    Each table and poll class is planned by itself. A read of fast points may pass over declared
    and spare addresses, nothing else; a slow point it covers anyway needs no read of its own.

    Args:
        points: what is to be read.
        max_words: 16-bit words one answer may hold at most.
        spare: undeclared addresses that are safe to read through: table, first, last.
        overhead: time of a read without its words [s, or any unit].
        cost_per_word: time of one word more [the same unit].

    Returns:
        Fast before slow, then coils, discretes, inputs, holdings, then by start.

    Raises:
        ConfigError: a point takes more words than one answer may hold.

    """
    blocks: list[Block] = []
    for poll in (PollClass.FAST, PollClass.SLOW):
        for table in Table:
            here = [point for point in points if point.table is table]
            wanted = [
                point for point in here if point.poll is poll and _block_of(point, blocks) is None
            ]
            limit = _limit(table, max_words)
            _refuse_too_long(wanted, limit)
            safe = _runs([*map(_span, here), *_spare_spans(spare, table)])
            cost = cost_per_word / 16 if table.holds_bits else cost_per_word
            spans = _cheapest(_outer(wanted), safe, limit, _whole(overhead), _whole(cost))
            blocks += [Block(table, start, end - start, poll) for start, end in spans]
    return tuple(blocks)


def site_layout(
    layout_id: int,
    site_id: int,
    points: Sequence[Point],
    point_ids: Mapping[str, int],
    blocks: Sequence[Block],
) -> SiteLayout:
    """Return where each point's value lies in the blocks' answers.

    Args:
        layout_id: identity of the layout to make.
        site_id: the site it belongs to.
        points: the site's points; their order is kept.
        point_ids: identity of each point by its tag.
        blocks: a plan that covers them all, from ``plan_blocks``.

    Raises:
        ConfigError: a point lies in none of the blocks.

    """
    placed = []
    for point in points:
        block = _block_of(point, blocks)
        if block is None:
            raise ConfigError(f"{point.tag}: no read of the plan covers it; plan the reads again.")
        placed.append(
            LayoutPoint(
                point_id=point_ids[point.tag],
                tag=point.tag,
                kind=point.kind,
                block=block,
                offset=point.register - blocks[block].start,
                layout=point.layout,
                bit=point.bit,
                length=point.length,
                word_order=point.word_order,
                byte_order=point.byte_order,
                raw=point.raw,
                value=point.value,
                unit=point.unit,
                loop=point.loop,
            )
        )
    return SiteLayout(layout_id, site_id, tuple(blocks), tuple(placed))


def _whole(cost: float) -> int:
    # Whole numbers keep equal plans equal, so the same points always give the same reads.
    return round(cost * 1e9)


def _span(point: Point) -> _Span:
    return _Span(point.register, point.register + max(1, point.length))


def _block_of(point: Point, blocks: Sequence[Block]) -> int | None:
    span = _span(point)
    for place, block in enumerate(blocks):
        inside = block.start <= span.start and span.end <= block.start + block.count
        if block.table is point.table and inside:
            return place
    return None


def _limit(table: Table, max_words: int) -> int:
    if table.holds_bits:
        return min(MAX_READ_BITS, 16 * max_words)
    return min(MAX_READ_REGISTERS, max_words)


def _refuse_too_long(points: Iterable[Point], limit: int) -> None:
    mistakes = [
        f"{point.tag}: it takes {point.length} registers, one read of this profile holds "
        f"{limit} (max_words); a value is never split over two reads."
        for point in points
        if point.length > limit
    ]
    if mistakes:
        raise ConfigError(mistakes)


def _spare_spans(spare: Sequence[Spare], table: Table) -> Iterable[_Span]:
    return (_Span(first, last + 1) for where, first, last in spare if where is table)


def _runs(spans: Iterable[_Span]) -> list[_Span]:
    """Return the unbroken runs of addresses the spans cover together."""
    runs: list[_Span] = []
    for span in sorted(spans):
        if runs and span.start <= runs[-1].end:
            runs[-1] = _Span(runs[-1].start, max(runs[-1].end, span.end))
        else:
            runs.append(span)
    return runs


def _outer(points: Iterable[Point]) -> list[_Span]:
    """Return the points' spans without those inside another: starts and ends both rise."""
    outer: list[_Span] = []
    for span in sorted(map(_span, points), key=lambda span: (span.start, -span.end)):
        if not outer or span.end > outer[-1].end:
            outer.append(span)
    return outer


def _run_of_each(spans: Sequence[_Span], safe: Sequence[_Span]) -> list[int]:
    runs, run = [], 0
    for span in spans:
        while safe[run].end < span.end:
            run += 1
        runs.append(run)
    return runs


def _cheapest(
    spans: Sequence[_Span], safe: Sequence[_Span], limit: int, overhead: int, cost: int
) -> list[_Span]:
    """Return the cheapest reads that hold every span whole.

    Spans i..j form one read when they lie in one safe run and it is not too long. With
    ``best[j]`` the least cost of the first j spans,

        best[j + 1] = overhead + cost * end[j] + min over i of (best[i] - cost * start[i]),

    and the smallest i that may begin the read only rises with j. The candidates wait in a
    queue whose values rise, so the front is always the least: O(n) for n spans. Of plans that
    cost the same the one with the longer last reads is taken.
    """
    runs = _run_of_each(spans, safe)
    best, begins = [0], []
    queue: deque[tuple[int, int]] = deque()
    for j, span in enumerate(spans):
        candidate = best[j] - cost * span.start
        while queue and queue[-1][0] > candidate:
            queue.pop()
        queue.append((candidate, j))
        while runs[queue[0][1]] != runs[j] or span.end - spans[queue[0][1]].start > limit:
            queue.popleft()
        value, begin = queue[0]
        best.append(overhead + cost * span.end + value)
        begins.append(begin)
    return _walk_back(spans, begins)


def _walk_back(spans: Sequence[_Span], begins: Sequence[int]) -> list[_Span]:
    reads = []
    last = len(spans) - 1
    while last >= 0:
        reads.append(_Span(spans[begins[last]].start, spans[last].end))
        last = begins[last] - 1
    return reads[::-1]
