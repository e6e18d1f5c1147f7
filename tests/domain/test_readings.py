"""Readings: what may be believed of the newest words, and what is said where nothing may."""

import struct

import pytest

from tallymast.domain.errors import DecodeError
from tallymast.domain.model import (
    Block,
    LayoutPoint,
    Order,
    PointKind,
    PollClass,
    Quality,
    Reading,
    SiteLayout,
    Table,
    WordLayout,
)
from tallymast.domain.readings import decode_point, readings

NOW, STALE = 1_700_000_000_000, 120_000


def lies(
    tag: str,
    block: int,
    offset: int,
    layout: WordLayout,
    length: int = 1,
    bit: int | None = None,
    loop: str | None = None,
    word_order: Order = Order.HIGH_FIRST,
) -> LayoutPoint:
    scaled = loop is not None
    return LayoutPoint(
        point_id=1,
        tag=tag,
        kind=PointKind.ANALOG_INPUT,
        block=block,
        offset=offset,
        layout=layout,
        bit=bit,
        length=length,
        word_order=word_order,
        byte_order=Order.HIGH_FIRST,
        raw=(4000.0, 20_000.0) if scaled else None,
        value=(0.0, 4.5) if scaled else None,
        unit="m" if scaled else "",
        loop=loop,
    )


LAYOUT = SiteLayout(
    1,
    1,
    (
        Block(Table.DISCRETE, 10, 20),
        Block(Table.INPUT, 0, 6),
        Block(Table.HOLDING, 40, 2, PollClass.SLOW),
    ),
    (
        lies("DOOR", 0, 17, WordLayout.BOOL),
        lies("LVL", 1, 0, WordLayout.UINT16, loop="4-20mA"),
        lies("RUN", 1, 1, WordLayout.BOOL, bit=9),
        lies("TOTAL", 1, 2, WordLayout.UINT32, 2, word_order=Order.LOW_FIRST),
        lies("PRES", 1, 4, WordLayout.FLOAT32, 2),
        lies("REV", 2, 0, WordLayout.TEXT, 2),
    ),
)


def registers(*words: int) -> bytes:
    return struct.pack(f">{len(words)}H", *words)


def blocks(
    level: int = 12_000, pressure: tuple[int, int] = (0x4148, 0x0000)
) -> tuple[bytes | None, ...]:
    # Discretes 10 to 29 with only number 27 on: bit 1 of the second word. Word 1 of the
    # inputs has bit 9 set; the total is 0x0012D687 = 1 234 567 with the low word first;
    # 41480000 is 12.5 (IEEE 754-2019 §3.4); "V2.7" is 56 32 2E 37 (ASCII).
    return (
        registers(0, 0b10),
        registers(level, 1 << 9, 0xD687, 0x0012, *pressure),
        registers(0x5632, 0x2E37),
    )


def read(
    words: tuple[bytes | None, ...] | None = None,
    at: tuple[int | None, ...] = (NOW, NOW, NOW),
    suspect: int = 0,
    stale: int | dict[PollClass, int] = STALE,
) -> dict[str, Reading]:
    made = readings(LAYOUT, blocks() if words is None else words, at, suspect, NOW, stale)
    assert [reading.tag for reading in made] == [point.tag for point in LAYOUT.points]
    return {reading.tag: reading for reading in made}


def test_values_of_fresh_words() -> None:
    made = read()
    assert {tag: reading.value for tag, reading in made.items()} == {
        "DOOR": True,
        "LVL": 2.25,
        "RUN": True,
        "TOTAL": 1_234_567,
        "PRES": 12.5,
        "REV": "V2.7",
    }
    assert all(reading.quality is Quality.GOOD for reading in made.values())
    assert all(reading.reason == "" for reading in made.values())
    assert made["LVL"].raw == 12_000
    assert made["LVL"].at_ms == NOW


def test_each_block_has_its_own_time() -> None:
    made = read(at=(NOW - 1, NOW - STALE, NOW - STALE - 1))
    assert [made[tag].at_ms for tag in ("DOOR", "LVL", "REV")] == [
        NOW - 1,
        NOW - STALE,
        NOW - STALE - 1,
    ]
    assert made["LVL"].quality is Quality.GOOD
    assert made["REV"].quality is Quality.STALE
    assert made["REV"].value == "V2.7", "a stale reading keeps its value"


def test_values_read_seldom_may_be_older() -> None:
    spans = {PollClass.FAST: STALE, PollClass.SLOW: 10 * STALE}
    made = read(at=(NOW - 2 * STALE,) * 3, stale=spans)
    assert made["LVL"].quality is Quality.STALE
    assert made["REV"].quality is Quality.GOOD


@pytest.mark.parametrize(
    ("age_s", "words"), [(121, "2 min"), (360, "6 min"), (7200, "2 h"), (518_400, "6 days")]
)
def test_a_stale_reading_tells_its_age(age_s: int, words: str) -> None:
    assert read(at=(NOW - 1000 * age_s,) * 3)["LVL"].reason == f"last read {words} ago"


def test_what_was_never_read_has_no_value() -> None:
    for words, at in (((None,) * 3, (None,) * 3), ((), ())):
        for reading in read(words, at).values():
            assert (reading.value, reading.raw, reading.at_ms) == (None, None, None)
            assert (reading.quality, reading.reason) == (Quality.NONE, "not read yet")


def test_an_open_loop_is_no_level() -> None:
    # NAMUR NE 43 (secondary restatements): 3.6 mA and below is failure.
    reading = read(blocks(level=3580))["LVL"]
    assert (reading.value, reading.raw, reading.quality) == (None, 3580, Quality.NONE)
    assert reading.reason == "loop 3.58 mA, the sensor loop is open or failed"


def test_a_loop_at_its_upper_fault_is_no_level() -> None:
    reading = read(blocks(level=21_300))["LVL"]
    assert (reading.value, reading.quality) == (None, Quality.NONE)
    assert reading.reason == "loop 21.30 mA, the sensor loop is shorted or failed"


def test_a_loop_between_measuring_and_failing_is_suspect() -> None:
    reading = read(blocks(level=3700))["LVL"]
    assert reading.quality is Quality.SUSPECT
    assert reading.value == pytest.approx(-0.084375)  # by hand: -300 / 16 000 of 4.5 m
    assert reading.reason == "loop 3.70 mA, outside what a sound sensor sends"


def test_a_loop_a_little_beyond_its_range_measures() -> None:
    for level in (3800, 20_500):
        assert read(blocks(level=level))["LVL"].quality is Quality.GOOD


@pytest.mark.parametrize("words", [(0x7FC0, 0), (0x7F80, 0), (0xFF80, 0)])
def test_not_a_number_and_infinity_are_no_value(words: tuple[int, int]) -> None:
    # IEEE 754-2019 §3.4: exponent all ones.
    reading = read(blocks(pressure=words))["PRES"]
    assert (reading.value, reading.raw, reading.quality) == (None, None, Quality.NONE)
    assert reading.reason == "the station reports no number"


def test_only_the_blocks_whose_answer_was_late_are_suspect() -> None:
    made = read(suspect=0b010)
    assert made["LVL"].quality is made["RUN"].quality is Quality.SUSPECT
    assert made["LVL"].value == 2.25
    assert "came late" in made["LVL"].reason
    assert made["DOOR"].quality is made["REV"].quality is Quality.GOOD


def test_stale_outweighs_suspect_and_a_broken_loop_outweighs_both() -> None:
    old = (NOW - 2 * STALE,) * 3
    assert read(at=old, suspect=0b111)["PRES"].quality is Quality.STALE
    assert read(blocks(level=3580), old, 0b111)["LVL"].quality is Quality.NONE


def test_a_clock_that_went_back_makes_nothing_stale() -> None:
    assert read(at=(NOW + 3_600_000,) * 3)["LVL"].quality is Quality.GOOD


def test_words_that_make_no_value_say_so() -> None:
    layout = SiteLayout(1, 1, LAYOUT.blocks, (lies("SET", 1, 0, WordLayout.BCD16),))
    (reading,) = readings(layout, blocks(level=0x12A4), (NOW,) * 3, 0, NOW, STALE)
    assert (reading.value, reading.quality, reading.at_ms) == (None, Quality.NONE, NOW)
    assert reading.reason.startswith("the registers hold no value: A packed decimal number")


def test_too_few_words_are_refused() -> None:
    with pytest.raises(DecodeError, match="held 3 words, too few for this point"):
        decode_point(LAYOUT, LAYOUT.points[4], registers(1, 2, 3))
