"""Checks what the keys of one point mean together: kind, layout, place, counting, contact.

Each check yields its mistakes as key and sentence. A point that passes can be read, scaled,
judged and, where it is an output, written as the file says.
"""

from collections.abc import Callable, Collection, Iterator, Mapping
from typing import Any

from tallymast.domain.grammar.drafts import (
    CONTACTS,
    COUNTING,
    LENGTHS,
    NUMBERS,
    OUTPUTS,
    Draft,
    Wrong,
    registers,
    span_of,
)
from tallymast.domain.grammar.mistakes import shown
from tallymast.domain.grammar.output_checks import check_pulse, check_set_range, check_write
from tallymast.domain.grammar.value_checks import check_limits, check_rate_limit, check_scale
from tallymast.domain.model import Point, PointKind, WordLayout

_VOLUMES = frozenset((PointKind.TOTALIZER, PointKind.RATE))
_FITS: Mapping[str, frozenset[PointKind]] = {
    **dict.fromkeys(("words", "alarm_when"), CONTACTS),
    **dict.fromkeys(("raw", "value", "loop", "limits", "deadband"), NUMBERS),
    "deviation": NUMBERS - COUNTING,
    "rate_limit": NUMBERS - COUNTING - OUTPUTS,
    **dict.fromkeys(("modulus", "max_rate"), COUNTING),
    "bidirectional": frozenset((PointKind.TOTALIZER,)),
    **dict.fromkeys(("k_factor", "volume_unit", "volume_per_pulse"), _VOLUMES),
    **dict.fromkeys(("write", "fail_safe", "feedback", "interlock", "auto"), OUTPUTS),
    **dict.fromkeys(("min_off_s", "starts_per_hour"), OUTPUTS),
    **dict.fromkeys(("seconds_per_count", "max_s"), frozenset((PointKind.PULSE_OUTPUT,))),
    **dict.fromkeys(("set_range", "set_rate"), frozenset((PointKind.ANALOG_OUTPUT,))),
}
_FREE_LENGTH: Mapping[WordLayout, int] = {WordLayout.TEXT: 125, WordLayout.MOD10K: 4}
_LAST = 65_535


def check_point(
    point: Point, body: Mapping[str, Any], bad: Collection[str], max_words: int
) -> Iterator[Wrong]:
    """Yield everything that does not fit together in one point, as key and sentence.

    Args:
        point: the point with its defaults.
        body: the keys a person wrote for it, checked one by one.
        bad: keys from which nothing may be concluded; what leans on one is not looked at.
        max_words: most registers one read of its station may ask for.

    """
    draft = Draft(point, body, max_words)
    doubted = set(bad)
    for check, keys in _CHECKS:
        if not keys & doubted:
            wrong = list(check(draft))
            yield from wrong
            doubted |= {key.split(".")[0] for key, _ in wrong}


def _check_kind(draft: Draft) -> Iterator[Wrong]:
    kind = draft.point.kind
    for key, kinds in _FITS.items():
        if key in draft.body and kind not in kinds:
            fitting = "points that are numbers" if kinds is NUMBERS else ", ".join(sorted(kinds))
            yield (key, f"This is of no use on a {kind}; it belongs to {fitting}.")


def _check_layout(draft: Draft) -> Iterator[Wrong]:
    point = draft.point
    check = _check_bit_table if point.table.holds_bits else _check_register_table
    yield from check(point, draft.body)


def _check_bit_table(point: Point, body: Mapping[str, Any]) -> Iterator[Wrong]:
    if point.kind in NUMBERS:
        yield ("table", f"A {point.table} is one bit; a {point.kind} is in input or holding.")
    elif point.layout is not WordLayout.BOOL:
        yield ("layout", f"A {point.table} is one bit, which holds no {point.layout}.")
    elif point.bit is not None:
        yield ("bit", f"A {point.table} is one bit already; leave the key out.")


def _check_register_table(point: Point, body: Mapping[str, Any]) -> Iterator[Wrong]:
    is_bool = point.layout is WordLayout.BOOL
    if point.kind in CONTACTS and not is_bool:
        yield ("layout", f'A {point.kind} is on or off: layout = "bool", with bit = 0 to 15.')
    elif point.kind in NUMBERS and (is_bool or point.layout is WordLayout.TEXT):
        key = "layout" if "layout" in body else "bit"
        yield (key, f"A {point.kind} is a number, and {shown(str(point.layout))} holds none.")
    elif point.bit is not None and not is_bool:
        yield ("bit", f"One bit of a register is on or off, not {point.layout}; keep one of them.")
    elif is_bool and point.bit is None and "layout" not in body:
        yield (
            "bit",
            "This key is missing: which bit of the register it is, 0 to 15; or write layout ="
            ' "bool" where the whole register is 0 or 1.',
        )


def _check_length(draft: Draft) -> Iterator[Wrong]:
    point, usual = draft.point, LENGTHS.get(draft.point.layout, 1)
    most = _FREE_LENGTH.get(point.layout, usual)
    if point.length > most or (most == usual and point.length != usual):
        fitting = registers(most) if most == usual else f"at most {registers(most)}"
        yield ("length", f"A {point.layout} takes {fitting}, not {point.length}.")
    elif point.length > draft.max_words and not point.table.holds_bits:
        yield (
            "length" if "length" in draft.body else "layout",
            f"It takes {registers(point.length)}, more than the {draft.max_words} its profile"
            " reads at once (max_words).",
        )


def _check_end(draft: Draft) -> Iterator[Wrong]:
    point = draft.point
    last = point.register + point.length - 1
    if last > _LAST:
        yield (
            "register",
            f"{registers(point.length)} from {point.register} on would end at {last}; the last"
            f" there is is {_LAST}.",
        )


def _check_modulus(draft: Draft) -> Iterator[Wrong]:
    point = draft.point
    span = span_of(point.layout, point.length)
    if point.modulus is not None and span is not None and point.modulus > span[1] + 1:
        yield (
            "modulus",
            f"A {point.layout} returns to 0 at {span[1] + 1} at the latest, never at"
            f" {point.modulus}.",
        )


def _check_volume(draft: Draft) -> Iterator[Wrong]:
    body = draft.body
    if "k_factor" in body and "volume_per_pulse" in body:
        yield ("k_factor", "k_factor and volume_per_pulse say the same thing twice; keep one.")
    for key in ("k_factor", "volume_per_pulse"):
        if key in body and "volume_unit" not in body:
            yield ("volume_unit", f'This key is missing: the unit {key} counts in, as "m³".')


def _check_contact(draft: Draft) -> Iterator[Wrong]:
    point = draft.point
    if point.alarm_when is not None and point.words and point.alarm_when not in point.words:
        first, second = (shown(word) for word in point.words)
        yield (
            "alarm_when",
            f"{shown(point.alarm_when)} is not one of its words; write {first} or {second}.",
        )


_Checks = tuple[tuple[Callable[[Draft], Iterator[Wrong]], frozenset[str]], ...]


def _on(*keys: str) -> frozenset[str]:
    return frozenset(keys)


_LAYOUT = _on("kind", "table", "layout", "bit")
_SCALE = _LAYOUT | _on("length", "raw", "value", "loop")
# Each check with the keys it leans on: it is left out where one of them is wrong already.
_CHECKS: _Checks = (
    (_check_kind, _on("kind")),
    (_check_layout, _LAYOUT),
    (_check_length, _LAYOUT | _on("length")),
    (_check_end, _LAYOUT | _on("length", "register")),
    (check_scale, _SCALE),
    (check_limits, _SCALE | _on("limits", "deadband")),
    (check_rate_limit, _on("kind", "poll", "rate_limit")),
    (_check_modulus, _LAYOUT | _on("length", "modulus")),
    (_check_volume, _on("kind", "k_factor", "volume_per_pulse", "volume_unit")),
    (_check_contact, _on("kind", "words", "alarm_when")),
    (check_write, _LAYOUT | _on("length", "register", "write")),
    (check_pulse, _LAYOUT | _on("length", "write", "seconds_per_count", "max_s")),
    (check_set_range, _SCALE | _on("set_range")),
)
