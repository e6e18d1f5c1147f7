"""A diagnosis as text that is kept, and back.

The text is JSON, the same for equal diagnoses. A later version may know more fields: what an
older text does not say has its default, and what this version does not know is left out.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any, Final

from tallymast.domain.errors import DecodeError
from tallymast.domain.health.diagnosis.model import (
    About,
    At,
    ChartOf,
    Diagnosis,
    Said,
    Shown,
    Since,
    TimeOf,
    Value,
)

_TIMES: Final[Mapping[str, type[At | TimeOf | Since]]] = {"at": At, "time": TimeOf, "since": Since}
_NAMES: Final = {kind: name for name, kind in _TIMES.items()}


def to_text(told: Diagnosis) -> str:
    """Return a diagnosis as JSON text, keys in order."""
    body = {one.name: _plain(getattr(told, one.name)) for one in fields(told)}
    return json.dumps(body, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def from_text(text: str) -> Diagnosis:
    """Return the diagnosis a text holds.

    Raises:
        DecodeError: it is no such text, or lacks what every diagnosis has.

    """
    try:
        body = json.loads(text)
        made = {name: _READ[name](value) for name, value in body.items() if name in _READ}
        return Diagnosis(**made)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise DecodeError(f"A finding that was kept cannot be read ({error}).") from error


def _plain(value: Any) -> Any:
    """Return a value in JSON's own kinds."""
    match value:
        case Said():
            return {"text": value.text, "values": [_plain(one) for one in value.values]}
        case At() | TimeOf() | Since():
            return {_NAMES[type(value)]: value.ms}
        case ChartOf():
            return {one.name: _plain(getattr(value, one.name)) for one in fields(value)}
        case frozenset():
            return sorted(value)
        case tuple():
            return [_plain(one) for one in value]
    return value


# --- reading --------------------------------------------------------------------------


def _said(body: Any) -> Said:
    return Said(_words(body["text"]), *(_value(one) for one in body["values"]))


def _value(body: Any) -> Value:
    if isinstance(body, str):
        return body
    ((kind, ms),) = body.items()
    return _TIMES[kind](int(ms))


def _chart(body: Any) -> ChartOf:
    made = {name: _CHART[name](value) for name, value in body.items() if name in _CHART}
    return ChartOf(**made)


def _words(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"words expected, {value!r} found")
    return value


def _each(read: Callable[[Any], Any]) -> Callable[[Any], tuple[Any, ...]]:
    return lambda values: tuple(read(one) for one in values)


def _pair(first: Callable[[Any], Any]) -> Callable[[Any], tuple[Any, str]]:
    return lambda pair: (first(pair[0]), _words(pair[1]))


def _maybe(value: Any) -> int | None:
    return None if value is None else int(value)


_CHART: Final[Mapping[str, Callable[[Any], Any]]] = {
    "shown": Shown,
    "from_ms": int,
    "to_ms": _maybe,
    "tags": _each(_words),
    "marks": _each(_pair(int)),
    "levels": _each(_pair(float)),
}
_READ: Final[Mapping[str, Callable[[Any], Any]]] = {
    "cause": _words,
    "title": _words,
    "about": About,
    "gateway_id": int,
    "site_ids": _each(int),
    "since_ms": int,
    "score": float,
    "says": _said,
    "advice": _said,
    "decides": _said,
    "chart": _chart,
    "rests_on": _each(_said),
    "desk": _each(_words),
    "bring": _each(_words),
    "cautions": _each(_words),
    "touched": _each(int),
    "rivals": _each(_words),
    "explains": lambda values: frozenset(About(one) for one in values),
    "tag": _words,
}
