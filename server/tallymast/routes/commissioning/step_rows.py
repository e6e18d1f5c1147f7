"""Writes steps of a proof for people: what was applied, expected and shown, and how far off."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from tallymast.domain.commissioning.point_tests import Way, method_of, state_words
from tallymast.domain.commissioning.steps import Result, Step, StepKind
from tallymast.domain.model import Point, PointKind
from tallymast.routes.formats import decimals_of, measure, number, with_unit
from tallymast.routes.rows import Mark

MARKS = {
    Result.PASS: Mark("pass", "disc", "calm"),
    Result.FAIL: Mark("fail", "octagon", "act"),
    Result.NOT_TESTED: Mark("not tested", "square", "off"),
    Result.SEEN: Mark("seen", "dash", "off"),
}
OPEN = Mark("open", "ring", "off")

KIND_WORDS = {
    PointKind.DISCRETE_INPUT: "contact",
    PointKind.DISCRETE_OUTPUT: "output",
    PointKind.PULSE_OUTPUT: "pulse output",
    PointKind.ANALOG_INPUT: "analog input",
    PointKind.ANALOG_OUTPUT: "analog output",
    PointKind.TOTALIZER: "totalizer",
    PointKind.RATE: "rate",
    PointKind.SUPPLY_VOLTAGE: "supply voltage",
    PointKind.SIGNAL: "signal strength",
    PointKind.TEMPERATURE: "temperature",
    PointKind.COUNTER: "restart counter",
    PointKind.DURATION: "time counter",
    PointKind.REVISION: "firmware revision",
}


@dataclass(frozen=True, slots=True)
class StepRow:
    """One step in words; empty where there is nothing to tell."""

    what: str
    applied: str
    expected: str
    shown: str
    error: str
    mark: Mark
    at_ms: int | None
    note: str
    actor: str


def step_row(point: Point | None, step: Step) -> StepRow:
    """Return a step in words.

    Args:
        point: as it was read then or is read now, for units; None: it is no more.
        step: of a proof.

    """
    text = step.raw if isinstance(step.raw, str) else ""
    note = "" if step.note == text else step.note
    return StepRow(
        _WHAT[step.kind],
        applied_words(point, step),
        _value(point, step, step.expected),
        text or _value(point, step, step.shown),
        error_words(step.error_pct),
        MARKS[step.result],
        step.shown_ms,
        ", ".join(part for part in (_typed(step), note) if part),
        step.actor,
    )


_WHAT = {
    StepKind.CHECK: "value",
    StepKind.DOWN: "value, downward",
    StepKind.STATE: "state",
    StepKind.START: "stands at",
    StepKind.ADJUST: "adjusted",
    StepKind.VERDICT: "result",
}


def applied_words(point: Point | None, step: Step) -> str:
    """Return what was applied, with its unit; ``none`` of it is an empty text."""
    if step.applied is None:
        return ""
    if point is None:
        return number(step.applied)
    return amount_words(point, step.applied)


def amount_words(point: Point, applied: float) -> str:
    """Return an amount that is applied to a point, with its unit."""
    if point.loop is not None:
        return with_unit(number(applied, 2 if applied != round(applied) else 0), "mA")
    if method_of(point).way is Way.COUNT:
        return number(applied, 0)
    return fine(applied, point)


def fine(value: float, point: Point) -> str:
    """Return a value with its unit, one decimal finer than elsewhere where the register has it."""
    usual = decimals_of(point)
    if usual is None or point.raw is None or point.value is None:
        return measure(value, point)
    counts, span = abs(point.raw[1] - point.raw[0]), abs(point.value[1] - point.value[0])
    by_step = max(math.ceil(-math.log10(span / counts) - 1e-9), 0)
    return with_unit(number(value, max(min(by_step, usual + 1), usual)), point.unit)


def error_words(error: float | None) -> str:
    """Return an error in per cent, ``+0.17 %``; empty where none is known."""
    if error is None:
        return ""
    sign = "+" if error > 0 else ""
    return f"{sign}{number(error, 2)}\u00a0%"


def _value(point: Point | None, step: Step, value: float | None) -> str:
    if value is None:
        return ""
    way = method_of(point).way if point is not None else None
    if point is not None and (way is Way.STATES or step.kind is StepKind.STATE):
        return state_words(point)[int(bool(value))]
    counted = way is Way.COUNT and step.kind is not StepKind.VERDICT
    if point is None or counted:
        return number(value)
    return fine(value, point)


def _typed(step: Step) -> str:
    typed = step.more.get("typed")
    if typed:
        return f"applied as {typed}"
    ends = step.more.get("from"), step.more.get("to")
    if None not in ends:
        return f"from {number(float(ends[0]), 0)} to {number(float(ends[1]), 0)}"  # type: ignore[arg-type]
    return ""


def detail_words(value: object) -> str:
    """Return what an earlier step of commissioning found: its sentence, else its plain facts."""
    if isinstance(value, Mapping):
        for key in ("sentence", "said", "words"):
            if isinstance(value.get(key), str):
                return str(value[key])
        plain = {k: v for k, v in value.items() if isinstance(v, str | int | float | bool)}
        return ", ".join(f"{str(k).replace('_', ' ')}: {v}" for k, v in plain.items())
    return str(value)
