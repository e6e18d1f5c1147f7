"""Turns the values of a network's keys into the cells of a table, and cells into values.

A cell is text: a spreadsheet's numbers and days have become text before. What does not fit is
told in a sentence about the cell; what a value means is checked by the network's grammar.
"""

import json
import re
from collections.abc import Mapping
from datetime import date
from enum import Enum
from typing import Any, Final

from tallymast.domain.grammar.mistakes import UnfitError, plain, shown

ERRORS: Final = frozenset(  # ECMA-376 part 1, 18.18.11 names most of them
    ("#REF!", "#N/A", "#VALUE!", "#DIV/0!", "#NAME?", "#NUM!", "#NULL!", "#SPILL!", "#CALC!")
)
_NUMBER = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?")
_SAFE = re.compile(r"'[=+\-@\t\r]")  # how files/sheets.py makes a text harmless
_FLAGS = {"true": True, "yes": True, "false": False, "no": False}
_MINUS, _LONGEST = "\u2212", 60


class Kind(Enum):
    """What a column's cells hold."""

    TEXT = "text"
    REFERENCE = "reference"
    WHOLE = "whole"
    NUMBER = "number"
    FLAG = "flag"
    DAY_OF_YEAR = "day of the year"
    PAIR = "pair"
    WORDS = "words"
    LINES = "lines"


def cell_of(value: Any, kind: Kind) -> str | float | int | None:
    """Return what a table says of a value: a number where it is one, else text; None for none."""
    if value is None:
        return None
    if isinstance(value, int | float) and not isinstance(value, bool):
        return value
    return text_of(value, kind)


def text_of(value: Any, kind: Kind) -> str:
    """Return a value as its cell's text."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return plain(value)
    if isinstance(value, list):
        return _list_text(value, kind)
    return str(value)


def _list_text(value: list[Any], kind: Kind) -> str:
    texts = [text_of(one, kind) for one in value]
    joint = {Kind.PAIR: " to ", Kind.WORDS: " | ", Kind.LINES: "\n"}[kind]
    if any(joint.strip(" ") in text or not text.strip() for text in texts):
        return json.dumps(value, ensure_ascii=False)
    return joint.join(texts)


def is_same(cell: str, value: Any, kind: Kind, comma: bool) -> bool:
    """Whether a cell says what is written already.

    Args:
        cell: as it stands in the table.
        value: what is written; None where the key is not.
        kind: of its column.
        comma: whether numbers may have a decimal comma.

    """
    told = text_of(value, kind).replace("\r\n", "\n").replace("\r", "\n")
    found = cell.replace("\r\n", "\n").replace("\r", "\n")
    if told in (found, harmless_no_more(found)) or told.strip() == found.strip() == "":
        return True
    if kind in (Kind.TEXT, Kind.LINES):
        return False
    try:
        return bool(value_of(cell, kind, comma) == value)
    except UnfitError:
        return False


def harmless_no_more(cell: str) -> str:
    """Return a text without the apostrophe that keeps it from being taken for a formula."""
    return cell[1:] if _SAFE.match(cell) else cell


def value_of(cell: str, kind: Kind, comma: bool) -> Any:
    """Return the value of a cell that is not empty.

    Raises:
        UnfitError: the cell does not hold what its column does; the text says what is wrong.

    """
    text = harmless_no_more(cell.replace("\r\n", "\n").replace("\r", "\n")).strip()
    if text in ERRORS:
        raise UnfitError(f"The spreadsheet shows the error {text} here; mend it there or here.")
    return _READERS[kind](text, comma)


def _text(text: str, comma: bool) -> str:
    return text


def _reference(text: str, comma: bool) -> str | int:
    """A leading 0 matters in six digits; in fewer a spreadsheet has often dropped it."""
    return int(text) if re.fullmatch(r"[1-9]\d{0,5}", text) else text


def _number(text: str, comma: bool) -> float | int:
    found = text.replace(_MINUS, "-")
    if not _NUMBER.fullmatch(found):
        hint = "; write it without unit, gap or thousands" if re.match(r"[+-]?\d", found) else ""
        raise UnfitError(f"{_shown(text)} is not a number{hint}.")
    if "," in found and not comma:
        raise UnfitError(
            f"{_shown(text)} has a comma; where commas or tabs part the cells, and in a"
            " spreadsheet's text, a number takes a decimal point."
        )
    found = found.replace(",", ".")
    is_whole = re.fullmatch(r"[+-]?\d+", found) is not None
    if len(found) > 40:
        raise UnfitError(f"{_shown(text)} has too many digits.")
    return int(found) if is_whole else float(found)


def _whole(text: str, comma: bool) -> int:
    number = _number(text, comma)
    if isinstance(number, float) and not number.is_integer():
        raise UnfitError(f"{_shown(text)} is not a whole number.")
    return int(number)


def _flag(text: str, comma: bool) -> bool:
    if text.lower() not in _FLAGS:
        raise UnfitError(f"{_shown(text)} is neither true nor false.")
    return _FLAGS[text.lower()]


def _day_of_year(text: str, comma: bool) -> str:
    """A spreadsheet makes a whole day of 11-01; its year is passed over."""
    try:
        return f"{date.fromisoformat(text):%m-%d}"
    except ValueError:
        return text


def _pair(text: str, comma: bool) -> list[float | int]:
    parts = re.split(r"\s+to\s+|\s*[;…]\s*|\s*\.\.+\s*", text.strip("[]() "))
    if len(parts) != 2 and not comma:
        parts = text.strip("[]() ").split(",")
    if len(parts) != 2:
        raise UnfitError(f"{_shown(text)} is no scale; write its two ends, as 4000 to 20000.")
    return [_number(part.strip(), comma) for part in parts]


def _words(text: str, comma: bool) -> list[str]:
    parts = _from_json(text) or [part.strip() for part in re.split(r"\s*[|\n]\s*", text)]
    if len(parts) != 2:
        raise UnfitError(f"{_shown(text)} are no two words; write shut | open, for 0 and for 1.")
    return parts


def _lines(text: str, comma: bool) -> list[str]:
    return _from_json(text) or [line.strip() for line in text.split("\n") if line.strip()]


def _from_json(text: str) -> list[str]:
    """Return the texts of a list in brackets, empty where it is none."""
    if not text.startswith("["):
        return []
    try:
        found = json.loads(text)
    except ValueError:
        return []
    is_texts = isinstance(found, list) and all(isinstance(one, str) for one in found)
    return found if is_texts else []


def _shown(text: str) -> str:
    return shown(text if len(text) <= _LONGEST else text[:_LONGEST] + "…")


_READERS: Final[Mapping[Kind, Any]] = {
    Kind.TEXT: _text,
    Kind.REFERENCE: _reference,
    Kind.WHOLE: _whole,
    Kind.NUMBER: _number,
    Kind.FLAG: _flag,
    Kind.DAY_OF_YEAR: _day_of_year,
    Kind.PAIR: _pair,
    Kind.WORDS: _words,
    Kind.LINES: _lines,
}
