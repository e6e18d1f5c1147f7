"""Puts restarts of which only the neighbourhood is known where they may have been.

Between two readings of its restart counter a station restarted once or more, and the totalizer
was read many times meanwhile. A fall that no rollover explains is such a restart. What is left
may lie in any step, also in one in which the count simply climbed. So in each part of that time
as many steps as there are restarts left stand for all of them: they take the greatest error
that a restart in any step of the part may make, downwards and upwards, and the whole of the
part is stated no surer than it is. A rollover that may as well be a reset is "either", and a
step that lies in two parts speaks for itself.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from tallymast.domain.totals.model import Evidence, Meter, Step, StepKind
from tallymast.domain.totals.stepping import judge


@dataclass(frozen=True, slots=True)
class Move:
    """Two readings of a totalizer, one after the other.

    Attributes:
        number: of the step between them.
        part: of the time that is stated by itself; None: it lies in more than one.

    """

    number: int
    before: float
    after: float
    elapsed_ms: int
    part: int | None


@dataclass(frozen=True, slots=True)
class _Either:
    """A step as it is without a restart in it, and what one in it would change."""

    number: int
    held: Step
    below: float  # so much less may have passed than without a restart
    above: float  # so much more; infinity: no bound is known


def place(meter: Meter, moves: Sequence[Move], restarts: int) -> dict[int, Step]:
    """Return what passed in each step, none of which is known to hold a restart.

    Args:
        meter: the register.
        moves: ascending in time; a restart may lie in each of them.
        restarts: how many lie in all of them together at most.

    """
    found = {one.number: _judged(meter, one, Evidence.HELD) for one in moves}
    left = restarts - _explained(meter, found.values(), restarts)
    if left == 0:
        return found
    loose = []
    for one in moves:
        held = found[one.number]
        if held.kind is StepKind.RESET:
            continue
        if one.part is None or (one.after < one.before and not meter.both_ways):
            found[one.number] = _alone(meter, one)
        else:
            loose.append((one.part, _either(meter, one, held)))
    for _, some in groupby(loose, lambda pair: pair[0]):
        found.update(_standing([one for _, one in some], left))
    return found


def _judged(meter: Meter, one: Move, evidence: Evidence) -> Step:
    return judge(meter, one.before, one.after, one.elapsed_ms, evidence)


def _alone(meter: Meter, one: Move) -> Step:
    """Return a step that may hold a restart, as if it did: that states the most."""
    step = _judged(meter, one, Evidence.RESTARTED)
    return replace(step, kind=StepKind.NEARBY) if step.kind is StepKind.RESTARTED else step


def _explained(meter: Meter, held: Iterable[Step], restarts: int) -> int:
    """Return how many of the restarts are falls that nothing else explains.

    None where that is not sure: without a greatest rate, beside a jump, or where more fell.
    """
    kinds = [one.kind for one in held]
    fell = kinds.count(StepKind.RESET)
    is_sure = meter.max_rate is not None and StepKind.JUMP not in kinds and fell <= restarts
    return fell if is_sure else 0


def _either(meter: Meter, one: Move, held: Step) -> _Either:
    restarted = _judged(meter, one, Evidence.RESTARTED)
    if held.unknown is None:  # nothing makes it less sure
        return _Either(one.number, held, 0.0, 0.0)
    most = math.inf if restarted.unknown is None else restarted.pulses + restarted.unknown
    if meter.both_ways:
        return _Either(one.number, held, 0.0, most + abs(held.pulses))
    above = max(0.0, most - held.pulses - held.unknown)
    return _Either(one.number, held, held.pulses - restarted.pulses, above)


def _standing(some: Sequence[_Either], restarts: int) -> dict[int, Step]:
    """Return the steps of a part that stand for the restarts in any of it."""
    chosen = sorted(some, key=lambda one: (-one.below, -one.above, one.number))[:restarts]
    above = sorted((one.above for one in some), reverse=True)
    found = {}
    for one, more in zip(chosen, above, strict=False):
        step = replace(one.held, kind=StepKind.NEARBY, pulses=one.held.pulses - one.below)
        known = one.held.unknown
        unknown = None if known is None or more == math.inf else known + one.below + more
        found[one.number] = replace(step, unknown=unknown)
    return found
