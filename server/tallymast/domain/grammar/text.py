"""Writes what was read of a network file back as a text a person likes to read.

Lists of things become ``[[headings]]``, small tables stay on one line, days are days. Reading
the text again gives the same keys and values.
"""

import re
from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_LISTED = {"": ("gateway", "profile", "site"), "profile": ("point",), "site": ("lock", "point")}
_HEADED = {"site": ("supply",)}
_DAYS = {"site.supply": ("installed",), "site": ("retired",)}
_ESCAPES = {'"': '\\"', "\\": "\\\\", "\b": "\\b", "\t": "\\t", "\n": "\\n"}
_ESCAPES |= {"\f": "\\f", "\r": "\\r"}


def written_text(written: Mapping[str, Any]) -> str:
    """Return TOML that says what ``written`` says, key for key.

    Args:
        written: nested dicts and lists of JSON types, as ``network_file.parse`` returns them.

    """
    return "\n".join(_table(written, "")).strip("\n") + "\n"


def _table(table: Mapping[str, Any], path: str) -> Iterator[str]:
    listed = [key for key in _LISTED.get(path, ()) if _is_tables(table.get(key))]
    headed = [key for key in _HEADED.get(path, ()) if isinstance(table.get(key), Mapping)]
    indent = "  " * path.count(".")
    for key, value in table.items():
        if key not in listed and key not in headed:
            yield f"{indent}{_name(key)} = {_value(value, key in _DAYS.get(path, ()))}"
    for key in headed:
        yield from _section(f"{path}.{key}", table[key], "[{}]")
    for key in listed:
        for one in table[key]:
            yield from _section(f"{path}.{key}".lstrip("."), one, "[[{}]]")


def _section(path: str, table: Mapping[str, Any], heading: str) -> Iterator[str]:
    yield ""
    yield "  " * path.count(".") + heading.format(path)
    yield from _table(table, path)


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(v, Mapping) for v in value)


def _value(value: Any, is_day: bool = False) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return value if is_day and _is_written_day(value) else _text(value)
    if isinstance(value, Mapping):
        inside = ", ".join(f"{_name(key)} = {_value(one)}" for key, one in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, list):
        return f"[{', '.join(_value(one) for one in value)}]"
    return repr(value)


def _is_written_day(value: str) -> bool:
    try:
        return date.fromisoformat(value).isoformat() == value
    except ValueError:
        return False


def _name(key: str) -> str:
    return key if _BARE.fullmatch(key) else _text(key)


def _text(value: str) -> str:
    return '"' + "".join(_character(one) for one in value) + '"'


def _character(one: str) -> str:
    if one in _ESCAPES:
        return _ESCAPES[one]
    return f"\\u{ord(one):04X}" if ord(one) < 32 or ord(one) == 127 else one
