"""Requests and answers against the worked examples of the protocol and against pymodbus."""

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.pdu import DecodePDU
from pymodbus.pdu import bit_message as bits
from pymodbus.pdu import register_message as registers
from pymodbus.pdu.pdu import ModbusPDU

from tallymast.domain.errors import DecodeError
from tallymast.domain.modbus.frames import find_answer, rtu_unframe
from tallymast.domain.modbus.requests import (
    Answer,
    ReadRequest,
    Request,
    WriteRequest,
    parse_answer,
)
from tallymast.domain.model import Table, WriteTarget


def write(function: int, register: int, *values: int, unit: int = 1) -> WriteRequest:
    table = Table.COIL if function in (5, 15) else Table.HOLDING
    return WriteRequest(unit, WriteTarget(table, register, function), values)


# MODBUS Application Protocol V1.1b3 §6.1 to 6.6, 6.11, 6.12: the worked example of each
# function, as (our request, request PDU, answer PDU).
EXAMPLES: dict[str, tuple[Request, str, str]] = {
    "FC01": (ReadRequest(1, Table.COIL, 19, 19), "0100130013", "0103cd6b05"),
    "FC02": (ReadRequest(1, Table.DISCRETE, 196, 22), "0200c40016", "0203acdb35"),
    "FC03": (ReadRequest(1, Table.HOLDING, 107, 3), "03006b0003", "0306022b00000064"),
    "FC04": (ReadRequest(1, Table.INPUT, 8, 1), "0400080001", "0402000a"),
    "FC05": (write(5, 172, 1), "0500acff00", "0500acff00"),
    "FC06": (write(6, 1, 3), "0600010003", "0600010003"),
    # §6.11: coils 20 to 29 from CD 01, lowest bit first: 1100 1101 0000 0001 backwards.
    "FC0F": (write(15, 19, 1, 0, 1, 1, 0, 0, 1, 1, 1, 0), "0f0013000a02cd01", "0f0013000a"),
    "FC10": (write(16, 1, 0x000A, 0x0102), "100001000204000a0102", "1000010002"),
}
# What the answers hold, from the text of the same examples; bits packed into words, the
# lowest address in bit 0, high byte first.
WORDS = {
    "FC01": "6bcd0005",  # coils 20-27 = CD, 28-35 = 6B, 36-38 = 05
    "FC02": "dbac0035",  # inputs 197-204 = AC, 205-212 = DB, 213-218 = 35
    "FC03": "022b00000064",  # 555, 0, 100
    "FC04": "000a",  # 10
}


@pytest.mark.parametrize("name", EXAMPLES)
def test_requests_of_the_protocol(name: str) -> None:
    request, pdu, _ = EXAMPLES[name]
    assert request.pdu().hex() == pdu


@pytest.mark.parametrize("name", EXAMPLES)
def test_answers_of_the_protocol(name: str) -> None:
    request, _, answer = EXAMPLES[name]
    assert parse_answer(request, bytes.fromhex(answer)).words.hex() == WORDS.get(name, "")
    assert request.answer_length == len(bytes.fromhex(answer)) + 3


def test_exception_of_the_protocol() -> None:
    # §7: read coil 1186 of a station that has none answers 81 02.
    request = ReadRequest(1, Table.COIL, 0x04A1, 1)
    assert request.pdu().hex() == "0104a10001"
    assert parse_answer(request, b"\x81\x02") == Answer(b"", 2)


def test_published_vectors(reference: Path) -> None:
    vectors = json.loads((reference / "modbus-vectors.json").read_text("utf-8"))
    for vector in vectors:
        name = vector["name"].split()[0]
        if name not in EXAMPLES:
            continue
        request = EXAMPLES[name][0]
        assert request.expected().request.hex() == vector["req_adu_unit1"], vector["name"]
        found = find_answer(bytes.fromhex(vector["rsp_adu_unit1"]), request.expected())
        assert found.answer is not None, vector["name"]
        assert found.answer.pdu.hex() == vector["rsp_pdu"]


units = st.integers(1, 247)
values = st.integers(0, 0xFFFF)
reads = st.one_of(
    st.builds(
        ReadRequest,
        units,
        st.sampled_from([Table.COIL, Table.DISCRETE]),
        st.integers(0, 60_000),
        st.integers(1, 2000),
    ),
    st.builds(
        ReadRequest,
        units,
        st.sampled_from([Table.INPUT, Table.HOLDING]),
        st.integers(0, 60_000),
        st.integers(1, 125),
    ),
)
BIT_ANSWERS = {1: bits.ReadCoilsResponse, 2: bits.ReadDiscreteInputsResponse}
WORD_ANSWERS = {3: registers.ReadHoldingRegistersResponse, 4: registers.ReadInputRegistersResponse}


def pdu_of(message: ModbusPDU) -> bytes:
    return bytes((message.function_code,)) + message.encode()


@given(reads)
def test_a_second_library_reads_the_same_request(request: ReadRequest) -> None:
    seen = DecodePDU(True).decode(request.pdu())
    assert seen is not None
    assert (seen.function_code, seen.address, seen.count) == (
        request.function,
        request.start,
        request.count,
    )


@given(reads, st.randoms(use_true_random=False))
def test_reads_what_a_second_library_answers(request: ReadRequest, chance) -> None:  # type: ignore[no-untyped-def]
    if request.table.holds_bits:
        sent = [bool(chance.getrandbits(1)) for _ in range(request.count)]
        pdu = pdu_of(BIT_ANSWERS[request.function](bits=sent))
    else:
        sent = [chance.getrandbits(16) for _ in range(request.count)]
        pdu = pdu_of(WORD_ANSWERS[request.function](registers=sent))
    words = parse_answer(request, pdu).words
    whole = [int.from_bytes(words[n : n + 2], "big") for n in range(0, len(words), 2)]
    if request.table.holds_bits:
        whole = [bool(whole[n // 16] >> n % 16 & 1) for n in range(request.count)]
    assert whole == sent


@given(st.lists(st.booleans(), min_size=1, max_size=1968))
def test_a_second_library_reads_the_bits_we_write(sent: list[bool]) -> None:
    seen = DecodePDU(True).decode(write(15, 7, *map(int, sent)).pdu())
    assert seen is not None
    assert seen.address == 7
    assert seen.bits[: len(sent)] == sent


@given(st.lists(values, min_size=1, max_size=123))
def test_a_second_library_reads_the_registers_we_write(sent: list[int]) -> None:
    seen = DecodePDU(True).decode(write(16, 7, *sent).pdu())
    assert seen is not None
    assert (seen.address, seen.registers) == (7, sent)


def test_switching_a_coil_off() -> None:
    # Application Protocol V1.1b3 §6.5: FF00 is on, 0000 is off, nothing else is allowed.
    assert write(5, 172, 0).pdu().hex() == "0500ac0000"


def test_unused_bits_of_the_last_byte_are_no_values() -> None:
    request = ReadRequest(1, Table.COIL, 19, 19)
    assert parse_answer(request, bytes.fromhex("0103cd6bfd")).words.hex() == "6bcd0005"


@pytest.mark.parametrize("pdu", ["", "03", "0304022b0000", "0406022b00000064", "8402", "830200"])
def test_refuses_what_does_not_answer(pdu: str) -> None:
    request = ReadRequest(9, Table.HOLDING, 107, 3)
    with pytest.raises(DecodeError, match=r"Unit 9: .* do not answer function 3 for 3 addresses"):
        parse_answer(request, bytes.fromhex(pdu))


def test_shapes_are_what_an_answer_cannot_tell() -> None:
    # 17 and 24 coils both come in three bytes; start and count are in no read answer.
    seventeen, more = ReadRequest(1, Table.COIL, 5, 17), ReadRequest(1, Table.COIL, 900, 24)
    assert seventeen.shape == more.shape
    assert seventeen.identity != more.identity
    assert ReadRequest(1, Table.COIL, 5, 16).shape != seventeen.shape
    assert ReadRequest(1, Table.DISCRETE, 5, 17).shape != seventeen.shape
    assert ReadRequest(2, Table.COIL, 5, 17).shape != seventeen.shape


def test_shapes_of_writes_are_the_echoed_fields() -> None:
    # Functions 15 and 16 echo start and count, not the values; 5 and 6 echo the value.
    assert write(16, 1, 5, 6).shape == write(16, 1, 7, 8).shape
    assert write(16, 1, 5).shape != write(16, 2, 5).shape
    assert write(6, 1, 5).shape != write(6, 1, 6).shape
    assert write(5, 1, 0).shape != write(5, 1, 1).shape


@given(st.one_of(reads, st.builds(write, st.just(16), st.integers(0, 9), values, values)))
def test_the_expected_frame_fits_the_request(request: Request) -> None:
    expected = request.expected()
    assert rtu_unframe(expected.request) == (request.unit, request.pdu())
    assert expected.head[:2] == bytes((request.unit, request.function))
    assert len(expected.head) + 2 <= expected.length == request.answer_length <= 256


@pytest.mark.parametrize(
    ("unit", "table", "start", "count", "sentence"),
    [
        (0, Table.INPUT, 0, 1, "unit address is 1 to 247, not 0"),
        (248, Table.INPUT, 0, 1, "not 248"),
        (1, Table.INPUT, 0, 0, "holds 1 to 125 addresses, not 0"),
        (1, Table.HOLDING, 0, 126, "not 126"),
        (1, Table.COIL, 0, 2001, "holds 1 to 2000 addresses, not 2001"),
        (1, Table.INPUT, 65_536, 1, "do not fit"),
        (1, Table.INPUT, 65_530, 7, "7 from 65530 on do not fit"),
        (1, Table.INPUT, -1, 1, "1 from -1 on do not fit"),
    ],
)
def test_refuses_reads_no_request_can_hold(
    unit: int, table: Table, start: int, count: int, sentence: str
) -> None:
    with pytest.raises(ValueError, match=sentence):
        ReadRequest(unit, table, start, count)


@pytest.mark.parametrize(
    ("table", "function", "given_values", "sentence"),
    [
        (Table.HOLDING, 5, (1,), "Function 5 does not write the holding table"),
        (Table.INPUT, 16, (1,), "does not write the input table"),
        (Table.COIL, 3, (1,), "Function 3 does not write"),
        (Table.COIL, 15, (2,), "A written coil is 0 to 1, not 2"),
        (Table.HOLDING, 6, (65_536,), "is 0 to 65535, not 65536"),
        (Table.HOLDING, 6, (1, 2), "holds 1 to 1 addresses, not 2"),
        (Table.HOLDING, 16, (), "not 0"),
        (Table.HOLDING, 16, (0,) * 124, "holds 1 to 123 addresses, not 124"),
        (Table.COIL, 15, (0,) * 1969, "holds 1 to 1968 addresses"),
    ],
)
def test_refuses_writes_no_request_can_hold(
    table: Table, function: int, given_values: tuple[int, ...], sentence: str
) -> None:
    with pytest.raises(ValueError, match=sentence):
        WriteRequest(1, WriteTarget(table, 4, function), given_values)
