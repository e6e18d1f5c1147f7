"""Turns what a person typed into the written body of the network file, and back.

An empty field leaves its key out, so that no default is frozen in. What cannot be read as what
its field wants stays text: the network file's own sentence then tells it, except where a form
knows better. A field that was not sent keeps what was written.
"""

import re
from collections.abc import Iterable, Mapping
from typing import Any

from tallymast.domain.grammar.mistakes import UnfitError, plain
from tallymast.domain.setup.addresses import address_text, both_of, read_address
from tallymast.domain.setup.fields import Field, Kind

Body = Mapping[str, Any]
Texts = Mapping[str, str]
Told = dict[str, str]  # name of a field -> the sentence to tell

_WHOLE = re.compile(r"[+-]?\d{1,30}")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d{1,3})?", re.IGNORECASE)
_COMMA = re.compile(r"[+-]?\d*,\d+")
_RANGE = re.compile(r"(?P<first>.+?)(?: *- *| +to +| *… *)(?P<last>\w+)")
_NUMBERS = (Kind.NUMBER, Kind.WHOLE, Kind.WHOLE_CHOICE)
_YES, _NO = "yes", "no"


def texts_of(fields: Iterable[Field], body: Body) -> dict[str, str]:
    """Return what each input shows of a body, input by input; empty text for what is not there."""
    shown: dict[str, str] = {}
    for field in fields:
        shown.update(zip(field.inputs, _shown(field, body), strict=True))
    return shown


def body_of(
    fields: Iterable[Field], texts: Texts, before: Body, below: Body | None = None
) -> tuple[dict[str, Any], Told]:
    """Return the body a form means, and what the form itself has to say of it.

    Args:
        fields: the form's.
        texts: what was typed, input by input.
        before: the body until now; what the form does not show stays as it is.
        below: what the body is laid over, as a profile's point; it may give an address's table.

    Returns:
        The body, and sentences by the name of the field they belong to.

    """
    body: dict[str, Any] = dict(before)
    told: Told = {}
    for field in fields:
        if not any(name in texts for name in field.inputs):
            continue
        typed = [_typed(texts.get(name, ""), field.kind) for name in field.inputs]
        if typed == [_typed(one, field.kind) for one in _shown(field, before)]:
            continue  # nobody touched it: what was written stays as it was written
        try:
            values = _read(field, typed, below or {})
        except UnfitError as unfit:
            told[field.key] = str(unfit)
            values = {field.keys[0]: typed[0]} if field.kind is not Kind.ADDRESS else {}
        _put(body, field, values)
    return body, told


def echo_of(field: Field, body: Body, below: Body | None = None) -> str:
    """Return an address field's register in both notations; empty where there is none yet."""
    found = _inside(field, body)
    base = _inside(field, below or {})
    whole = found if "reference" in found or not found else {**base, **found}
    return both_of(whole) if found else ""


def _read(field: Field, typed: list[str], below: Body) -> dict[str, Any]:
    """Return the values of a field's keys, those it leaves out not among them."""
    if field.kind is Kind.ADDRESS:
        return _address(field, typed, _inside(field, below))
    if not any(typed):
        return {}
    return {field.key: _value(field.kind, typed)}


def _value(kind: Kind, typed: list[str]) -> Any:
    if kind is Kind.PAIR:
        if not all(typed):
            raise UnfitError("Both numbers are needed: a scale has two ends.")
        return [_number(one) for one in typed]
    if kind is Kind.TWO_WORDS:
        if not all(typed):
            raise UnfitError("Both words are needed: one for 0, one for 1.")
        return typed
    if kind in (Kind.LINES, Kind.RANGES):
        lines = [one.strip() for one in typed[0].split("\n") if one.strip()]
        return lines if kind is Kind.LINES else [_range(one) for one in lines]
    if kind is Kind.FLAG:
        return {_YES: True, _NO: False}.get(typed[0], typed[0])
    return _number(typed[0]) if kind in _NUMBERS else typed[0]


def _number(text: str) -> Any:
    if _COMMA.fullmatch(text):
        raise UnfitError(
            f"{text} has a comma; write the decimal point, {text.replace(',', '.')}, and no sign"
            " between thousands."
        )
    if _WHOLE.fullmatch(text):
        return int(text)
    return float(text) if _NUMBER.fullmatch(text) else text


def _range(line: str) -> list[Any]:
    wrong = f'"{line[:60]}" is no range; write input 40 to 47.'
    found = _RANGE.fullmatch(line)
    first = read_address(found["first"] if found else line)
    if first.table is None:
        raise UnfitError(wrong)
    if found is None:
        return [str(first.table), first.register, first.register]
    beside = "" if "reference" in first.written else str(first.table)
    try:
        last = read_address(found["last"], beside)
    except UnfitError:  # a number that could be a reference as well counts as the first one does
        last = read_address(f"{first.table} {found['last']}")
    if last.table is not first.table:
        raise UnfitError(wrong)
    return [str(first.table), first.register, last.register]


def _address(field: Field, typed: list[str], below: Body) -> dict[str, Any]:
    text, beside = typed
    before = field.key.removesuffix("register")
    if not text:
        return {f"{before}table": beside} if beside else {}
    found = read_address(text, beside)
    if found.table is None and "table" not in below and "reference" not in below:
        raise UnfitError(
            f'{text} alone does not say where: choose its table beside, or write "input {text}".'
        )
    return {f"{before}{key}": value for key, value in found.written.items()}


def _shown(field: Field, body: Body) -> list[str]:
    if field.kind is Kind.ADDRESS:
        return list(address_text(_inside(field, body)))
    value = _at(body, field.key)
    if field.kind in (Kind.PAIR, Kind.TWO_WORDS):
        pair = value if isinstance(value, list) else []
        return [_text(pair[n]) if n < len(pair) else "" for n in (0, 1)]
    if field.kind in (Kind.LINES, Kind.RANGES):
        show = _text if field.kind is Kind.LINES else _range_text
        return ["\n".join(show(one) for one in value) if isinstance(value, list) else _text(value)]
    return [_text(value)]


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return _YES if value else _NO
    return plain(value) if isinstance(value, int | float) else str(value)


def _range_text(value: Any) -> str:
    if not isinstance(value, list) or len(value) != 3:
        return _text(value)
    table, first, last = value
    return f"{table} {first}" if first == last else f"{table} {first} to {last}"


def _typed(text: str, kind: Kind) -> str:
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    return lines if kind is Kind.LONG and lines.strip() else lines.strip()


# --- keys in braces -------------------------------------------------------------------


def _at(body: Body, key: str) -> Any:
    outer, _, inner = key.partition(".")
    found = body.get(outer)
    if not inner:
        return found
    return found.get(inner) if isinstance(found, Mapping) else None


def _inside(field: Field, body: Body) -> Body:
    """Return the table in which an address field's keys stand."""
    outer, _, inner = field.key.partition(".")
    found = body.get(outer) if inner else {key: body[key] for key in field.keys if key in body}
    if not isinstance(found, Mapping):
        return {}
    return {key: found[key] for key in ("table", "register", "reference") if key in found}


def _put(body: dict[str, Any], field: Field, values: Body) -> None:
    """Put a field's values in the place of what was written; a table left empty goes too."""
    for key in field.keys:
        outer, _, inner = key.partition(".")
        if not inner:
            body.pop(key, None)
            if key in values:
                body[key] = values[key]
            continue
        table = dict(body[outer]) if isinstance(body.get(outer), Mapping) else {}
        table.pop(inner, None)
        if key in values:
            table[inner] = values[key]
        body.pop(outer, None)
        if table:
            body[outer] = table
