"""Checks what the keys of one point mean together.

Each check tells its mistakes through ``tell(key, sentence)``. A point that passes can be read,
scaled, judged and, where it is an output, written as the file says.
"""

from collections.abc import Callable, Mapping
from typing import Any

from tallymast.domain.grammar.mistakes import Mistakes, plain
from tallymast.domain.model import Limits, Point, PointKind, Table, WordLayout, WriteTarget

Tell = Callable[[str, str], None]

CONTACTS = (PointKind.DISCRETE_INPUT, PointKind.DISCRETE_OUTPUT)
OUTPUTS = (PointKind.DISCRETE_OUTPUT, PointKind.PULSE_OUTPUT, PointKind.ANALOG_OUTPUT)
COUNTING = (PointKind.TOTALIZER, PointKind.COUNTER)
_VOLUMES = (PointKind.TOTALIZER, PointKind.RATE)
_NUMBERS = tuple(kind for kind in PointKind if kind not in (*CONTACTS, PointKind.REVISION))

LENGTHS: Mapping[WordLayout, int] = {
    WordLayout.UINT32: 2,
    WordLayout.INT32: 2,
    WordLayout.FLOAT32: 2,
    WordLayout.BCD32: 2,
    WordLayout.UINT64: 4,
    WordLayout.FLOAT64: 4,
    WordLayout.MOD10K: 2,
    WordLayout.TEXT: 2,
}
_FREE_LENGTH: Mapping[WordLayout, int] = {WordLayout.TEXT: 125, WordLayout.MOD10K: 4}
_SPANS: Mapping[WordLayout, tuple[int, int]] = {
    WordLayout.UINT16: (0, 2**16 - 1),
    WordLayout.INT16: (-(2**15), 2**15 - 1),
    WordLayout.UINT32: (0, 2**32 - 1),
    WordLayout.INT32: (-(2**31), 2**31 - 1),
    WordLayout.UINT64: (0, 2**64 - 1),
    WordLayout.BCD16: (0, 9_999),
    WordLayout.BCD32: (0, 99_999_999),
}
_FITS: Mapping[str, tuple[PointKind, ...]] = {
    **dict.fromkeys(("words", "alarm_when"), CONTACTS),
    **dict.fromkeys(("raw", "value", "loop", "limits", "deadband"), _NUMBERS),
    **dict.fromkeys(("modulus", "max_rate"), COUNTING),
    **dict.fromkeys(("k_factor", "volume_unit", "volume_per_pulse"), _VOLUMES),
    **dict.fromkeys(("write", "fail_safe", "feedback", "interlock", "auto"), OUTPUTS),
    **dict.fromkeys(("min_off_s", "starts_per_hour"), OUTPUTS),
    **dict.fromkeys(("seconds_per_count", "max_s"), (PointKind.PULSE_OUTPUT,)),
}
_FUNCTIONS: Mapping[Table, tuple[int, int]] = {Table.COIL: (5, 15), Table.HOLDING: (6, 16)}
# NAMUR NE 43: 3.8 to 20.5 mA is measurement, up to 3.6 and from 21.0 mA the sensor or loop failed.
_LOOP_MEASURES = (3_800.0, 20_500.0)
_LOOP_HOLDS = (3_600.0, 21_000.0)


def span_of(layout: WordLayout, length: int) -> tuple[int, int] | None:
    """Return the lowest and highest raw number a layout holds; None where it has no such ends."""
    if layout is WordLayout.MOD10K:
        return (0, 10_000**length - 1)
    return _SPANS.get(layout)


def check_point(
    point: Point, body: Mapping[str, Any], place: str, max_words: int, mistakes: Mistakes
) -> None:
    """Tell everything that does not fit together in one point.

    Args:
        point: the point with its defaults.
        body: the keys a person wrote for it, checked one by one.
        place: how mistakes name it.
        max_words: most registers one read of its station may ask for.
        mistakes: where they are told.

    """

    def tell(key: str, sentence: str) -> None:
        mistakes.add(place, key, sentence)

    before = len(mistakes)
    _check_kind(point, body, tell)
    _check_layout(point, body, tell)
    if len(mistakes) > before:
        return  # what follows would only echo the wrong layout
    _check_length(point, max_words, tell)
    _check_scale(point, tell)
    _check_limits(point, tell)
    _check_counting(point, tell)
    _check_contact(point, tell)
    _check_write(point, tell)
    _check_pulse(point, tell)


def _check_kind(point: Point, body: Mapping[str, Any], tell: Tell) -> None:
    for key, kinds in _FITS.items():
        if key in body and point.kind not in kinds:
            fitting = ", ".join(kinds) if len(kinds) < 5 else "points that are numbers"
            tell(key, f"This is of no use on a {point.kind}; it belongs to {fitting}.")


def _check_layout(point: Point, body: Mapping[str, Any], tell: Tell) -> None:
    is_bool = point.layout is WordLayout.BOOL
    if point.kind in _NUMBERS and point.table.holds_bits:
        tell("table", f"A {point.table} is one bit; a {point.kind} needs input or holding.")
    elif point.kind in CONTACTS and not is_bool:
        tell("layout", f'A {point.kind} is on or off; layout = "bool" fits, with bit = 0 to 15.')
    elif point.kind in _NUMBERS and (is_bool or point.layout is WordLayout.TEXT):
        key = "bit" if "layout" not in body else "layout"
        tell(key, f"A {point.kind} is a number; {point.layout} holds none.")
    elif point.table.holds_bits and not is_bool:
        tell("layout", f"A {point.table} is one bit, which holds no {point.layout}.")
    elif point.table.holds_bits and point.bit is not None:
        tell("bit", f"A {point.table} is one bit already; leave the key out.")
    elif point.bit is not None and not is_bool:
        tell("bit", f"One bit of a register is on or off, not {point.layout}; leave layout out.")
    elif _lacks_bit(point, body):
        tell(
            "bit",
            "This key is missing: which bit of the register it is, 0 to 15; or write layout ="
            ' "bool" where the whole register is 0 or 1.',
        )


def _lacks_bit(point: Point, body: Mapping[str, Any]) -> bool:
    in_word = point.layout is WordLayout.BOOL and not point.table.holds_bits
    return in_word and point.bit is None and "layout" not in body


def _check_length(point: Point, max_words: int, tell: Tell) -> None:
    usual = LENGTHS.get(point.layout, 1)
    most = _FREE_LENGTH.get(point.layout)
    if most is None and point.length != usual:
        tell("length", f"A {point.layout} takes {_registers(usual)}, not {point.length}.")
    elif most is not None and point.length > most:
        tell("length", f"A {point.layout} takes at most {_registers(most)}, not {point.length}.")
    elif not point.table.holds_bits and point.length > max_words:
        tell(
            "length",
            f"{_registers(point.length)} are more than the {max_words} its profile reads at once"
            " (max_words).",
        )
    if point.register + point.length > 65_536:
        tell(
            "register",
            f"{_registers(point.length)} from {point.register} on run past 65535, the last there"
            " is.",
        )


def _check_scale(point: Point, tell: Tell) -> None:
    if (point.raw is None) != (point.value is None):
        missing, written = ("raw", "value") if point.raw is None else ("value", "raw")
        tell(missing, f"This key is missing: {written} alone makes no scale.")
        return
    span = span_of(point.layout, point.length)
    for raw in point.raw or ():
        # One past the end is a usual full scale: raw = [0, 65536].
        if span is not None and not span[0] <= raw <= span[1] + 1:
            tell("raw", f"A {point.layout} holds {span[0]} to {span[1]}, never {plain(raw)}.")
    if point.loop is not None:
        _check_loop(point, tell)


def _check_loop(point: Point, tell: Tell) -> None:
    if point.raw is None:
        tell("raw", "This key is missing: a loop is read in microamps, raw = [4000, 20000].")
    elif not all(_LOOP_HOLDS[0] <= raw <= _LOOP_HOLDS[1] for raw in point.raw):
        shown = ", ".join(plain(raw) for raw in point.raw)
        tell(
            "loop",
            f"A 4-20mA loop is read in microamps, raw = [4000, 20000]; raw = [{shown}] is"
            " something else. Where the station counts otherwise, leave loop out.",
        )


def _check_limits(point: Point, tell: Tell) -> None:
    limits = _written(point.limits)
    before = None
    for key, limit in limits.items():
        if before is not None and limit <= limits[before]:
            tell(
                "limits",
                f"{before} = {plain(limits[before])} is not below {key} = {plain(limit)}; the"
                " order is low_low, low, high, high_high.",
            )
            return
        before = key
    _check_reach(point, limits, tell)
    _check_deadband(point, limits, tell)


def _written(limits: Limits) -> dict[str, float]:
    keys = ("low_low", "low", "high", "high_high")
    pairs = ((key, getattr(limits, key)) for key in keys)
    return {key: limit for key, limit in pairs if limit is not None}


def _check_reach(point: Point, limits: Mapping[str, float], tell: Tell) -> None:
    reach = _reach(point)
    if reach is None:
        return
    for key, limit in limits.items():
        if not reach[0] <= limit <= reach[1]:
            tell(
                f"limits.{key}",
                f"{plain(limit)} is never reached: the point shows {reach[0]:g} to {reach[1]:g}"
                f"{' ' if point.unit else ''}{point.unit} by its layout, raw and value.",
            )


def _reach(point: Point) -> tuple[float, float] | None:
    """Return the lowest and highest value the point can show, or None where nothing bounds it."""
    span: tuple[float, float] | None = span_of(point.layout, point.length)
    if point.loop is not None:
        span = _LOOP_MEASURES
    if span is None or point.raw is None or point.value is None:
        return span
    slope = (point.value[1] - point.value[0]) / (point.raw[1] - point.raw[0])
    ends = [point.value[0] + (raw - point.raw[0]) * slope for raw in span]
    return (min(ends), max(ends))


def _check_deadband(point: Point, limits: Mapping[str, float], tell: Tell) -> None:
    low = limits.get("low", limits.get("low_low"))
    high = limits.get("high", limits.get("high_high"))
    if low is not None and high is not None and point.deadband >= high - low:
        tell(
            "deadband",
            f"{plain(point.deadband)} reaches from the low limit {plain(low)} to the high limit"
            f" {plain(high)}: an alarm could never clear. Write a smaller one.",
        )


def _check_counting(point: Point, tell: Tell) -> None:
    span = span_of(point.layout, point.length)
    if point.modulus is not None and span is not None and point.modulus > span[1] + 1:
        tell(
            "modulus",
            f"A {point.layout} returns to 0 at {span[1] + 1} at the latest, never at"
            f" {point.modulus}.",
        )
    if point.k_factor is not None and point.volume_per_pulse is not None:
        tell("k_factor", "k_factor and volume_per_pulse say the same thing twice; keep one.")
    if point.volume_unit is None:
        for key in ("k_factor", "volume_per_pulse"):
            if getattr(point, key) is not None:
                tell("volume_unit", f'This key is missing: the unit {key} counts, as "gal".')


def _check_contact(point: Point, tell: Tell) -> None:
    if point.alarm_when is not None and point.words and point.alarm_when not in point.words:
        tell(
            "alarm_when",
            f'"{point.alarm_when}" is not one of its words; write "{point.words[0]}" or'
            f' "{point.words[1]}".',
        )


def _check_write(point: Point, tell: Tell) -> None:
    write = point.write
    if write is None:
        return
    functions = _FUNCTIONS.get(write.table)
    length = 1 if point.kind is PointKind.DISCRETE_OUTPUT else point.length
    if functions is None:
        tell("write.table", f'{write.table} can only be read; write "coil" or "holding".')
    elif write.function not in functions:
        tell("write.function", _wrong_function(write, functions))
    elif write.table is Table.COIL and point.kind is not PointKind.DISCRETE_OUTPUT:
        tell("write.table", f'A coil is one bit; a {point.kind} is a number and needs "holding".')
    elif write.function == 6 and length > 1:
        tell("write.function", f"Function 6 writes one register; a {point.layout} needs 16.")
    elif write.register + length > 65_536:
        tell("write.register", f"{_registers(length)} from {write.register} on run past 65535.")
    elif point.bit is not None and (write.table, write.register) == (point.table, point.register):
        tell(
            "write",
            "One bit of a register cannot be written alone: the other 15 would change with it."
            " Write to a coil or a register of its own.",
        )


def _wrong_function(write: WriteTarget, functions: tuple[int, int]) -> str:
    what = "coils" if write.table is Table.COIL else "holding registers"
    return f"Function {write.function} does not write {what}; {functions[0]} or {functions[1]} do."


def _check_pulse(point: Point, tell: Tell) -> None:
    if point.kind is not PointKind.PULSE_OUTPUT or point.write is None:
        return
    if point.seconds_per_count is None:
        tell("seconds_per_count", "This key is missing: how long one count of on-time is, as 0.1.")
        return
    span = span_of(point.layout, point.length)
    counts = (point.max_s or 0.0) / point.seconds_per_count
    if span is not None and counts > span[1]:
        tell(
            "max_s",
            f"{plain(point.max_s or 0.0)} s are {counts:.0f} counts; a {point.layout} holds"
            f" {span[1]}.",
        )


def _registers(count: int) -> str:
    return "1 register" if count == 1 else f"{count} registers"
