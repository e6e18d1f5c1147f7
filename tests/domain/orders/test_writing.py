"""What is written for an order, and what its read-back shows: by hand, by the protocol, in circles.

Section numbers are those of MODBUS Application Protocol V1.1b3.
"""

import json
import struct
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.domain.orders.around import LAMP, OFF, ON, RAISE, RUN, SET, START, pulse, setpoint

from tallymast.domain.modbus.frames import rtu_frame
from tallymast.domain.modbus.requests import ReadRequest
from tallymast.domain.model import Order, Point, Table, WordLayout, WriteTarget
from tallymast.domain.orders.model import OrderKind, Wanted
from tallymast.domain.orders.writing import holds, pulse_s, read_of, request_of, shows


def at(point: Point, register: int, function: int, **changed: object) -> Point:
    table = Table.COIL if function in (5, 15) else Table.HOLDING
    return replace(point, write=WriteTarget(table, register, function), **changed)


U32 = {"layout": WordLayout.UINT32, "length": 2, "raw": None, "value": None}
# What each section's worked example writes, as an order of ours.
EXAMPLES = {
    "FC05": (at(LAMP, 172, 5), ON, "0500acff00"),  # §6.5: coil 173 on
    "FC06": (at(SET, 1, 6, raw=None, value=None), setpoint(3), "0600010003"),  # §6.6: 2 becomes 3
    # §6.12: registers 2 and 3 become 000A and 0102, here one number: 0x000A0102 = 655618
    "FC10": (at(SET, 1, 16, **U32), setpoint(655_618), "100001000204000a0102"),
}


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_protocols_own_examples_are_written_byte_by_byte(name: str) -> None:
    point, wanted, pdu = EXAMPLES[name]
    assert request_of(1, point, wanted).pdu().hex() == pdu


def test_published_vectors_agree(reference: Path) -> None:
    file = reference / "modbus-vectors.json"
    if not file.is_file():
        pytest.skip(f"third-party check values are not here ({file.name})")
    vectors = json.loads(file.read_text("utf-8"))
    found = {one["name"].split()[0]: one["req_adu_unit17"] for one in vectors}
    for name, (point, wanted, _) in EXAMPLES.items():
        request = request_of(17, point, wanted)
        assert rtu_frame(17, request.pdu()).hex() == found[name]


@pytest.mark.parametrize(
    ("point", "wanted", "pdu"),
    [
        (LAMP, OFF, "0500010000"),  # §6.5: 0000 is off
        (START, ON, "0f000000010101"),  # §6.11: one coil, one byte, its lowest bit
        (START, OFF, "0f000000010100"),
        (at(START, 40, 16), ON, "1000280001020001"),  # §6.12: a whole register of its own
        (at(START, 40, 6), OFF, "0600280000"),
        (RAISE, pulse(60), "10001e0001020258"),  # 60 s are 600 counts of 0.1 s, 0x0258
        (RAISE, pulse(12.3), "10001e000102007b"),  # 123, although 12.3 / 0.1 = 122.99999999999999
        (RAISE, pulse(12.39), "10001e000102007b"),  # never longer than asked
        (RAISE, OFF, "10001e0001020000"),  # ended now
        (SET, setpoint(42.5), "06002001a9"),  # 425 of 1000, 0x01A9
        (SET, setpoint(42.54), "06002001a9"),  # the nearest one
        (SET, setpoint(42.56), "06002001aa"),
    ],
)
def test_orders_worked_by_hand(point: Point, wanted: Wanted, pdu: str) -> None:
    assert request_of(2, point, wanted).pdu().hex() == pdu


@pytest.mark.parametrize(
    ("layout", "length", "orders", "value", "body"),
    [
        # IEEE 754-2019 §3.4 by hand: 12.5 = 1.1001b * 2**3 -> 0x41480000
        ("float32", 2, ("high-first", "high-first"), 12.5, "41480000"),
        ("float32", 2, ("low-first", "high-first"), 12.5, "00004148"),
        ("float32", 2, ("high-first", "low-first"), 12.5, "48410000"),
        ("float32", 2, ("low-first", "low-first"), 12.5, "00004841"),
        # -2.0 = -1.0b * 2**1: sign 1, exponent 1024 = 100 0000 0000b -> 0xC000...
        ("float64", 4, ("high-first", "high-first"), -2.0, "c000000000000000"),
        ("int16", 1, ("high-first", "high-first"), -2, "fffe"),
        ("int32", 2, ("low-first", "high-first"), -2, "fffeffff"),
        ("uint32", 2, ("high-first", "high-first"), 655_618, "000a0102"),
        ("uint64", 4, ("high-first", "high-first"), 2**40, "0000010000000000"),
        ("bcd16", 1, ("high-first", "high-first"), 1234, "1234"),
        ("bcd32", 2, ("high-first", "high-first"), 12_345_678, "12345678"),
        ("mod10k", 2, ("high-first", "high-first"), 12_345, "00010929"),  # 1 * 10000 + 2345
    ],
)
def test_every_layout_is_written_in_its_own_order(
    layout: str, length: int, orders: tuple[str, str], value: float, body: str
) -> None:
    word, byte = (Order(one) for one in orders)
    shape = {"layout": WordLayout(layout), "length": length, "word_order": word, "byte_order": byte}
    point = at(SET, 100, 16, raw=None, value=None, **shape)
    request = request_of(2, point, setpoint(value))
    assert request.pdu().hex() == f"100064{length:04x}{2 * length:02x}{body}"
    assert shows(point, bytes.fromhex(body)) == value


@pytest.mark.parametrize(
    ("point", "wanted", "part"),
    [
        (RUN, ON, "not written anywhere"),
        (START, setpoint(1), "one bit"),
        (RAISE, ON, "on-time"),
        (RAISE, pulse(0.04), "shortest on-time of Raise is 0.1 s"),
        (RAISE, pulse(float("nan")), "on-time"),
        (RAISE, Wanted(OrderKind.PULSE), "on-time"),
        (RAISE, pulse(6553.6), "holds 0 to 65535, not 65536"),
        (replace(RAISE, seconds_per_count=None), pulse(1), "not known"),
        (SET, pulse(1), "takes no pulse"),
        (SET, ON, "takes no on"),
        (SET, setpoint(float("inf")), "this is none"),
        (SET, Wanted(OrderKind.SETPOINT), "this is none"),
        (SET, setpoint(-0.1), "holds 0 to 65535, not -1"),
        (replace(SET, layout=WordLayout.FLOAT32, length=2), setpoint(1e39), "cannot hold"),
        (replace(SET, layout=WordLayout.TEXT, length=2), setpoint(1), "text"),
        (replace(SET, layout=WordLayout.BCD16), setpoint(1000), "holds 0 to 9999, not 10000"),
        (replace(SET, value=(5.0, 5.0)), setpoint(5), "flat"),
    ],
)
def test_what_registers_cannot_hold_is_not_written(point: Point, wanted: Wanted, part: str) -> None:
    with pytest.raises(ValueError, match=part):
        request_of(2, point, wanted)


def test_the_read_back_asks_for_the_very_addresses_that_are_written() -> None:
    assert read_of(2, START) == ReadRequest(2, Table.COIL, 0, 1)
    assert read_of(2, RAISE) == ReadRequest(2, Table.HOLDING, 30, 1)
    assert read_of(2, at(SET, 1, 16, **U32)) == ReadRequest(2, Table.HOLDING, 1, 2)
    # A discrete output is read elsewhere, as a bit; what is written is one whole register.
    assert read_of(2, at(START, 40, 16)) == ReadRequest(2, Table.HOLDING, 40, 1)


def test_a_read_back_is_told_in_the_outputs_own_unit() -> None:
    assert shows(START, b"\x00\x01") == 1.0
    assert shows(START, (0,)) == 0.0
    assert shows(RAISE, (599,)) == pytest.approx(59.9)  # 599 * 0.1 s
    assert shows(SET, (425,)) == pytest.approx(42.5)
    with pytest.raises(ValueError, match="half a word"):
        shows(SET, b"\x01")


@pytest.mark.parametrize(
    ("left", "elapsed_s", "fits"),
    [
        (600, 0.0, True),
        (590, 1.0, True),  # 10 counts of 0.1 s have passed
        (600, 5.0, True),  # a station that keeps the written number
        (580, 1.0, False),  # 2 s are gone after 1 s: an older, shorter one still runs
        (601, 0.0, False),  # more than was written
        (0, 0.5, False),
        (0, 60.0, False),  # over, or never begun: nobody can tell
        (1, 60.0, True),
    ],
)
def test_a_pulse_counts_down_no_faster_than_time_explains(
    left: int, elapsed_s: float, fits: bool
) -> None:
    assert holds(RAISE, pulse(60), (left,), elapsed_s) is fits


def test_only_what_was_ordered_holds() -> None:
    assert holds(START, ON, (1,), 1.0)
    assert not holds(START, ON, (0,), 1.0)
    assert holds(START, OFF, b"\x00\x00", 1.0)
    assert holds(RAISE, OFF, (0,), 1.0)
    assert not holds(RAISE, OFF, (5,), 1.0)
    assert holds(SET, setpoint(42.54), (425,), 1.0)  # as it was rounded when it was written
    assert not holds(SET, setpoint(42.54), (426,), 1.0)
    assert not holds(SET, setpoint(42.5), (), 1.0)  # words that make no value
    fine = replace(SET, layout=WordLayout.FLOAT32, length=2, raw=None, value=None)
    # 0.1 is no binary32: its nearest one reads back (0x3DCCCCCD), and that holds.
    assert holds(fine, setpoint(0.1), (0x3DCC, 0xCCCD), 1.0)


shapes = st.sampled_from(
    [
        ("uint16", 1, 0, 2**16 - 1),
        ("int16", 1, -(2**15), 2**15 - 1),
        ("uint32", 2, 0, 2**32 - 1),
        ("int32", 2, -(2**31), 2**31 - 1),
        ("bcd32", 2, 0, 99_999_999),
        ("mod10k", 3, 0, 999_999_999_999),
    ]
)


@given(st.data(), shapes, st.sampled_from(Order), st.sampled_from(Order))
def test_whatever_fits_is_shown_again_within_half_a_count(
    data: st.DataObject, shape: tuple[str, int, int, int], word: Order, byte: Order
) -> None:
    layout, length, low, high = shape
    raw = data.draw(st.integers(low, high)) + data.draw(st.floats(-0.49, 0.49))
    point = at(
        SET,
        1,
        16,
        layout=WordLayout(layout),
        length=length,
        raw=(0.0, 1000.0),
        value=(-20.0, 80.0),
        word_order=word,
        byte_order=byte,
    )
    want = -20 + raw / 10
    if not low <= (want + 20) * 10 <= high:
        return
    words = request_of(2, point, setpoint(want)).values
    # half a count of 0.1, and what a binary64 loses of numbers up to 1e11
    assert shows(point, words) == pytest.approx(want, abs=0.05 + 1e-9, rel=1e-12)
    assert holds(point, setpoint(want), words, 1.0)


@given(st.floats(width=32, allow_nan=False, allow_infinity=False), st.sampled_from(Order))
def test_a_floating_set_point_is_shown_as_it_was_written(value: float, word: Order) -> None:
    shape = {"layout": WordLayout.FLOAT32, "length": 2, "raw": None, "value": None}
    point = at(SET, 1, 16, word_order=word, **shape)
    words = request_of(2, point, setpoint(value)).values
    assert shows(point, struct.pack(">2H", *words)) == value


@given(st.floats(0.1, 60.0), st.floats(0.0, 70.0))
def test_a_pulse_of_a_true_station_holds_until_it_has_ended(
    asked_s: float, elapsed_s: float
) -> None:
    wanted = pulse(asked_s)
    counts = request_of(2, RAISE, wanted).values[0]
    assert pulse_s(RAISE, wanted) <= asked_s + 1e-6
    assert asked_s - pulse_s(RAISE, wanted) < 0.1 + 1e-6
    left = max(0, counts - int(elapsed_s / 0.1))  # as a station counts
    assert holds(RAISE, wanted, (left,), elapsed_s) is (left > 0)
