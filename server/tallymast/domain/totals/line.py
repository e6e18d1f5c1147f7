"""Joins a register's readings to one line of pulses over time.

Most steps are plain and are judged all at once on arrays; the few others one by one. A single
reading that fits neither side is passed over as bad. An exchange of the station is looked for
where the readings show it, near the time somebody stated. A restart of which only the
neighbourhood is known makes every step there one to look at (``placing``).
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tallymast.domain.totals import restarts
from tallymast.domain.totals.model import (
    UNSURE,
    CountStep,
    Evidence,
    Exchange,
    Floats,
    Ints,
    Meter,
    Readings,
    Step,
    StepKind,
)
from tallymast.domain.totals.placing import Move, place
from tallymast.domain.totals.stepping import judge

NEAR_MS: Final = 30 * 60_000  # ours: so far the stated time of an exchange may be off
_SUSPICIOUS: Final = frozenset((StepKind.RESET, StepKind.JUMP))
_SOUND: Final = frozenset((StepKind.FORWARD, StepKind.ROLLOVER, StepKind.UNPROVEN))


@dataclass(frozen=True, slots=True)
class CountLine:
    """The pulses of a register over time.

    Attributes:
        meter: the register.
        at_ms: its readings, ascending; those passed over are left out.
        count: what it showed.
        pulses: what passed from each reading to the next, shape (n - 1,).
        marked: the steps that are not plain, by the number of their first reading.
        bad: readings that were passed over.

    """

    meter: Meter
    at_ms: Ints
    count: Ints | Floats
    pulses: Ints | Floats
    marked: dict[int, CountStep]
    bad: tuple[CountStep, ...] = ()

    def __len__(self) -> int:
        return len(self.at_ms)


def count_line(
    meter: Meter,
    readings: Readings,
    exchanges: Sequence[Exchange] = (),
    edges: Sequence[int] = (),
) -> CountLine:
    """Return the line that readings make.

    Args:
        meter: the register.
        readings: its good readings, ascending.
        exchanges: replacements of the station.
        edges: ascending instants at which the line may be cut, UTC milliseconds: what lies
            between two of them is stated no surer than it is by itself.

    """
    readings, bad = _without_bad(meter, readings)
    told = restarts.told(readings.at_ms, readings.starts)
    plain = _plain(meter, readings, told)
    pulses = np.diff(readings.count)
    steps = {int(n): _step(meter, readings, told, int(n)) for n in np.flatnonzero(~plain)}
    replaced = set()
    for exchange in exchanges:
        at = _place_of(readings, steps, exchange)
        if at is not None:
            steps[at] = _replaced(meter, readings, at, exchange)
            replaced.add(at)
    for somewhere in told.somewhere:
        if not replaced & set(somewhere.steps.tolist()):  # of another station's counter
            steps |= _placed(meter, readings, somewhere, edges)
    whole = pulses.dtype == np.int64
    for n, step in steps.items():
        pulses[n] = round(step.pulses) if whole else step.pulses
    marked = {n: _told(readings, n, step) for n, step in sorted(steps.items())}
    return CountLine(meter, readings.at_ms, readings.count, pulses, marked, bad)


# --- all at once ----------------------------------------------------------------------


def _plain(meter: Meter, readings: Readings, told: restarts.Told) -> np.ndarray:
    """Return which steps are a climb that needs no second look."""
    elapsed, moved = np.diff(readings.at_ms), np.diff(readings.count)
    gap = elapsed > meter.gap_ms
    plain = (told.evidence != Evidence.RESTARTED) & ~readings.changed[1:]
    plain &= (moved >= 0) & ~(gap & (told.evidence == Evidence.MISSING))
    for somewhere in told.somewhere:
        plain[somewhere.steps] = False
    if meter.max_rate is None:
        return np.asarray(plain & ~gap)
    # One pulse less than the exact limit, so that what is near it is judged one by one.
    limit = np.floor(meter.max_rate * elapsed / 1000)
    plain &= moved <= limit
    if meter.modulus is not None:
        plain &= limit + 3 * meter.max_rate + 2 < meter.modulus / 2
    return np.asarray(plain)


# --- one by one -----------------------------------------------------------------------


def _step(
    meter: Meter, readings: Readings, told: restarts.Told, n: int, last: int | None = None
) -> Step:
    """Return what passed from reading ``n`` to the next, or to ``last``.

    A restart that may lie elsewhere is left out of it, unless it leads to ``last``.
    """
    evidence = Evidence(told.evidence[n]) if last is None else told.over(n, last)
    last = n + 1 if last is None else last
    elapsed = int(readings.at_ms[last] - readings.at_ms[n])
    if readings.changed[n + 1 : last + 1].any():
        return Step(StepKind.REPLACED, 0.0, meter.most(elapsed))
    before, after = readings.count[n].item(), readings.count[last].item()
    return judge(meter, before, after, elapsed, evidence)


def _placed(
    meter: Meter, readings: Readings, somewhere: restarts.Somewhere, edges: Sequence[int]
) -> dict[int, Step]:
    """Return the steps round restarts of which only the neighbourhood is known."""
    moves = [
        Move(
            n,
            readings.count[n].item(),
            readings.count[n + 1].item(),
            int(readings.at_ms[n + 1] - readings.at_ms[n]),
            _part_of(edges, int(readings.at_ms[n]), int(readings.at_ms[n + 1])),
        )
        for n in somewhere.steps.tolist()
        if not readings.changed[n + 1]
    ]
    return place(meter, moves, somewhere.most)


def _part_of(edges: Sequence[int], from_ms: int, to_ms: int) -> int | None:
    """Return between which edges a step lies, None if one lies within it."""
    part = bisect_right(edges, from_ms)
    return part if bisect_left(edges, to_ms) == part else None


def _told(readings: Readings, n: int, step: Step) -> CountStep:
    return CountStep(
        int(readings.at_ms[n]),
        int(readings.at_ms[n + 1]),
        float(readings.count[n]),
        float(readings.count[n + 1]),
        step,
    )


def _without_bad(meter: Meter, readings: Readings) -> tuple[Readings, tuple[CountStep, ...]]:
    """Leave out single readings without which the line would be sound."""
    if len(readings) < 3:
        return readings, ()
    told = restarts.told(readings.at_ms, readings.starts)
    keep = np.ones(len(readings), np.bool_)
    bad = []
    for n in np.flatnonzero(~_plain(meter, readings, told)).tolist():
        if n + 2 >= len(readings) or not keep[n]:
            continue
        step = _step(meter, readings, told, n)
        if step.kind in _SUSPICIOUS and _step(meter, readings, told, n, n + 2).kind in _SOUND:
            keep[n + 1] = False
            bad.append(_told(readings, n, Step(StepKind.BAD, 0.0)))
    if not bad:
        return readings, ()
    return readings.where(keep), tuple(bad)


def _place_of(readings: Readings, steps: dict[int, Step], exchange: Exchange) -> int | None:
    """Return the step in which a register was exchanged: a fall near by, else where it is said."""
    near: list[tuple[int, int]] = []
    for n, step in steps.items():
        if step.kind not in UNSURE:
            continue
        begin, end = int(readings.at_ms[n]), int(readings.at_ms[n + 1])
        away = max(begin - exchange.at_ms, exchange.at_ms - end, 0)
        if away <= NEAR_MS:
            near.append((away, n))
    if near:
        return min(near)[1]
    at = int(np.searchsorted(readings.at_ms, exchange.at_ms, side="left")) - 1
    return at if 0 <= at < len(readings) - 1 else None


def _replaced(meter: Meter, readings: Readings, n: int, exchange: Exchange) -> Step:
    """Return what passed over an exchange: to the old register's end, and from the new one's."""
    begin, end = int(readings.at_ms[n]), int(readings.at_ms[n + 1])
    most = meter.most(end - begin)
    old = _part(meter, readings.count[n].item(), exchange.before, end - begin)
    new = _part(meter, exchange.after, readings.count[n + 1].item(), end - begin)
    if old is None or new is None:
        return Step(StepKind.REPLACED, 0.0, most)
    known = old + new + (exchange.unknown or 0.0)
    if exchange.unknown is not None:
        return Step(StepKind.REPLACED, known, 0.0)
    return Step(StepKind.REPLACED, known, None if most is None else max(0.0, most - known))


def _part(meter: Meter, before: float | None, after: float | None, elapsed_ms: int) -> float | None:
    """Return what one register counted up to, or from, the exchange; None: not known."""
    if before is None or after is None:
        return None
    step = judge(meter, before, after, elapsed_ms, Evidence.HELD)
    return step.pulses if step.kind in _SOUND else None
