"""Registers in every notation manuals use, and both notations back."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.grammar.mistakes import UnfitError
from tallymast.domain.model import Table
from tallymast.domain.setup.addresses import address_text, both, both_of, read_address

# common practice, no published source: the first digit of a reference names the table (0 coil,
# 1 discrete, 3 input, 4 holding) and the rest counts from 1; on the wire registers count from 0
# (MODBUS Application Protocol V1.1b3 §4.4).


@pytest.mark.parametrize(
    ("text", "beside", "table", "register"),
    [
        ("input 4", "", Table.INPUT, 4),
        ("Input Register 4", "", Table.INPUT, 4),
        ("holding registers 12", "", Table.HOLDING, 12),
        ("30005", "", Table.INPUT, 4),
        ("300005", "", Table.INPUT, 4),
        ("465536", "", Table.HOLDING, 65_535),
        ("00005", "", Table.COIL, 4),
        ("10001", "", Table.DISCRETE, 0),
        ("30005", "input", Table.INPUT, 4),
        ("4", "holding", Table.HOLDING, 4),
        ("0x0010", "input", Table.INPUT, 16),
        ("10h", "input", Table.INPUT, 16),
        ("holding 0xFF", "", Table.HOLDING, 255),
        ("holding 40001", "", Table.HOLDING, 40_001),
        # MODBUS Application Protocol V1.1b3 §6.1 to §6.4: 01 coils, 02 discrete inputs,
        # 03 holding registers, 04 input registers.
        ("FC04 4", "", Table.INPUT, 4),
        ("function 03: 12", "", Table.HOLDING, 12),
        ("function code 2, 7", "", Table.DISCRETE, 7),
    ],
)
def test_usual_notations_are_read(text: str, beside: str, table: Table, register: int) -> None:
    found = read_address(text, beside)
    assert (found.table, found.register) == (table, register)


def test_what_was_written_as_a_reference_stays_one() -> None:
    assert read_address("30005").written == {"reference": 30005}
    assert read_address("00005").written == {"reference": 5}
    assert read_address("000005").written == {"reference": "000005"}
    assert read_address("input 4").written == {"table": "input", "register": 4}


def test_a_bare_number_has_no_table_of_its_own() -> None:
    found = read_address("4")
    assert found.table is None
    assert found.written == {"register": 4}


@pytest.mark.parametrize(
    ("text", "beside", "told"),
    [
        ("30005", "holding", "can be read in two ways"),
        ("300005", "holding", "is in input, but holding is chosen beside"),
        ("input 4", "coil", "keep one"),
        ("4x5", "", "write 40005"),
        ("input 70000", "", "outside 0 to 65535"),
        ("register", "", 'write "input 4"'),
        ("relay 4", "", 'write "input 4"'),
        ("input four", "", "has no number"),
    ],
)
def test_what_cannot_be_read_says_what_can(text: str, beside: str, told: str) -> None:
    with pytest.raises(UnfitError, match=told):
        read_address(text, beside)


def test_both_notations_are_said() -> None:
    said = "input register 4 on the wire, 30005 in lists numbered from 1"
    assert both(Table.INPUT, 4) == said
    assert both_of({"reference": 30005}) == said
    assert both_of({"table": "input", "register": 4}) == said
    # Beyond 9999 five digits do not suffice.
    assert "410000 in lists" in both(Table.HOLDING, 9_999)


@pytest.mark.parametrize("body", [{}, {"table": "input"}, {"reference": 7e6}, {"register": 4}])
def test_what_is_no_address_yet_is_not_said(body: dict[str, object]) -> None:
    assert both_of(body) == ""


@given(st.sampled_from(list(Table)), st.integers(0, 65_535))
def test_an_address_is_shown_as_it_is_read(table: Table, register: int) -> None:
    written = {"table": str(table), "register": register}
    assert read_address(*address_text(written)).written == written


@given(st.sampled_from("0134"), st.integers(1, 65_536))
def test_a_reference_is_shown_as_it_is_read(digit: str, number: int) -> None:
    text = f"{digit}{number:04d}" if number < 9_999 else f"{digit}{number:05d}"
    written = read_address(text).written
    assert address_text(written) == (text, "")
