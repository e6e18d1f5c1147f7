"""Says in plain words what keeps a text from being TOML, line by line.

A parser stops at the first mistake. Here a faulty ``key = value`` line is taken out and the rest
read again, so that every such line is told; a faulty heading ends the list, because what follows
it would be blamed for nothing.
"""

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

_MOST = 50  # ours: nobody reads on
_AT = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)$")
_KEY_LINE = re.compile(r"\s*([A-Za-z0-9_-]+)\s*[=:]")
_HEADING = re.compile(r"\s*\[{1,2}\s*([A-Za-z0-9_.-]+)\s*\]")
_NAME = re.compile(r"\s*(?:key|tag)\s*=\s*\"([^\"]*)\"")
_CODE = re.compile(r"(\bcode\b\"?\s*[=:]?).*")
_LONGEST_LINE = 80

# What a person may have meant, by what stands behind the equals sign.
_BY_VALUE = tuple(
    (re.compile(pattern), hint)
    for pattern, hint in (
        (r"[“”„‘’«»]", "Text stands in straight double quotes"),
        (r"(?:True|TRUE|False|FALSE|yes|no|on|off)\b", "Write true or false in small letters"),
        (r"[+-]?\d+,\d+\s*(?:#.*)?$", "A number takes a decimal point, not a comma"),
        (r"\d{4}-\d{2}-\d{2}", "There is no such day in the calendar; write it as 2022-05-01"),
        (r"\d{1,2}[./]\d{1,2}[./]\d{2,4}", "A day is written as 2022-05-01"),
        (r"\d+\.\d+\.\d+\.\d+", "An address is text and stands in double quotes"),
        (r"[+-]?0\d", "A number begins without a 0"),
        (r"[+-]?\.\d|[+-]?\d+\.(?!\d)", "A decimal point has a digit on both sides"),
        (r"[+-]?\d[\d.]*(?:\s*[^\d.,\s#]|\s+[^\s#])", "A number stands alone, without unit or gap"),
        (r"\"[^\"\\]*\"\s*[^\s#]|'[^']*'\s*[^\s#]", "Something stands behind the closing quote"),
        (r"[A-Za-z]", "Text stands in double quotes"),
        (r"\(", "A list stands in square brackets"),
        (r"\".*\\", r"In double quotes a backslash is written twice, \\"),
        (r"(?:#.*)?$", "The value is missing"),
    )
)
_BY_MESSAGE = (
    ("Cannot overwrite", "This is written already under the same heading; a new thing begins with"
     " its own heading, as [[site]]"),
    ("Duplicate inline", "A key stands twice in these braces"),
    ("Cannot declare", "This heading stands there already; one of many has two brackets, as"
     " [[site]]"),
    ("Expected ']", "The closing bracket of a heading is missing"),
    ("Unclosed inline table", "The closing brace is missing, or a comma between two keys; braces"
     " stay on one line"),
    ("Unclosed array", "A closing square bracket is missing, or a comma"),
    ("Invalid initial character for a key", "A key is missing; braces end without a comma"),
    ("Invalid statement", "The key is missing, or the line begins with a strange character"),
    ("Unterminated", "A closing quote is missing"),
    ("Illegal character", "A closing quote is missing, or a strange character stands here"),
)  # fmt: skip


def toml_tables(text: str, source: str) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Return what a TOML text says, and what keeps it from being TOML, one sentence a mistake.

    Args:
        text: TOML 1.0; a byte order mark at its start is passed over.
        source: what people call the file; sentences begin with it.

    Returns:
        The tables, which are of no use where there is a sentence; the sentences.

    """
    lines = text.removeprefix("\ufeff").replace("\r\n", "\n").split("\n")
    left = list(lines)
    told: dict[int, str] = {}
    while len(told) < _MOST:
        try:
            return tomllib.loads("\n".join([*left, ""])), _sentences(told, lines, source)
        except tomllib.TOMLDecodeError as error:
            number, message = _line_of(error, left)
            if number in told:
                break
            told[number] = _sentence(number, lines[number - 1], message)
            if not _KEY_LINE.match(lines[number - 1]):
                break
            left[number - 1] = ""
    return {}, _sentences(told, lines, source)


def _sentences(told: Mapping[int, str], lines: Sequence[str], source: str) -> tuple[str, ...]:
    return tuple(f"{source}: [{_place(lines, number)}] {told[number]}" for number in sorted(told))


def _place(lines: Sequence[str], number: int) -> str:
    """Return table and key of a line as other mistakes name them; else the line's number."""
    key = _KEY_LINE.match(lines[number - 1])
    if key is None:
        return f"line {number}"
    names: dict[str, str] = {}
    path: list[str] = []
    for at, line in enumerate(lines, 1):
        if heading := _HEADING.match(line):
            if at > number:
                break
            path = heading[1].split(".")
            names = {depth: name for depth, name in names.items() if depth in path[:-1]}
        elif path and (named := _NAME.match(line)):
            names[path[-1]] = named[1]
    parts = [f"{one} {names.get(one, '')}".strip() for one in path]
    return f"{'.'.join(parts)} {key[1]}".strip()


def _line_of(error: tomllib.TOMLDecodeError, lines: Sequence[str]) -> tuple[int, str]:
    """Return the number of the line to blame, from 1, and the parser's own words."""
    at, message = _AT.search(str(error)), _AT.sub("", str(error))
    number = min(int(at[1]), len(lines)) if at and at[1] else len(lines)
    if message.startswith("Unclosed array"):  # noticed only at what follows
        opened = (n for n in range(number, 0, -1) if _leaves_open(lines[n - 1]))
        number = next(opened, number)
    return number, message


def _leaves_open(line: str) -> bool:
    return line.count("[") > line.count("]")


def _sentence(number: int, line: str, message: str) -> str:
    shown = _CODE.sub(r"\1 …", line.strip())  # what opens a lock is repeated nowhere
    if len(shown) > _LONGEST_LINE:
        shown = shown[:_LONGEST_LINE] + "…"
    return f"{_hint(line, message)}. Line {number}: {shown}"


def _hint(line: str, message: str) -> str:
    for start, hint in _BY_MESSAGE:
        if message.startswith(start):
            return hint
    key, equals, value = line.partition("=")
    if not equals:
        colon = ":" in key and not key.lstrip().startswith("[")
        return (
            "Key and value are parted by =, not by :"
            if colon
            else "This is neither key = value nor a heading"
        )
    for pattern, hint in _BY_VALUE:
        if pattern.match(value.strip()):
            return hint
    return f"This is not TOML ({message})"
