"""Layouts against IEEE 754, printed examples, pymodbus's converter and arithmetic."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from tallymast.domain.errors import DecodeError
from tallymast.domain.modbus.layouts import (
    LoopCondition,
    Raw,
    decode,
    decode_float32,
    encode,
    loop_condition,
    scale,
    unscale,
)
from tallymast.domain.model import Order, WordLayout

HIGH, LOW = Order.HIGH_FIRST, Order.LOW_FIRST
L = WordLayout
KINDS = ModbusClientMixin.DATATYPE
SECOND = {
    L.UINT16: KINDS.UINT16,
    L.INT16: KINDS.INT16,
    L.UINT32: KINDS.UINT32,
    L.INT32: KINDS.INT32,
    L.UINT64: KINDS.UINT64,
    L.FLOAT32: KINDS.FLOAT32,
    L.FLOAT64: KINDS.FLOAT64,
}


def words_of(text: str) -> list[int]:
    return [int(word, 16) for word in text.split()]


def test_twelve_and_a_half_volts() -> None:
    # IEEE 754-2019 §3.4 by hand: sign 0, exponent 127+3 = 1000_0010b,
    # fraction .1001b (12.5 = 1.1001b * 2**3)  ->  0x4148_0000.
    assert decode_float32([0x4148, 0x0000]) == 12.5


@pytest.mark.parametrize(
    ("words", "value"),
    [
        # An instrument manual prints these patterns (secondary); they follow IEEE 754 binary32.
        ("3F80 0000", 1.0),
        ("BF80 0000", -1.0),
        ("4000 0000", 2.0),
        ("42C8 0000", 100.0),
        # IEEE 754-2019 §3.4 by hand: -118.625 = -1.110110101b * 2**6; 0.15625 = 1.01b * 2**-3.
        ("C2ED 4000", -118.625),
        ("3E20 0000", 0.15625),
        ("41C8 0000", 25.0),
        # The largest finite binary32: (2 - 2**-23) * 2**127.
        ("7F7F FFFF", (2 - 2**-23) * 2.0**127),
        ("7F80 0000", math.inf),
        ("FF80 0000", -math.inf),
        ("0000 0001", 2.0**-149),
        ("8000 0000", 0.0),
    ],
)
def test_float32_patterns(words: str, value: float) -> None:
    assert decode(words_of(words), L.FLOAT32) == value


@pytest.mark.parametrize(
    ("words", "value", "within"),
    [
        # An instrument manual and a support page (secondary), in decimals they print.
        ("425D 47AE", 55.32, 5e-6),
        ("3F80 A3D7", 1.005, 5e-8),
        ("40C3 5293", 6.10383, 5e-6),
    ],
)
def test_float32_printed_in_decimals(words: str, value: float, within: float) -> None:
    assert decode(words_of(words), L.FLOAT32) == pytest.approx(value, abs=within)


def test_float32_low_word_first_on_the_wire() -> None:
    # The same support page: 1.005 comes as A3 D7 3F 80 when the low word is sent first.
    assert decode(words_of("A3D7 3F80"), L.FLOAT32, word_order=LOW) == pytest.approx(1.005)
    # And all four orders of 3F80A3D7, by hand.
    assert decode(words_of("803F D7A3"), L.FLOAT32, byte_order=LOW) == pytest.approx(1.005)
    assert decode(
        words_of("D7A3 803F"), L.FLOAT32, word_order=LOW, byte_order=LOW
    ) == pytest.approx(1.005)


def test_float32_not_a_number_passes_through() -> None:
    # IEEE 754-2019 §3.4: exponent all ones, fraction not 0.
    value = decode(words_of("7FC0 0000"), L.FLOAT32)
    assert isinstance(value, float)
    assert math.isnan(value)


def test_float64_patterns() -> None:
    # IEEE 754-2019 §3.4 by hand: 12.5 = 1.1001b * 2**3, exponent 1023+3 = 100_0000_0010b.
    assert decode(words_of("4029 0000 0000 0000"), L.FLOAT64) == 12.5
    assert decode(words_of("0000 0000 0000 4029"), L.FLOAT64, word_order=LOW) == 12.5
    # 1/3 as every double-precision machine prints it: 3FD5555555555555.
    assert decode(words_of("3FD5 5555 5555 5555"), L.FLOAT64) == 1 / 3


@pytest.mark.parametrize(
    ("words", "layout", "value"),
    [
        ("022B", L.UINT16, 555),  # Application Protocol V1.1b3 §6.3, the example's register 108
        ("FFFE", L.INT16, -2),  # two's complement; pymodbus 3.16.1 agrees
        ("7FFF", L.INT16, 32_767),
        ("8000", L.INT16, -32_768),
        ("FFFE", L.UINT16, 65_534),
        ("FFFE 1DC0", L.INT32, -123_456),  # pymodbus 3.16.1 agrees
        ("0012 D687", L.UINT32, 1_234_567),  # pymodbus 3.16.1 agrees
        ("FFFF FFFF", L.UINT32, 2**32 - 1),
        ("8000 0000", L.INT32, -(2**31)),
        ("FFFF FFFF FFFF FFFF", L.UINT64, 2**64 - 1),
        ("0001 0000 0000 0001", L.UINT64, 2**48 + 1),
        ("1234", L.BCD16, 1234),  # arithmetic: four bits a digit
        ("9999", L.BCD16, 9999),
        ("1234 5678", L.BCD32, 12_345_678),
    ],
)
def test_whole_numbers(words: str, layout: WordLayout, value: int) -> None:
    assert decode(words_of(words), layout) == value


def test_low_word_first() -> None:
    # Open Modbus/TCP Specification 1.0 (secondary restatement): least significant 16 bits in
    # the first register, most in the next.
    assert decode(words_of("D687 0012"), L.UINT32, word_order=LOW) == 1_234_567
    assert decode(words_of("5678 1234"), L.BCD32, word_order=LOW) == 12_345_678


def test_modulo_10000() -> None:
    # Arithmetic: 1 234 567 890 = 12 * 10 000**2 + 3456 * 10 000 + 7890.
    assert decode([12, 3456, 7890], L.MOD10K, 3) == 1_234_567_890
    assert decode([7890, 3456, 12], L.MOD10K, 3, word_order=LOW) == 1_234_567_890
    assert decode([9999, 9999], L.MOD10K, 2) == 99_999_999


def test_text() -> None:
    # ASCII: "V2.7b" is 56 32 2E 37 62.
    assert decode(words_of("5632 2E37 6200 0000"), L.TEXT, 4) == "V2.7b"
    assert decode(words_of("3256 372E 2062"), L.TEXT, 3, byte_order=LOW) == "V2.7b"
    assert decode(words_of("5632 2E37 6220"), L.TEXT, 3, word_order=LOW) == "V2.7b"
    assert decode([0, 0], L.TEXT, 2) == ""
    assert decode([0x41FF], L.TEXT, 1) == "A\ufffd"


def test_bits_of_a_word() -> None:
    word = 0b1000_0000_0010_0001
    on = [n for n in range(16) if decode([word], L.BOOL, bit=n)]
    assert on == [0, 5, 15]
    # The same word from a station that swaps the bytes.
    swapped = 0b0010_0001_1000_0000
    assert [n for n in range(16) if decode([swapped], L.UINT16, byte_order=LOW, bit=n)] == on


def test_a_whole_word_as_a_state() -> None:
    assert decode([0], L.BOOL) is False
    assert decode([1], L.BOOL) is True
    assert decode([0xFF00], L.BOOL) is True


def values_of(layout: WordLayout) -> st.SearchStrategy[float]:
    signed = layout in (L.INT16, L.INT32)
    bits = {"16": 16, "32": 32, "64": 64}[layout[-2:]]
    if layout in (L.FLOAT32, L.FLOAT64):
        return st.floats(width=bits, allow_nan=False)  # type: ignore[arg-type]
    return st.integers(-(2 ** (bits - 1)) if signed else 0, 2 ** (bits - signed) - 1)


@given(st.data(), st.sampled_from(sorted(SECOND)), st.sampled_from([HIGH, LOW]))
def test_agrees_with_a_second_library(
    data: st.DataObject, layout: WordLayout, order: Order
) -> None:
    value = data.draw(values_of(layout))
    theirs = ModbusClientMixin.convert_to_registers(
        value, SECOND[layout], word_order="big" if order is HIGH else "little"
    )
    assert decode(theirs, layout, word_order=order) == value
    assert list(encode(value, layout, word_order=order)) == theirs


orders = st.sampled_from([HIGH, LOW])


@given(st.data(), st.sampled_from(sorted(SECOND)), orders, orders)
def test_swapping_words_and_bytes_and_saying_so_changes_nothing(
    data: st.DataObject, layout: WordLayout, word_order: Order, byte_order: Order
) -> None:
    value = data.draw(values_of(layout))
    words = list(encode(value, layout))
    if word_order is LOW:
        words = words[::-1]
    if byte_order is LOW:
        words = [int.from_bytes(word.to_bytes(2, "big"), "little") for word in words]
    assert decode(words, layout, word_order=word_order, byte_order=byte_order) == value


@given(st.integers(0, 10**12 - 1), st.integers(3, 5), orders, orders)
def test_modulo_10000_there_and_back(number: int, length: int, words: Order, order: Order) -> None:
    registers = encode(number, L.MOD10K, length, words, order)
    assert decode(registers, L.MOD10K, length, words, order) == number


@given(st.integers(0, 99_999_999))
def test_packed_decimals_read_like_their_digits(number: int) -> None:
    digits = f"{number:08d}"
    assert encode(number, L.BCD32) == (int(digits[:4], 16), int(digits[4:], 16))
    assert decode(encode(number, L.BCD32), L.BCD32) == number


@given(st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=8), orders)
def test_text_there_and_back(text: str, order: Order) -> None:
    assert decode(encode(text, L.TEXT, 4, byte_order=order), L.TEXT, 4, byte_order=order) == text


@given(st.booleans(), st.integers(0, 15), orders)
def test_a_bit_there_and_back(state: bool, bit: int, order: Order) -> None:
    word = encode(state, L.BOOL, byte_order=order, bit=bit)
    assert decode(word, L.BOOL, byte_order=order, bit=bit) is state


@pytest.mark.parametrize(
    ("words", "layout", "length", "sentence"),
    [
        ([1], L.FLOAT32, 1, "float32 point needs 2 registers, the answer held 1"),
        ([1, 2, 3], L.UINT32, 1, "needs 2 registers, the answer held 3"),
        ([1, 2], L.MOD10K, 3, "needs 3 registers, the answer held 2"),
        ([65_536], L.UINT16, 1, "0 to 65535, not 65536"),
        ([-1], L.INT16, 1, "0 to 65535, not -1"),
        ([0x12A4], L.BCD16, 1, "digits 0 to 9 only, not 12a4"),
        ([0x1234, 0xF000], L.BCD32, 1, "not 1234f000"),
        ([1, 10_000], L.MOD10K, 2, "modulo-10000 word is 0 to 9999, not 10000"),
    ],
)
def test_refuses_words_that_are_no_value(
    words: list[int], layout: WordLayout, length: int, sentence: str
) -> None:
    with pytest.raises(DecodeError, match=sentence):
        decode(words, layout, length)


def test_refuses_a_bit_no_register_has() -> None:
    with pytest.raises(DecodeError, match="bits 0 to 15, not 16"):
        decode([1], L.BOOL, bit=16)


@pytest.mark.parametrize(
    ("value", "layout", "sentence"),
    [
        (65_536, L.UINT16, "uint16 point cannot hold 65536"),
        (-1, L.UINT32, "cannot hold -1"),
        (1.5, L.INT16, "whole numbers, not 1.5"),
        (math.nan, L.INT32, "whole numbers, not nan"),
        (1e39, L.FLOAT32, "float32 point cannot hold"),
        (10_000, L.BCD16, "bcd16 point cannot hold 10000"),
        (-1, L.MOD10K, "cannot hold -1"),
        ("nine", L.INT16, "holds a number, not the text 'nine'"),
        ("long text", L.TEXT, "2 registers hold 4 ASCII characters"),
        ("°C", L.TEXT, "ASCII"),
    ],
)
def test_refuses_values_no_register_holds(value: Raw, layout: WordLayout, sentence: str) -> None:
    with pytest.raises(DecodeError, match=sentence):
        encode(value, layout, 2)


# --- scaling --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "value"), [(4000, 0.0), (8000, 25.0), (12_000, 50.0), (16_000, 75.0), (20_000, 100.0)]
)
def test_a_loop_in_percent(raw: int, value: float) -> None:
    # A public 4-20 mA calculator: mA = 4 + 16 (reading - low) / (high - low).
    assert scale(raw, (4000, 20_000), (0.0, 100.0)) == value


@pytest.mark.parametrize(
    ("raw", "value"), [(3600, -2.5), (3800, -1.25), (20_500, 103.125), (21_000, 106.25)]
)
def test_a_loop_beyond_its_ends(raw: int, value: float) -> None:
    # Arithmetic on the same line; exact in binary.
    assert scale(raw, (4000, 20_000), (0.0, 100.0)) == value


def test_a_falling_scale() -> None:
    # By hand: half way from 10 m down to 2 m.
    assert scale(2048, (0, 4096), (10.0, 2.0)) == 6.0


def test_without_pairs_the_value_is_the_raw_number() -> None:
    assert scale(2**64 - 1, None, None) == 2**64 - 1
    assert unscale(17, None, None) == 17


ends = st.tuples(st.integers(-5000, 5000), st.integers(1, 30_000)).map(
    lambda e: (e[0], e[0] + e[1])
)


@given(st.integers(-32_768, 65_535), ends, ends)
def test_scaling_there_and_back(raw: int, raw_pair: tuple[int, int], pair: tuple[int, int]) -> None:
    value = scale(raw, raw_pair, pair)
    # The line is at most 30 000 steep or flat: 1e-6 of a raw count is far above rounding.
    assert unscale(value, raw_pair, pair) == pytest.approx(raw, abs=1e-6)


@given(st.integers(0, 65_534), ends, ends)
def test_scaling_rises(raw: int, raw_pair: tuple[int, int], pair: tuple[int, int]) -> None:
    assert scale(raw, raw_pair, pair) < scale(raw + 1, raw_pair, pair)


def test_a_flat_scale_has_no_way_back() -> None:
    with pytest.raises(DecodeError, match=r"every raw number means 5\.0"):
        unscale(5.0, (0, 100), (5.0, 5.0))


@pytest.mark.parametrize(
    ("microamps", "condition"),
    [
        # NAMUR NE 43 (secondary restatements): 3.8 to 20.5 mA measures; up to 3.6 and from
        # 21.0 mA is failure.
        (0, "fault-low"),
        (3500, "fault-low"),
        (3600, "fault-low"),
        (3601, "undefined"),
        (3700, "undefined"),
        (3800, "under-range"),
        (3999, "under-range"),
        (4000, "ok"),
        (20_000, "ok"),
        (20_001, "over-range"),
        (20_500, "over-range"),
        (20_501, "undefined"),
        (20_800, "undefined"),
        (21_000, "fault-high"),
        (24_000, "fault-high"),
    ],
)
def test_what_a_loop_current_means(microamps: float, condition: str) -> None:
    assert loop_condition(microamps) is LoopCondition(condition)
    assert loop_condition(microamps).is_fault is condition.startswith("fault")
