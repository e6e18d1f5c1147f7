"""The read plan against every possible plan, and against small ones made by hand."""

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallymast.domain.errors import ConfigError
from tallymast.domain.modbus.blocks import plan_blocks, site_layout
from tallymast.domain.model import Block, Point, PointKind, PollClass, Table, WordLayout

FAST, SLOW = PollClass.FAST, PollClass.SLOW
INPUT, HOLDING, COIL, DISCRETE = Table.INPUT, Table.HOLDING, Table.COIL, Table.DISCRETE
LAYOUTS = {1: WordLayout.UINT16, 2: WordLayout.UINT32, 4: WordLayout.UINT64}


def point(
    register: int,
    length: int = 1,
    *,
    table: Table = INPUT,
    poll: PollClass = FAST,
    bit: int | None = None,
    tag: str = "",
) -> Point:
    name = tag or f"{table}{register}+{length}{poll}{bit}"
    return Point(
        name,
        name,
        PointKind.ANALOG_INPUT,
        table,
        register,
        LAYOUTS.get(length, WordLayout.TEXT),
        bit=bit,
        length=length,
        poll=poll,
    )


def ranges(blocks: tuple[Block, ...]) -> list[tuple[int, int]]:
    return [(block.start, block.count) for block in blocks]


def test_neighbours_are_read_together() -> None:
    assert ranges(plan_blocks([point(4), point(6), point(5)], 125)) == [(4, 3)]


def test_a_gap_nobody_declared_is_never_read() -> None:
    # However dear a second read is: undeclared registers may be cleared by being read.
    assert ranges(plan_blocks([point(4), point(6)], 125, (), 1e6, 1e-6)) == [(4, 1), (6, 1)]


def test_a_spare_gap_is_passed_over_when_it_is_cheaper() -> None:
    points = [point(0), point(11)]
    spare = [(INPUT, 1, 10)]
    assert ranges(plan_blocks(points, 125, spare, 11, 1)) == [(0, 12)]
    assert ranges(plan_blocks(points, 125, spare, 9, 1)) == [(0, 1), (11, 1)]


def test_spare_registers_of_another_table_or_too_few_do_not_count() -> None:
    points = [point(0), point(4)]
    for spare in ([(HOLDING, 1, 3)], [(INPUT, 1, 2)], [(INPUT, 2, 3)], [(INPUT, 0, 1)]):
        assert ranges(plan_blocks(points, 125, spare, 1e6, 1)) == [(0, 1), (4, 1)]


def test_a_value_of_two_words_is_not_split() -> None:
    # Greedy reads of 4 words would cut the pair at 3 and 4.
    points = [point(0), point(1), point(2), point(3, 2), point(5)]
    blocks = ranges(plan_blocks(points, 4, (), 1, 0.01))
    assert sum(count for _, count in blocks) == 6
    assert len(blocks) == 2
    assert any(start <= 3 and start + count >= 5 for start, count in blocks)


def test_points_that_share_words_are_read_once() -> None:
    bits = [point(7, bit=n) for n in range(16)]
    assert ranges(plan_blocks([*bits, point(6, 2), point(7, 2)], 125)) == [(6, 3)]


def test_slow_points_beside_fast_ones_stay_slow() -> None:
    points = [point(0, poll=SLOW), point(1), point(2, poll=SLOW)]
    assert plan_blocks(points, 125, (), 1, 0.01) == (
        Block(INPUT, 1, 1, FAST),
        Block(INPUT, 0, 3, SLOW),
    )


def test_a_slow_point_that_a_fast_read_covers_needs_no_read() -> None:
    points = [point(0), point(1, poll=SLOW), point(2), point(0, bit=3, poll=SLOW)]
    assert plan_blocks(points, 125, (), 1, 0.01) == (Block(INPUT, 0, 3, FAST),)


def test_order_is_fast_then_table_then_start() -> None:
    points = [
        point(0, table=HOLDING),
        point(9, table=INPUT),
        point(3, table=INPUT),
        point(8, table=DISCRETE),
        point(0, table=COIL, poll=SLOW),
        point(30, table=INPUT, poll=SLOW),
        point(5, table=COIL),
    ]
    assert plan_blocks(points[::-1], 125) == plan_blocks(points, 125)
    assert plan_blocks(points, 125) == (
        Block(COIL, 5, 1, FAST),
        Block(DISCRETE, 8, 1, FAST),
        Block(INPUT, 3, 1, FAST),
        Block(INPUT, 9, 1, FAST),
        Block(HOLDING, 0, 1, FAST),
        Block(COIL, 0, 1, SLOW),
        Block(INPUT, 30, 1, SLOW),
    )


def test_limits_of_the_protocol_and_the_profile() -> None:
    # Application Protocol V1.1b3 §6.1 and 6.3: at most 2000 bits or 125 registers a read.
    bits = [point(n, table=COIL) for n in range(2100)]
    assert ranges(plan_blocks(bits, 1000)) == [(0, 100), (100, 2000)]
    words = [point(n) for n in range(130)]
    assert all(block.count <= 125 for block in plan_blocks(words, 1000))
    assert len(plan_blocks(words, 1000)) == 2
    assert len(plan_blocks(words, 60)) == 3
    assert max(block.count for block in plan_blocks(bits, 2)) == 32


def test_a_point_longer_than_a_read_is_refused_by_name() -> None:
    with pytest.raises(ConfigError) as refused:
        plan_blocks([point(0, 4, tag="VOL"), point(9, 20, tag="SERIAL"), point(40)], 3)
    assert [mistake.split(":")[0] for mistake in refused.value.mistakes] == ["VOL", "SERIAL"]
    assert "takes 4 registers, one read of this profile holds 3 (max_words)" in str(refused.value)


def test_nothing_to_read() -> None:
    assert plan_blocks([], 125) == ()


SIZE = 12
spans = st.tuples(st.integers(0, SIZE - 4), st.integers(1, 4))


def least_cost(
    wanted: list[tuple[int, int]], safe: set[int], limit: int, overhead: float, cost: float
) -> float:
    """Try every set of reads: the least cost of each set of points that can be covered."""
    least = {0: 0.0}
    reads = [
        (start, end)
        for start, end in combinations(range(SIZE + 5), 2)
        if end - start <= limit and safe.issuperset(range(start, end))
    ]
    masks = {
        read: sum(
            1 << n
            for n, (register, length) in enumerate(wanted)
            if read[0] <= register and register + length <= read[1]
        )
        for read in reads
    }
    for covered in range(1 << len(wanted)):
        if covered not in least:
            continue
        for (start, end), mask in masks.items():
            total = least[covered] + overhead + cost * (end - start)
            key = covered | mask
            if key != covered and total < least.get(key, float("inf")):
                least[key] = total
    return least[(1 << len(wanted)) - 1]


@settings(max_examples=150, deadline=None)
@given(
    st.lists(spans, min_size=1, max_size=7),
    st.lists(st.tuples(st.integers(0, SIZE), st.integers(0, 3)), max_size=3),
    st.integers(4, 9),
    st.sampled_from([0.0, 0.5, 1.0, 2.5, 7.0, 40.0]),
)
def test_no_plan_is_cheaper(
    wanted: list[tuple[int, int]], gaps: list[tuple[int, int]], limit: int, overhead: float
) -> None:
    spare = [(INPUT, first, first + more) for first, more in gaps]
    points = [point(register, length) for register, length in wanted]
    safe = {n for register, length in wanted for n in range(register, register + length)}
    safe |= {n for _, first, last in spare for n in range(first, last + 1)}
    blocks = plan_blocks(points, limit, spare, overhead, 1.0)
    assert sum(overhead + block.count for block in blocks) == pytest.approx(
        least_cost(wanted, safe, limit, overhead, 1.0)
    )
    for block in blocks:
        assert block.count <= limit
        assert safe.issuperset(range(block.start, block.start + block.count))
    for register, length in wanted:
        assert any(
            block.start <= register and register + length <= block.start + block.count
            for block in blocks
        )


def test_the_layout_says_where_each_point_lies() -> None:
    points = [
        point(10, 2, tag="TOTAL"),
        point(3, table=DISCRETE, tag="DOOR"),
        point(14, tag="RESTARTS", poll=SLOW),
        point(12, bit=5, tag="RUN"),
    ]
    blocks = plan_blocks(points, 125)
    ids = {"TOTAL": 71, "DOOR": 72, "RESTARTS": 73, "RUN": 74}
    layout = site_layout(5, 9, points, ids, blocks)
    assert (layout.id, layout.site_id, layout.blocks) == (5, 9, blocks)
    placed = {
        item.tag: (item.point_id, layout.blocks[item.block].table, item.offset, item.bit)
        for item in layout.points
    }
    assert placed == {
        "TOTAL": (71, INPUT, 0, None),
        "DOOR": (72, DISCRETE, 0, None),
        "RESTARTS": (73, INPUT, 0, None),
        "RUN": (74, INPUT, 2, 5),
    }
    assert [item.tag for item in layout.points] == ["TOTAL", "DOOR", "RESTARTS", "RUN"]


def test_a_layout_of_a_plan_for_other_points_is_refused() -> None:
    blocks = plan_blocks([point(0)], 125)
    with pytest.raises(ConfigError, match="LVL: no read of the plan covers it"):
        site_layout(1, 1, [point(0, 2, tag="LVL")], {"LVL": 1}, blocks)
