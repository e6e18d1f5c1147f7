"""Whatever a layout says and however hours become days, a stored poll decodes as it would have."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallymast.domain.errors import DecodeError
from tallymast.domain.modbus.layouts import registers_needed
from tallymast.domain.model import (
    Block,
    LayoutPoint,
    Order,
    Outcome,
    PointKind,
    Poll,
    PollFlag,
    SiteLayout,
    Table,
    WordLayout,
)
from tallymast.domain.readings import decode_point
from tallymast.domain.record.chunks import (
    PollColumns,
    block_widths,
    merge,
    pack,
    pack_columns,
    polls_of,
    unpack,
)
from tallymast.domain.record.columns import decode_column, words_needed

DAY_MS = 86_400_000
DAY_0 = 1_772_928_000_000  # 2026-03-08T00:00:00Z
# Words that make digits, letters, numbers that are none, and steps across every sign.
TELLING = (0, 1, 9, 0x1234, 0x9999, 0x9998, 9999, 10_000, 0x4142, 0x6100, 0x7F80, 0x7FC0, 0x7FF0)
EDGES = (0x7FFF, 0x8000, 0xFF80, 0xFFFE, 0xFFFF)
words = st.sampled_from(TELLING + EDGES) | st.integers(0, 0xFFFF)


@st.composite
def blocks(draw: st.DrawFn) -> Block:
    table = draw(st.sampled_from(Table))
    most = 40 if table.holds_bits else 10
    return Block(table, draw(st.integers(0, 60_000)), draw(st.integers(1, most)))


@st.composite
def points(
    draw: st.DrawFn, number: int, among: tuple[Block, ...], layout: WordLayout
) -> LayoutPoint:
    """A point of this layout in a block with room for it; a contact where there is none."""
    length = registers_needed(layout, draw(st.integers(2, 4)))  # where it has none of its own
    roomy = [n for n, one in enumerate(among) if not one.table.holds_bits and one.count >= length]
    if layout is WordLayout.BOOL or not roomy:
        layout, length, roomy = WordLayout.BOOL, 1, list(range(len(among)))
    place = draw(st.sampled_from(roomy))
    has_bit = layout is WordLayout.BOOL and not among[place].table.holds_bits
    return LayoutPoint(
        number,
        f"P{number}",
        PointKind.ANALOG_INPUT,
        place,
        draw(st.integers(0, among[place].count - length)),
        layout,
        draw(st.none() | st.integers(0, 15)) if has_bit else None,
        length,
        draw(st.sampled_from(Order)),
        draw(st.sampled_from(Order)),
        None,
        None,
        "",
    )


@st.composite
def site_layouts(draw: st.DrawFn, number: int, first: WordLayout) -> SiteLayout:
    """One to four blocks; the first point is of the layout asked for."""
    roomy = Block(draw(st.sampled_from((Table.INPUT, Table.HOLDING))), 7, draw(st.integers(4, 9)))
    mine = tuple(draw(st.permutations([roomy, *draw(st.lists(blocks(), max_size=3))])))
    kinds = [first, *draw(st.lists(st.sampled_from(WordLayout), max_size=3))]
    return SiteLayout(
        number, 5, mine, tuple(draw(points(n, mine, kind)) for n, kind in enumerate(kinds))
    )


@st.composite
def polls(draw: st.DrawFn, layout: SiteLayout, at_ms: int) -> Poll:
    every = 2 ** len(layout.blocks) - 1
    got = draw(st.just(every) | st.integers(0, every))
    count = sum(block.words for n, block in enumerate(layout.blocks) if got >> n & 1)
    body = draw(st.lists(words, min_size=count, max_size=count))
    return Poll(
        5,
        at_ms,
        draw(st.sampled_from(Outcome)),
        PollFlag.NONE,
        1,
        draw(st.none() | st.integers(0, 90_000).map(lambda tenths: tenths / 10)),
        layout.id,
        got,
        0,
        b"".join(word.to_bytes(2, "big") for word in body),
    )


@st.composite
def days(draw: st.DrawFn, first: WordLayout) -> list[tuple[SiteLayout, list[Poll]]]:
    """A day whose layout changes up to twice; going back to an earlier one included."""
    known = [draw(site_layouts(n, first)) for n in range(draw(st.integers(1, 2)))]
    times = sorted(draw(st.sets(st.integers(0, DAY_MS - 1), min_size=1, max_size=12)))
    change, back = sorted(draw(st.lists(st.integers(0, 12), min_size=2, max_size=2)))
    found: list[tuple[SiteLayout, list[Poll]]] = [(layout, []) for layout in known]
    for n, at_ms in enumerate(times):
        layout, mine = found[-1 if change <= n < back else 0]
        mine.append(draw(polls(layout, DAY_0 + at_ms)))
    return [(layout, mine) for layout, mine in found if mine]


def stored(data: st.DataObject, layout: SiteLayout, some: list[Poll]) -> bytes:
    """The body of the day's chunk: packed in any parts, merged in any order, some twice."""
    widths = block_widths(layout.blocks)
    parts = data.draw(st.lists(st.integers(0, 3), min_size=len(some), max_size=len(some)))
    bodies = [
        pack([poll for poll, mine in zip(some, parts, strict=True) if mine == part], widths)
        for part in sorted(set(parts))
    ]
    order = data.draw(st.permutations([*bodies, *bodies[:1]]))
    day: PollColumns = unpack(order[0])
    for body in order[1:]:  # as hours are: each merged into what is there, and packed again
        day = unpack(pack_columns(merge(day, unpack(body))))
    return pack_columns(day)


def alone(layout: SiteLayout, point: LayoutPoint, poll: Poll) -> object:
    """One poll's number by the codec of the wire; None where there is none."""
    if not poll.got >> point.block & 1:
        return None
    before = [n for n in range(point.block) if poll.got >> n & 1]
    start = 2 * sum(layout.blocks[n].words for n in before)
    try:
        return decode_point(layout, point, poll.words[start:])
    except DecodeError:
        return None


def same(one: object, other: object) -> bool:
    if isinstance(one, float) and math.isnan(one):
        return isinstance(other, float) and math.isnan(other)
    return one == other


@pytest.mark.parametrize("first", list(WordLayout))
@given(data=st.data())
@settings(max_examples=25, deadline=None)
def test_a_day_decodes_as_each_of_its_polls_did(data: st.DataObject, first: WordLayout) -> None:
    for layout, some in data.draw(days(first)):
        body = stored(data, layout, some)
        assert polls_of(unpack(body), 5, layout.id) == some
        for point in layout.points:
            columns = unpack(body, words_needed(layout, [point]))
            column = decode_column(columns, layout, point)
            expected = [alone(layout, point, poll) for poll in some]
            assert column.read.tolist() == [number is not None for number in expected]
            for raw, number in zip(column.raw.tolist(), expected, strict=True):
                assert number is None or same(raw, number), (point, raw, number)
