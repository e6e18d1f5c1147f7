"""Checks one written value at a time: text, numbers in a range, choices, days, pairs.

Each function here makes a check: a callable that returns the value to use or raises
UnfitError with the sentence a person reads. What two keys mean together is decided elsewhere.
"""

import math
import re
from collections.abc import Callable, Iterable
from datetime import date
from enum import StrEnum
from typing import Any, TypeVar

from tallymast.domain.grammar.mistakes import UnfitError, choices, nearest, plain, shown
from tallymast.domain.model import Table
from tallymast.domain.zones import UnknownZoneError, find_zone

Check = Callable[[Any], Any]
Word = TypeVar("Word", bound=StrEnum)

_KEY = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_DAY_OF_YEAR = re.compile(r"\d{2}-\d{2}")
_FIRST_DAY, _LAST_DAY = date(1980, 1, 1), date(2100, 1, 1)  # ours: outside lies a mistyped year


def text(longest: int = 200) -> Check:
    """Any text up to ``longest`` characters."""

    def check(value: Any) -> str:
        if not isinstance(value, str):
            raise UnfitError(f"{shown(value)} is not text; put it in double quotes.")
        if len(value) > longest:
            raise UnfitError(f"The text has {len(value)} characters; at most {longest} fit.")
        return value

    return check


def name(longest: int = 80) -> Check:
    """Text that is not empty and has no line break: what people call a thing."""
    as_text = text(longest)

    def check(value: Any) -> str:
        found: str = as_text(value)
        if not found.strip():
            raise UnfitError("The text is empty; write at least one letter, or leave the key out.")
        if not found.isprintable():
            raise UnfitError("A line break or control character stands in it; write one line.")
        return found

    return check


def secret(longest: int = 40) -> Check:
    """One line of text that no sentence may repeat."""
    as_name = name(longest)

    def check(value: Any) -> str:
        if not isinstance(value, str):
            raise UnfitError("A code is text, so that no leading 0 is lost; put it in quotes.")
        found: str = as_name(value)
        return found

    return check


def identifier(longest: int = 40) -> Check:
    """A key or tag: letters, digits, hyphens and underscores, so that it fits into an address."""
    as_name = name(longest)

    def check(value: Any) -> str:
        found: str = as_name(value)
        if not _KEY.fullmatch(found):
            raise UnfitError(
                f"{shown(found)} has a character that does not fit; use letters a to z, digits,"
                " - and _, beginning with a letter or digit."
            )
        return found

    return check


def flag(value: Any) -> bool:
    """``true`` or ``false``."""
    if not isinstance(value, bool):
        raise UnfitError(f"{shown(value)} is neither true nor false (without quotes).")
    return value


def whole(low: int, high: int) -> Check:
    """A whole number from ``low`` to ``high``."""

    def check(value: Any) -> int:
        if isinstance(value, str):
            raise UnfitError(_quoted(value, f"a whole number from {low} to {high}"))
        if isinstance(value, bool) or not isinstance(value, int):
            raise UnfitError(f"{shown(value)} is not a whole number; {low} to {high} is expected.")
        if not low <= value <= high:
            raise UnfitError(f"{value} is outside {low} to {high}.")
        return value

    return check


def number(low: float = -math.inf, high: float = math.inf, *, above: float | None = None) -> Check:
    """A number from ``low`` to ``high``, or more than ``above``."""
    span = _span(low, high, above)

    def check(value: Any) -> float:
        found = _number(value, span)
        if not low <= found <= high or (above is not None and found <= above):
            raise UnfitError(f"{plain(value)} is outside what is possible here: {span}.")
        return found

    return check


def one_of(words: type[Word]) -> Check:
    """One word of an enumeration."""
    by_word = {str(word): word for word in words}

    def check(value: Any) -> Word:
        if not isinstance(value, str) or value not in by_word:
            raise UnfitError(_not_among(value, by_word))
        return by_word[value]

    return check


def one_word(*words: str) -> Check:
    """One of a few words."""

    def check(value: Any) -> str:
        if not isinstance(value, str) or value not in words:
            raise UnfitError(_not_among(value, words))
        return value

    return check


def day(value: Any) -> date:
    """A calendar day."""
    if not isinstance(value, str) or not _DAY.fullmatch(value):
        raise UnfitError(f"{shown(value)} is not a day; write year-month-day, as 2022-05-01.")
    try:
        found = date.fromisoformat(value)
    except ValueError as error:
        raise UnfitError(f"The calendar has no {shown(value)}; write it as 2022-05-01.") from error
    if not _FIRST_DAY <= found < _LAST_DAY:
        raise UnfitError(f"The year {found.year} is not plausible; 1980 to 2099 is expected.")
    return found


def day_of_year(value: Any) -> tuple[int, int]:
    """A day that comes every year, as (month, day)."""
    if not isinstance(value, str) or not _DAY_OF_YEAR.fullmatch(value):
        raise UnfitError(f"{shown(value)} is not a day of the year; write month-day, as 11-01.")
    try:
        found = date.fromisoformat(f"2000-{value}")
    except ValueError as error:
        raise UnfitError(f"The calendar has no {shown(value)}; write it as 11-01.") from error
    return (found.month, found.day)


def zone(value: Any) -> str:
    """A time zone's name or a fixed offset from UTC."""
    if not isinstance(value, str):
        raise UnfitError(f'{shown(value)} is not a time zone; write it as "America/Denver".')
    try:
        find_zone(value)
    except UnknownZoneError as error:
        raise UnfitError(str(error)) from error
    return value


def pair(value: Any) -> tuple[float, float]:
    """Two different numbers."""
    if not isinstance(value, list) or len(value) != 2:
        raise UnfitError("Two numbers in brackets are expected, as [0.0, 100.0].")
    first, second = (_number(one, "two numbers in brackets") for one in value)
    if first == second:
        raise UnfitError(f"Both ends are {plain(first)}; a scale needs two different numbers.")
    return (first, second)


def rising(value: Any) -> tuple[float, float]:
    """Two numbers, the lower one first."""
    if not isinstance(value, list) or len(value) != 2:
        raise UnfitError("Two numbers in brackets are expected, as [0.0, 100.0].")
    low, high = (_number(one, "two numbers in brackets") for one in value)
    if low >= high:
        raise UnfitError(f"{plain(low)} is not below {plain(high)}; write the lower one first.")
    return (low, high)


def two_words(value: Any) -> tuple[str, str]:
    """The two words of a contact: for 0, for 1."""
    if not isinstance(value, list) or len(value) != 2:
        raise UnfitError('Two words are expected, for 0 and for 1, as ["shut", "open"].')
    as_name = name(40)
    first, second = as_name(value[0]), as_name(value[1])
    if first.casefold() == second.casefold():
        raise UnfitError(f"Both words are {shown(first)}; nobody could tell 0 from 1.")
    return (first, second)


def lines(value: Any) -> tuple[str, ...]:
    """A list of short texts."""
    if not isinstance(value, list):
        raise UnfitError('A list of texts is expected, as ["open water"].')
    as_name = name(200)
    return tuple(as_name(one) for one in value)


def spare(value: Any) -> tuple[tuple[Table, int, int], ...]:
    """Ranges of undeclared registers that are safe to read through."""
    if not isinstance(value, list):
        raise UnfitError('A list of ranges is expected, as [["input", 40, 47]].')
    return tuple(_spare_range(one) for one in value)


def _spare_range(value: Any) -> tuple[Table, int, int]:
    if not isinstance(value, list) or len(value) != 3:
        raise UnfitError('Each range is a table, a first and a last register: ["input", 40, 47].')
    table = one_of(Table)(value[0])
    address = whole(0, 65535)
    first, last = address(value[1]), address(value[2])
    if last < first:
        raise UnfitError(f"The range {first} to {last} runs backwards; write the lower one first.")
    return (table, first, last)


def _number(value: Any, expected: str) -> float:
    if isinstance(value, str):
        raise UnfitError(_quoted(value, expected))
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UnfitError(f"{shown(value)} is not a number; {expected} is expected.")
    if not math.isfinite(value):
        raise UnfitError(f"{value} is no number a network can use; {expected} is expected.")
    return float(value)


def _quoted(value: str, expected: str) -> str:
    return f"{shown(value)} is text; {expected} is expected, without quotes."


def _span(low: float, high: float, above: float | None) -> str:
    if above is not None:
        upper = "" if high == math.inf else f", at most {plain(high)}"
        return f"a number above {plain(above)}{upper}"
    if low == -math.inf and high == math.inf:
        return "a number"
    if high == math.inf:
        return f"a number from {plain(low)} up"
    return f"a number from {plain(low)} to {plain(high)}"


def _not_among(value: Any, words: Iterable[str]) -> str:
    known = tuple(words)
    hint = ""
    if isinstance(value, str) and len(known) > 3:
        hint = f" The nearest is {shown(nearest(value, known))}."
    return f"{shown(value)} is not known here; write {choices(known)}.{hint}"
