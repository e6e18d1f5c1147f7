"""Reads and writes addresses the way people and manuals do: 30005, 400013.

The first digit names the table, the rest counts from 1; on the wire the table follows from the
function and registers count from 0.
"""

from typing import Any

from tallymast.domain.grammar.mistakes import UnfitError, shown
from tallymast.domain.model import Table

_TABLES = {0: Table.COIL, 1: Table.DISCRETE, 3: Table.INPUT, 4: Table.HOLDING}
_DIGITS = {table: digit for digit, table in _TABLES.items()}
_EXPECTED = (
    "write 1 to 9999 for coils, 10001 for discretes, 30001 for input and 40001 for holding"
    " registers, or the six-digit form 300001"
)


def place_of(reference: Any) -> tuple[Table, int]:
    """Return table and zero-based register of a reference.

    Args:
        reference: a whole number, or text of 5 or 6 digits where a leading 0 matters.

    Raises:
        UnfitError: not a reference; the text says what is.

    Source: common practice, no published source; the first digits are those of the tables of
    MODBUS Application Protocol V1.1b3 §4.4 as older register lists number them.

    """
    digits = _digits(reference)
    table = _TABLES.get(int(digits[0]))
    number = int(digits[1:])
    highest = 9999 if len(digits) == 5 else 65536
    if table is None or not 1 <= number <= highest:
        raise UnfitError(f"{shown(reference)} is not a register reference; {_EXPECTED}.")
    return (table, number - 1)


def notation(table: Table, register: int) -> str:
    """Return an address in the 30001 style: 5 digits where they suffice, else 6.

    Args:
        table: the Modbus table.
        register: zero-based, 0..65535.

    """
    width = 4 if register < 9999 else 5
    return f"{_DIGITS[table]}{register + 1:0{width}d}"


def _digits(reference: Any) -> str:
    if isinstance(reference, bool) or not isinstance(reference, int | str):
        raise UnfitError(f"{shown(reference)} is not a register reference; {_EXPECTED}.")
    digits = reference if isinstance(reference, str) else f"{reference:05d}"
    if len(digits) not in (5, 6) or not (digits.isascii() and digits.isdigit()):
        raise UnfitError(f"{shown(reference)} is not a register reference; {_EXPECTED}.")
    return digits
