"""Reads a register's address in the notations manuals use, and writes both that are shown.

What a person wrote is kept as it was meant: a reference as ``reference``, anything else as
table and zero-based register.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tallymast.domain.grammar.mistakes import UnfitError, shown
from tallymast.domain.grammar.reference import notation, place_of
from tallymast.domain.model import Table

_LAST = 65_535
# MODBUS Application Protocol V1.1b3 §6: functions 1 to 4 read coils, discrete inputs, holding
# and input registers. The words are common practice, no published source.
_WORDS: Mapping[str, Table] = {
    "coil": Table.COIL,
    "coils": Table.COIL,
    "discrete": Table.DISCRETE,
    "discretes": Table.DISCRETE,
    "discrete input": Table.DISCRETE,
    "input": Table.INPUT,
    "inputs": Table.INPUT,
    "input register": Table.INPUT,
    "holding": Table.HOLDING,
    "holding register": Table.HOLDING,
    "function 1": Table.COIL,
    "function 2": Table.DISCRETE,
    "function 3": Table.HOLDING,
    "function 4": Table.INPUT,
}
_SPELT = re.compile(r"(?P<words>[a-z][a-z ]*?(?: *0?[1-4](?=[ :,]))?)[ :,]+(?P<number>\w+)")
_DECIMAL = re.compile(r"[0-9]+")
_HEX = re.compile(r"0x[0-9a-f]+|[0-9][0-9a-f]*h")
_DIGIT_X = re.compile(r"[134]x\d+")
_NAMES = {
    Table.COIL: "coil",
    Table.DISCRETE: "discrete",
    Table.INPUT: "input register",
    Table.HOLDING: "holding register",
}


@dataclass(frozen=True, slots=True)
class Address:
    """An address as it was typed.

    Attributes:
        written: the keys of the network file: ``reference``, or ``table`` and ``register``.
        table: None where only a number was typed.
        register: zero-based, as on the wire.

    """

    written: Mapping[str, Any]
    table: Table | None
    register: int


def read_address(text: str, beside: str = "") -> Address:
    """Return the address a person typed.

    Args:
        text: as ``input 4``, ``30005``, ``300005``, ``0x0004`` or ``4``; numbers but references
            are zero-based as on the wire.
        beside: the table chosen beside it, which a bare number needs; empty for none.

    Raises:
        UnfitError: it cannot be read, or in two ways; the text says what to write.

    """
    asked = " ".join(text.lower().split())
    chosen = Table(beside) if beside in set(Table) else None
    if _DIGIT_X.fullmatch(asked):
        number = asked.partition("x")
        raise UnfitError(
            f'{shown(text)} names its table by a digit; write {number[0]}{number[2]:0>4} or "input'
            ' 4", with the number as on the wire.'
        )
    if _DECIMAL.fullmatch(asked):
        return _number(asked, chosen)
    if _HEX.fullmatch(asked):
        return _spelt(chosen, _value(asked, text))
    found = _SPELT.fullmatch(asked)
    table = _WORDS.get(_plain(found["words"])) if found else None
    if found is None or table is None:
        raise UnfitError(
            f'{shown(text)} is no register; write "input 4" with coil, discrete, input or holding,'
            " or a reference as 30005."
        )
    if chosen not in (None, table):
        raise UnfitError(f"{shown(text)} is in {table}, but {chosen} is chosen beside; keep one.")
    return _spelt(table, _value(found["number"], text))


def address_text(body: Mapping[str, Any]) -> tuple[str, str]:
    """Return what the two inputs show of an address: its text and the table beside it."""
    if "reference" in body:
        reference = body["reference"]
        is_number = isinstance(reference, int) and not isinstance(reference, bool)
        return (f"{reference:05d}" if is_number else str(reference)), ""
    table, register = body.get("table"), body.get("register")
    if register is None:
        return "", "" if table is None else str(table)
    return (f"{table} {register}" if table is not None else str(register)), ""


def both(table: Table, register: int) -> str:
    """Return an address in both notations, in words."""
    return (
        f"{_NAMES[table]} {register} on the wire, {notation(table, register)} in lists numbered"
        " from 1"
    )


def both_of(body: Mapping[str, Any]) -> str:
    """Return a written address in both notations; empty where it is none yet."""
    try:
        if "reference" in body:
            return both(*place_of(body["reference"]))
        table, register = Table(body["table"]), body["register"]
    except (UnfitError, KeyError, ValueError):
        return ""
    is_sound = isinstance(register, int) and 0 <= register <= _LAST
    return both(table, register) if is_sound else ""


def _number(digits: str, chosen: Table | None) -> Address:
    """Read a bare decimal number: a reference where it can be one, else zero-based."""
    try:
        table, register = place_of(digits)
    except UnfitError:
        return _spelt(chosen, int(digits))
    if chosen not in (None, table) and int(digits) > _LAST:
        raise UnfitError(f"{digits} is in {table}, but {chosen} is chosen beside; keep one.")
    if chosen not in (None, table):
        raise UnfitError(
            f"{digits} can be read in two ways: as a reference it is {both(table, register)};"
            f' on the wire it would be "{chosen} {int(digits)}". Write the one you mean.'
        )
    # A reference of five digits is the same number without its leading 0; six digits are not.
    short = len(digits) == 5 or digits[0] != "0"
    return Address({"reference": int(digits) if short else digits}, table, register)


def _spelt(table: Table | None, register: int) -> Address:
    if register > _LAST:
        raise UnfitError(f"{register} is outside 0 to {_LAST}.")
    if table is None:
        return Address({"register": register}, None, register)
    return Address({"table": str(table), "register": register}, table, register)


def _value(number: str, text: str) -> int:
    if _DECIMAL.fullmatch(number):
        return int(number)
    if _HEX.fullmatch(number):
        return int(number.removesuffix("h"), 16)
    raise UnfitError(f"{shown(text)} has no number; write it as 4, or as 0x0004.")


def _plain(words: str) -> str:
    """Return the words of a table without what only decorates them."""
    plain = re.sub(r"^(?:function code|fc|function) *0?(?=[1-4]$)", "function ", words)
    return plain.removesuffix("s") if plain.endswith("registers") else plain
