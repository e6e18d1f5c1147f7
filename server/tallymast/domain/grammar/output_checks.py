"""Checks how one output is written: table, function, on-time of a pulse, range of a set-point."""

from collections.abc import Iterator, Mapping

from tallymast.domain.grammar.drafts import Draft, Wrong, registers, span_of
from tallymast.domain.grammar.mistakes import plain
from tallymast.domain.grammar.value_checks import reach_of
from tallymast.domain.model import Point, PointKind, Table, WriteTarget

# MODBUS Application Protocol V1.1b3 §6.5, §6.6, §6.11, §6.12.
_FUNCTIONS: Mapping[Table, tuple[int, int]] = {Table.COIL: (5, 15), Table.HOLDING: (6, 16)}
_LAST = 65_535


def check_write(draft: Draft) -> Iterator[Wrong]:
    """Yield why an output cannot be written as it is described."""
    point, write = draft.point, draft.point.write
    if write is None:
        return
    if write.table not in _FUNCTIONS:
        yield ("write.table", f'{write.table} can only be read; write "coil" or "holding".')
    elif write.table is Table.COIL and point.kind is not PointKind.DISCRETE_OUTPUT:
        yield ("write.table", f'A coil is one bit; a {point.kind} is a number in "holding".')
    else:
        yield from _check_function(point, write)
    length = written_length(point)
    if write.register + length - 1 > _LAST:
        yield ("write.register", f"{registers(length)} from {write.register} on pass {_LAST}.")
    if point.bit is not None and (write.table, write.register) == (point.table, point.register):
        yield (
            "write",
            "One bit of a register cannot be written alone: the other 15 would change with it."
            " Write to a coil or to a register of its own.",
        )


def check_pulse(draft: Draft) -> Iterator[Wrong]:
    """Yield why an on-time cannot be written as a count."""
    point = draft.point
    if point.kind is not PointKind.PULSE_OUTPUT or point.write is None:
        return
    if point.seconds_per_count is None:
        yield ("seconds_per_count", "This key is missing: how long one count lasts, as 0.1.")
        return
    span = span_of(point.layout, point.length)
    if point.max_s is not None and span and point.max_s / point.seconds_per_count > span[1]:
        yield (
            "max_s",
            f"{plain(point.max_s)} s are {point.max_s / point.seconds_per_count:.0f} counts of"
            f" {plain(point.seconds_per_count)} s; a {point.layout} holds {span[1]}.",
        )


def check_set_range(draft: Draft) -> Iterator[Wrong]:
    """Yield which end of a set-point's range its registers cannot hold."""
    point = draft.point
    reach = reach_of(point)
    if point.set_range is None or reach is None:
        return
    unit = f" {point.unit}" if point.unit else ""
    for end in point.set_range:
        if not reach[0] <= end <= reach[1]:
            yield (
                "set_range",
                f"{plain(end)}{unit} cannot be written: by layout, raw and value the point holds"
                f" {reach[0]:g} to {reach[1]:g}{unit}.",
            )


def _check_function(point: Point, write: WriteTarget) -> Iterator[Wrong]:
    single, several = _FUNCTIONS[write.table]
    what = "coils" if write.table is Table.COIL else "holding registers"
    if write.function not in (single, several):
        yield (
            "write.function",
            f"Function {write.function} does not write {what}; {single} or {several} does.",
        )
    elif write.function == single and written_length(point) > 1:
        yield (
            "write.function",
            f"Function {single} writes one register; a {point.layout} takes {point.length} and"
            f" needs {several}.",
        )


def written_length(point: Point) -> int:
    """Return how many addresses a write to an output covers."""
    return 1 if point.kind is PointKind.DISCRETE_OUTPUT else point.length
