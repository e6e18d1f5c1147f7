"""Checks of one point's scale and limits: what it can show, and what can be told of it."""

from collections.abc import Iterator, Mapping
from itertools import pairwise

from tallymast.domain.grammar.drafts import Draft, Wrong, span_of
from tallymast.domain.grammar.mistakes import plain
from tallymast.domain.model import Limits, Point

# NAMUR NE 43: 3.8 to 20.5 mA is measurement, up to 3.6 and from 21.0 mA the sensor or loop failed.
_LOOP_MEASURES = (3_800.0, 20_500.0)
_LOOP_HOLDS = (3_600.0, 21_000.0)


def check_scale(draft: Draft) -> Iterator[Wrong]:
    """Yield what is wrong with the straight line from raw to value."""
    point = draft.point
    if (point.raw is None) != (point.value is None):
        missing, written = ("raw", "value") if point.raw is None else ("value", "raw")
        yield (missing, f"This key is missing: {written} alone makes no scale.")
        return
    span = span_of(point.layout, point.length)
    for raw in point.raw or ():
        # One past the end is a usual full scale: raw = [0, 65536].
        if span is not None and not span[0] <= raw <= span[1] + 1:
            yield ("raw", f"A {point.layout} holds {span[0]} to {span[1]}, never {plain(raw)}.")
    if point.loop is not None:
        yield from _check_loop(point)


def _check_loop(point: Point) -> Iterator[Wrong]:
    if point.raw is None:
        yield ("raw", "This key is missing: a loop is read in microamps, raw = [4000, 20000].")
    elif not all(_LOOP_HOLDS[0] <= raw <= _LOOP_HOLDS[1] for raw in point.raw):
        written = ", ".join(plain(raw) for raw in point.raw)
        yield (
            "loop",
            f"A 4-20mA loop is read in microamps, raw = [4000, 20000], but raw = [{written}]."
            " Where the station counts in another way, leave loop out.",
        )


def check_limits(draft: Draft) -> Iterator[Wrong]:
    """Yield limits in a wrong order or out of reach, and a deadband that covers them."""
    limits = _written(draft.point.limits)
    keys = list(limits)
    for key, above in pairwise(keys):
        if limits[key] >= limits[above]:
            yield (
                "limits",
                f"{key} = {plain(limits[key])} is not below {above} = {plain(limits[above])}; the"
                " order is low_low, low, high, high_high.",
            )
            return
    yield from _check_reach(draft.point, limits)
    yield from _check_deadband(draft.point.deadband, limits)


def _written(limits: Limits) -> dict[str, float]:
    keys = ("low_low", "low", "high", "high_high")
    pairs = ((key, getattr(limits, key)) for key in keys)
    return {key: limit for key, limit in pairs if limit is not None}


def _check_reach(point: Point, limits: Mapping[str, float]) -> Iterator[Wrong]:
    reach = reach_of(point)
    if reach is None:
        return
    unit = f" {point.unit}" if point.unit else ""
    for key, limit in limits.items():
        if not reach[0] <= limit <= reach[1]:
            yield (
                f"limits.{key}",
                f"{plain(limit)}{unit} is never reached: by layout, raw and value the point shows"
                f" {reach[0]:g} to {reach[1]:g}{unit}.",
            )


def reach_of(point: Point) -> tuple[float, float] | None:
    """Return the lowest and highest value a point can show, or None where nothing bounds it."""
    span: tuple[float, float] | None = span_of(point.layout, point.length)
    if point.loop is not None:
        span = _LOOP_MEASURES
    if span is None or point.raw is None or point.value is None:
        return span
    slope = (point.value[1] - point.value[0]) / (point.raw[1] - point.raw[0])
    ends = [point.value[0] + (raw - point.raw[0]) * slope for raw in span]
    return (min(ends), max(ends))


def _check_deadband(deadband: float, limits: Mapping[str, float]) -> Iterator[Wrong]:
    low = limits.get("low", limits.get("low_low"))
    high = limits.get("high", limits.get("high_high"))
    if low is not None and high is not None and deadband >= high - low:
        yield (
            "deadband",
            f"{plain(deadband)} reaches from the low limit {plain(low)} to the high limit"
            f" {plain(high)}: no alarm could clear. Write a smaller one.",
        )
