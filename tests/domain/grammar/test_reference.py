import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.grammar.mistakes import UnfitError
from tallymast.domain.grammar.reference import notation, place_of
from tallymast.domain.model import Table


# Common practice, no published source: the first digit names the table, the rest counts from 1.
@pytest.mark.parametrize(
    ("reference", "table", "register"),
    [
        (1, Table.COIL, 0),
        ("00001", Table.COIL, 0),
        (9999, Table.COIL, 9998),
        (10001, Table.DISCRETE, 0),
        (30005, Table.INPUT, 4),
        (40001, Table.HOLDING, 0),
        (49999, Table.HOLDING, 9998),
        (300005, Table.INPUT, 4),
        (400001, Table.HOLDING, 0),
        (465536, Table.HOLDING, 65535),
        ("010000", Table.COIL, 9999),
        ("065536", Table.COIL, 65535),
        (110000, Table.DISCRETE, 9999),
    ],
)
def test_reads_references_as_manuals_write_them(
    reference: int | str, table: Table, register: int
) -> None:
    assert place_of(reference) == (table, register)


@pytest.mark.parametrize(
    "reference",
    [
        0,
        -30005,
        20001,
        50001,
        30000,
        40000,
        465537,
        400000,
        1234567,
        30005.0,
        True,
        "4x0001",
        "4",
        "٣٠٠٠٥",
    ],
)
def test_refuses_what_is_no_reference(reference: object) -> None:
    with pytest.raises(UnfitError, match="40001 for holding"):
        place_of(reference)


@pytest.mark.parametrize(
    ("table", "register", "written"),
    [
        (Table.COIL, 0, "00001"),
        (Table.INPUT, 4, "30005"),
        (Table.HOLDING, 9998, "49999"),
        (Table.HOLDING, 9999, "410000"),
        (Table.DISCRETE, 65535, "165536"),
    ],
)
def test_writes_five_digits_where_they_suffice(table: Table, register: int, written: str) -> None:
    assert notation(table, register) == written


@given(st.sampled_from(Table), st.integers(0, 65535))
def test_a_written_place_is_read_as_the_same_place(table: Table, register: int) -> None:
    assert place_of(notation(table, register)) == (table, register)
