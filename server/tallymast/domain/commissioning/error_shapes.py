"""Tells what kind of error a check along a span shows: zero, span, bowed, or none that is clear.

Only what the numbers support is named. All errors and positions are in per cent of the span.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum


class Shape(StrEnum):
    """What the errors along a span look like."""

    UNKNOWN = "unknown"  # too few points to say
    NONE = "none"
    ZERO = "zero"
    SPAN = "span"
    BOTH = "zero and span"
    BOWED = "bowed"
    SCATTERED = "scattered"


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through errors: at 0 %, what is added up to 100 %, and the rest [%]."""

    zero: float
    rise: float
    rest: float


def line_through(errors: Mapping[float, float]) -> Line:
    """Return the least-squares line through errors by position, both in % of span.

    Args:
        errors: at two positions or more.

    """
    count = len(errors)
    mean_x = sum(errors) / count
    mean_y = sum(errors.values()) / count
    spread = sum((x - mean_x) ** 2 for x in errors)
    slope = sum((x - mean_x) * (y - mean_y) for x, y in errors.items()) / spread
    zero = mean_y - slope * mean_x
    rest = max(abs(y - zero - slope * x) for x, y in errors.items())
    return Line(zero, 100.0 * slope, rest)


def shape_of(errors: Mapping[float, float], step: float = 0.0, noise: float = 0.05) -> Shape:
    """Return what kind of error the numbers show, where they show one.

    A kind is named when what speaks against it is at most a quarter of the largest error (ours),
    and never inside two counts of the register or the noise.

    Args:
        errors: by position, both in % of span.
        step: one count of the register [% of span].
        noise: what a steady signal wanders [% of span]; ours.

    """
    if len(errors) < 3:
        return Shape.UNKNOWN
    largest = max(abs(one) for one in errors.values())
    floor = max(2.0 * step, noise)
    if largest <= floor:
        return Shape.NONE
    line, small = line_through(errors), max(floor, largest / 4.0)
    if line.rest > small:
        return Shape.BOWED if _is_bowed(errors, line) else Shape.SCATTERED
    if abs(line.rise) <= small:
        return Shape.ZERO
    return Shape.SPAN if abs(line.zero) <= small else Shape.BOTH


def _is_bowed(errors: Mapping[float, float], line: Line) -> bool:
    """Whether what a line leaves over has one sign at both ends and the other in the middle."""
    if len(errors) < 5:
        return False
    rest = [errors[x] - line.zero - line.rise * x / 100.0 for x in sorted(errors)]
    return rest[0] * rest[-1] > 0 and all(one * rest[0] < 0 for one in rest[2:-2])


def shape_words(errors: Mapping[float, float], step: float = 0.0) -> str:
    """Return in a sentence what kind of error it is; empty where the numbers do not say."""
    shape = shape_of(errors, step)
    if shape in (Shape.UNKNOWN, Shape.NONE):
        return ""
    line = line_through(errors)
    return {
        Shape.ZERO: f"About the same at all points ({line.zero + line.rise / 2:+.2f} % of span): "
        "a zero error.",
        Shape.SPAN: f"It grows along the span (by {line.rise:+.2f} % up to 100 %): a span error.",
        Shape.BOTH: f"{line.zero:+.2f} % at zero, and {line.rise:+.2f} % more along the span: zero "
        "and span.",
        Shape.BOWED: f"Off a straight line by {line.rest:.2f} % of span, bowed: linearity, or a "
        "square root where none belongs.",
        Shape.SCATTERED: "No one cause explains these errors: let the signal settle and repeat.",
    }[shape]


def hysteresis_pct(upward: Mapping[float, float], downward: Mapping[float, float]) -> float | None:
    """Return the largest difference between the ways up and down at one position [% of span].

    Args:
        upward: errors by position, coming from below.
        downward: the same, coming from above.

    Returns:
        None where no position was checked both ways.

    """
    both = upward.keys() & downward.keys()
    return max((abs(upward[x] - downward[x]) for x in both), default=None)


def checked_errors(pairs: Iterable[tuple[float | None, float | None]]) -> dict[float, float]:
    """Return the known errors by position, from (position, error) pairs; a later one replaces."""
    known: Sequence[tuple[float, float]] = [
        (round(x, 6), y) for x, y in pairs if x is not None and y is not None
    ]
    return dict(known)
