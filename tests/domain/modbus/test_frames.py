"""Frames against published examples, a second library and made-up troubles of a line."""

import json
from pathlib import Path

import pytest
from crccheck.crc import Crc16Modbus
from hypothesis import given, settings
from hypothesis import strategies as st

from tallymast.domain.errors import DecodeError
from tallymast.domain.modbus.frames import (
    crc16,
    find_answer,
    rtu_frame,
    rtu_unframe,
    tcp_frame,
    tcp_header,
)
from tallymast.domain.modbus.requests import ReadRequest, WriteRequest
from tallymast.domain.model import Table, WriteTarget

# MODBUS Application Protocol V1.1b3 §6.3: read holding registers 108 to 110; the answer holds
# 555, 0 and 100. As RTU frames of unit 17, restated in instrument manuals; crccheck agrees.
READ = ReadRequest(17, Table.HOLDING, 0x6B, 3)
GOOD = bytes.fromhex("110306022b00000064c8ba")
GOOD_PDU = bytes.fromhex("0306022b00000064")
REFUSAL = bytes.fromhex("118302c134")  # exception 02 of unit 17; CRC by crccheck 1.3.1
SET_COIL = WriteRequest(17, WriteTarget(Table.COIL, 0xAC, 5), (1,))
SET_COIL_FRAME = bytes.fromhex("110500acff004e8b")  # §6.5, coil 173 on, as unit 17

noise_bytes = st.binary(max_size=40)


def other_frame(*pdus: str) -> bytes:
    return b"".join(with_crc(bytes.fromhex(pdu)) for pdu in pdus)


def with_crc(body: bytes) -> bytes:
    return body + Crc16Modbus.calc(body).to_bytes(2, "little")


def test_crc_of_the_serial_line_guide() -> None:
    # MODBUS over Serial Line V1.02 §6.2.2: the frame 02 07 has CRC 1241h, sent 41 12.
    assert crc16(b"\x02\x07") == 0x1241
    assert rtu_frame(2, b"\x07") == bytes.fromhex("02074112")


def test_crc_check_value() -> None:
    # Catalogue of parametrised CRC algorithms, CRC-16/MODBUS: check 0x4B37.
    assert crc16(b"123456789") == 0x4B37


@given(st.binary(max_size=300))
def test_crc_agrees_with_a_second_library(data: bytes) -> None:
    assert crc16(data) == Crc16Modbus.calc(data)


@pytest.mark.parametrize(
    "frame",
    [
        "11 03 00 6B 00 03 76 87",
        "11 03 06 02 2B 00 00 00 64 C8 BA",
        "01 03 00 6B 00 03 74 17",
        "01 03 06 02 2B 00 00 00 64 05 7A",
        "01 03 0B B8 00 02 46 0A",
        "01 83 02 C0 F1",
    ],
)
def test_unframes_what_manuals_print(frame: str) -> None:
    # Secondary restatements: a text copy of the protocol and an instrument manual;
    # crccheck 1.3.1 and pymodbus 3.16.1 agree with each.
    adu = bytes.fromhex(frame)
    assert rtu_unframe(adu) == (adu[0], adu[1:-2])


@pytest.mark.parametrize("frame", ["01 03 00 6B 00 03 76 87", "01 03 04 40 C3 52 93 62 C8"])
def test_refuses_frames_printed_with_a_wrong_crc(frame: str) -> None:
    # Misprints in the same secondary texts; crccheck 1.3.1 says 74 17 and 62 C2.
    with pytest.raises(DecodeError, match=r"checksum of a frame of [0-9]+ bytes does not hold"):
        rtu_unframe(bytes.fromhex(frame))


def test_refuses_a_frame_of_three_bytes() -> None:
    with pytest.raises(DecodeError, match="has 4 to 256 bytes, this one has 3"):
        rtu_unframe(b"\x11\x03\x06")


def test_published_vectors(reference: Path) -> None:
    for vector in json.loads((reference / "modbus-vectors.json").read_text("utf-8")):
        for way in ("req", "rsp"):
            pdu = bytes.fromhex(vector[f"{way}_pdu"])
            for unit in (1, 17):
                frame = bytes.fromhex(vector[f"{way}_adu_unit{unit}"])
                assert rtu_frame(unit, pdu) == frame, vector["name"]
                assert rtu_unframe(frame) == (unit, pdu), vector["name"]


def test_tcp_frame_of_the_messaging_guide() -> None:
    # MODBUS Messaging on TCP/IP V1.0b, the example of its ADU: transaction 15 01, protocol 0,
    # length 6, unit FF, read holding register 5 (zero-based 4), from memory.
    frame = bytes.fromhex("150100000006ff0300040001")
    assert tcp_frame(0x1501, 0xFF, bytes.fromhex("0300040001")) == frame
    assert tcp_header(frame[:7]) == (0x1501, 6, 0xFF)


@pytest.mark.parametrize(
    ("head", "sentence"),
    [
        ("15010000", "only 4 came"),
        ("15010001000611", "spoke protocol 1"),
        ("15010000000111", "this one 1"),
        ("150100000fff11", "this one 4095"),
    ],
)
def test_refuses_tcp_headers(head: str, sentence: str) -> None:
    with pytest.raises(DecodeError, match=sentence):
        tcp_header(bytes.fromhex(head))


def test_finds_the_answer() -> None:
    found = find_answer(GOOD, READ.expected())
    assert found.answer == (0, 11, GOOD_PDU)
    assert (found.keep_from, found.may_grow, found.noise, found.echoes) == (11, False, 0, 0)


@given(noise_bytes, noise_bytes)
def test_noise_around_an_answer_changes_nothing(before: bytes, after: bytes) -> None:
    # Noise that by itself holds or begins an answer is another case, tried below.
    if b"\x11" in before:
        before = before.replace(b"\x11", b"\x12")
    found = find_answer(before + GOOD + after, READ.expected())
    assert found.answer == (len(before), len(before) + 11, GOOD_PDU)


@given(st.integers(0, 87))
def test_one_wrong_bit_is_no_answer(bit: int) -> None:
    # A CRC-16 finds every single bit error.
    number = int.from_bytes(GOOD, "big") ^ 1 << bit
    assert find_answer(number.to_bytes(11, "big"), READ.expected()).matches == ()


@pytest.mark.parametrize(
    "frame",
    [
        "12 03 06 02 2b 00 00 00 64",  # another unit
        "11 04 06 02 2b 00 00 00 64",  # another function
        "11 03 04 02 2b 00 00",  # another byte count
        "11 03 08 02 2b 00 00 00 64 00 00",
        "12 83 02",  # another unit's exception
        "11 84 02",  # another function's exception
        "11 03 02 2b 00 00 00 64",  # no byte count
    ],
)
def test_a_good_frame_that_answers_something_else_is_no_answer(frame: str) -> None:
    found = find_answer(other_frame(frame), READ.expected())
    assert found.matches == ()
    assert not found.may_grow
    assert found.noise == len(bytes.fromhex(frame)) + 2


def test_finds_an_exception() -> None:
    found = find_answer(REFUSAL, READ.expected())
    assert found.answer is not None
    assert found.answer.is_exception
    assert found.answer.pdu == b"\x83\x02"


@given(st.integers(0, 10), noise_bytes)
def test_a_part_of_an_answer_is_kept_until_the_rest_comes(cut: int, noise: bytes) -> None:
    noise = noise.replace(b"\x11", b"\x12")
    first = find_answer(noise + GOOD[:cut], READ.expected())
    assert first.matches == ()
    assert first.keep_from == len(noise)
    assert first.may_grow is (cut > 0)
    kept = (noise + GOOD[:cut])[first.keep_from :]
    assert find_answer(kept + GOOD[cut:], READ.expected()).answer == (0, 11, GOOD_PDU)


@settings(max_examples=60)
@given(st.lists(st.integers(1, 7), max_size=20), st.binary(max_size=30))
def test_the_same_answer_however_the_bytes_are_split(cuts: list[int], noise: bytes) -> None:
    noise = noise.replace(b"\x11", b"\x12")
    stream, buffer, answer = noise + GOOD, b"", None
    sizes = [*cuts, len(stream)]
    while answer is None:
        assert stream, "the answer was lost on the way"
        size = sizes.pop(0)
        buffer, stream = buffer + stream[:size], stream[size:]
        found = find_answer(buffer, READ.expected())
        answer, buffer = found.answer, buffer[found.keep_from :] if not found.answer else buffer
    assert answer.pdu == GOOD_PDU


def test_two_answers_are_none() -> None:
    late = other_frame("11 03 06 00 01 00 02 00 03")
    for buffer in (late + GOOD, GOOD + GOOD, GOOD + REFUSAL, REFUSAL + b"\x55" + GOOD):
        found = find_answer(buffer, READ.expected())
        assert found.is_ambiguous
        assert found.answer is None
        assert len(found.matches) == 2


def test_the_beginning_of_an_answer_before_the_whole_one_is_noise() -> None:
    found = find_answer(GOOD[:5] + GOOD, READ.expected())
    assert found.answer == (5, 16, GOOD_PDU)
    assert found.noise == 5


def test_a_frame_inside_the_values_is_only_values() -> None:
    # Registers may hold anything, also the bytes of this very station's refusal.
    request = ReadRequest(17, Table.HOLDING, 0, 4)
    frame = with_crc(b"\x11\x03\x08" + REFUSAL + b"\x00\x00\x07")
    found = find_answer(frame, request.expected())
    assert found.answer == (0, 13, frame[1:-2])


def test_a_refusal_inside_an_unfinished_answer_is_not_believed() -> None:
    request = ReadRequest(17, Table.HOLDING, 0, 4)
    frame = with_crc(b"\x11\x03\x08" + REFUSAL + b"\x00\x00\x07")
    for size in range(8, 13):
        found = find_answer(frame[:size], request.expected())
        assert found.matches == ()
        assert found.keep_from == 0


def test_a_beginning_inside_the_answer_does_not_hide_what_follows() -> None:
    # The last register holds unit, function and byte count: data, not a new frame.
    request = ReadRequest(17, Table.HOLDING, 0, 4)
    frame = with_crc(bytes.fromhex("11 03 08 00 01 00 02 00 11 03 08"))
    found = find_answer(frame + REFUSAL, request.expected())
    assert found.is_ambiguous


def test_the_echo_of_a_read_is_counted_and_no_answer() -> None:
    echo = READ.expected().request
    alone = find_answer(echo, READ.expected())
    assert (alone.matches, alone.echoes, alone.noise) == ((), 1, 0)
    both = find_answer(echo + GOOD, READ.expected())
    assert both.answer == (8, 19, GOOD_PDU)
    assert both.echoes == 1


def test_an_echo_that_looks_like_an_answer_is_an_echo() -> None:
    # Read 24 coils from 0x0355: its third byte reads as "3 bytes follow", its length fits,
    # its CRC holds. Nothing but its being our own request gives it away.
    request = ReadRequest(17, Table.COIL, 0x0355, 24)
    echo = request.expected().request
    assert len(echo) == request.answer_length
    found = find_answer(echo, request.expected())
    assert (found.matches, found.echoes) == ((), 1)
    real = other_frame("11 01 03 cd 6b 05")
    assert find_answer(echo + real, request.expected()).answer == (8, 16, real[1:-2])


def test_where_an_echo_is_known_only_what_follows_it_counts() -> None:
    echo = READ.expected().request
    late = other_frame("11 03 06 00 01 00 02 00 03")
    assert find_answer(late, READ.expected(), local_echo=True).matches == ()
    assert find_answer(echo, READ.expected(), local_echo=True).matches == ()
    found = find_answer(late + echo + GOOD, READ.expected(), local_echo=True)
    assert found.answer == (19, 30, GOOD_PDU)


def test_the_kept_part_holds_a_known_echo() -> None:
    echo = READ.expected().request
    for size in range(1, 19):
        begun = b"\x55\x55" + (echo + GOOD)[:size]
        found = find_answer(begun, READ.expected(), local_echo=True)
        assert found.keep_from == 2
        rest = begun[2:] + (echo + GOOD)[size:]
        assert find_answer(rest, READ.expected(), local_echo=True).answer == (8, 19, GOOD_PDU)


def test_the_answer_to_function_5_is_the_request_byte_for_byte() -> None:
    assert SET_COIL.expected().request == SET_COIL_FRAME
    assert find_answer(SET_COIL_FRAME, SET_COIL.expected()).answer is not None
    twice = find_answer(2 * SET_COIL_FRAME, SET_COIL.expected())
    assert twice.is_ambiguous


def test_a_known_echo_of_function_5_confirms_nothing() -> None:
    alone = find_answer(SET_COIL_FRAME, SET_COIL.expected(), local_echo=True)
    assert alone.matches == ()
    both = find_answer(2 * SET_COIL_FRAME, SET_COIL.expected(), local_echo=True)
    assert both.answer == (8, 16, SET_COIL_FRAME[1:-2])


@pytest.mark.parametrize("fields", ["05 00 ad ff 00", "05 00 ac 00 00", "06 00 ac ff 00"])
def test_another_writes_answer_confirms_nothing(fields: str) -> None:
    assert find_answer(other_frame("11" + fields), SET_COIL.expected()).matches == ()


def test_a_long_buffer_is_searched_once() -> None:
    # 100 000 bytes that begin an answer at every third offset, the worst there is: each
    # beginning costs one checksum of 11 bytes, and only the last few may still grow.
    flood = 33_334 * bytes.fromhex("110306")
    found = find_answer(flood, READ.expected())
    assert found.matches == ()
    assert len(flood) - 11 < found.keep_from < len(flood)
    assert find_answer(flood + GOOD, READ.expected()).answer == (100_002, 100_013, GOOD_PDU)


@given(st.binary(max_size=200))
def test_any_bytes_give_an_answer_only_where_a_frame_lies(buffer: bytes) -> None:
    found = find_answer(buffer, READ.expected())
    for match in found.matches:
        assert rtu_unframe(buffer[match.start : match.end]) == (17, match.pdu)
    assert 0 <= found.noise <= found.keep_from <= len(buffer)
    assert found.may_grow is (found.keep_from < len(buffer))
