"""Judges what passed between two readings of one totalizer.

Two things decide: how much the greatest rate allows in the time between, and whether the
station's restart counter, read in the same polls, stands as it stood. While the power held, a
register that only climbs is bridged exactly over any number of missed polls, as long as it
cannot have gone round twice. Where a rollover and a reset both fit, it says so.
"""

from collections.abc import Sequence
from typing import Final

from tallymast.domain.totals.model import Evidence, Meter, Step, StepKind

# Ours: without a greatest rate, a fall from the last tenth to the first is a rollover.
_HIGH, _LOW = 0.9, 0.1
_SAVED_S: Final = 7 * 86_400.0  # ours: no station restores a count older than a week
_FASTEST_HZ: Final = 10_000.0  # common practice, no published source: a fast pulse input


def judge(meter: Meter, before: float, after: float, elapsed_ms: int, evidence: Evidence) -> Step:
    """Return what passed between two readings.

    Args:
        meter: the register.
        before: its first reading.
        after: the next one.
        elapsed_ms: the time between them.
        evidence: what the restart counter says.

    """
    if meter.both_ways:
        return _both_ways(meter, before, after, elapsed_ms, evidence)
    if evidence is Evidence.RESTARTED:
        return _restarted(meter, before, after, elapsed_ms)
    if meter.max_rate is None:
        return _without_rate(meter, before, after, elapsed_ms, evidence)
    return _climbing(meter, before, after, elapsed_ms, evidence)


def is_gap(meter: Meter, elapsed_ms: int) -> bool:
    """Whether polls were missed in between."""
    return elapsed_ms > meter.gap_ms


def _forward(meter: Meter, before: float, after: float) -> float | None:
    """Return the least that passed if the register only climbed; None: it cannot have."""
    if after >= before:
        return after - before
    return None if meter.modulus is None else after - before + meter.modulus


def _climbing(
    meter: Meter, before: float, after: float, elapsed_ms: int, evidence: Evidence
) -> Step:
    forward, limit, most = _forward(meter, before, after), *_bounds(meter, elapsed_ms)
    if forward is None or forward > limit:
        kind = StepKind.RESET if after < before else StepKind.JUMP
        return Step(kind, 0.0, most)
    round_again = (limit - forward) // meter.modulus * meter.modulus if meter.modulus else 0.0
    doubted = evidence is Evidence.MISSING and is_gap(meter, elapsed_ms)
    if doubted and after < before:
        return Step(StepKind.EITHER, 0.0, most)
    unproven = max(0.0, most - forward - round_again) if doubted else 0.0
    if round_again:
        return Step(StepKind.TURNS, forward, round_again, unproven)
    if doubted:
        return Step(StepKind.UNPROVEN, forward, 0.0, unproven)
    return Step(StepKind.ROLLOVER if after < before else StepKind.FORWARD, forward)


def _restarted(meter: Meter, before: float, after: float, elapsed_ms: int) -> Step:
    """Judge a step in which the station restarted, to 0, to an older count or to the same.

    Where the register stands no lower than before, at least the difference was counted: a count
    that was restored is no higher than the register was. Unless it was saved before the last
    rollover; where that may be, nothing is known to have passed.
    """
    forward = _forward(meter, before, after)
    most, limit = meter.most(elapsed_ms), meter.limit(elapsed_ms)
    fits = forward is not None and (limit is None or forward <= limit)
    if after >= before:
        is_sure = fits and _turns_rarely(meter, after - before)
        known = after - before if is_sure else 0.0
        kind = StepKind.RESTARTED if fits else StepKind.JUMP
        return Step(kind, known, None if most is None else max(0.0, most - known))
    if limit is None:
        fits = _looks_like_rollover(meter, before, after)
    return Step(StepKind.EITHER if fits else StepKind.RESET, 0.0, most)


def _turns_rarely(meter: Meter, passed: float) -> bool:
    """Whether no count that a station may still have saved is from before the last rollover."""
    if meter.modulus is None:
        return True
    fastest = meter.max_rate or _FASTEST_HZ
    return (meter.modulus - passed) / fastest > _SAVED_S


def _without_rate(
    meter: Meter, before: float, after: float, elapsed_ms: int, evidence: Evidence
) -> Step:
    forward, gap = _forward(meter, before, after), is_gap(meter, elapsed_ms)
    if after < before and not _looks_like_rollover(meter, before, after):
        return Step(StepKind.RESET, 0.0, None)
    assert forward is not None
    if not gap:
        return Step(StepKind.ROLLOVER if after < before else StepKind.FORWARD, forward)
    if evidence is Evidence.MISSING:
        if after < before:
            return Step(StepKind.EITHER, 0.0, None)
        return Step(StepKind.UNPROVEN, forward, 0.0, None)
    if meter.modulus is not None and meter.modulus <= _FASTEST_HZ * elapsed_ms / 1000:
        return Step(StepKind.TURNS, forward, None)
    return Step(StepKind.ROLLOVER if after < before else StepKind.FORWARD, forward)


def _looks_like_rollover(meter: Meter, before: float, after: float) -> bool:
    modulus = meter.modulus
    return modulus is not None and before > _HIGH * modulus and after < _LOW * modulus


def _both_ways(
    meter: Meter, before: float, after: float, elapsed_ms: int, evidence: Evidence
) -> Step:
    if meter.max_rate is None:
        return _both_ways_without_rate(meter, before, after, elapsed_ms, evidence)
    limit, most = _bounds(meter, elapsed_ms)
    ways = _ways(meter, after - before, limit)
    if evidence is Evidence.RESTARTED or not ways:
        kind = StepKind.RESTARTED if ways else StepKind.RESET
        return Step(kind, 0.0, most)
    nearest = min(ways, key=abs)
    spread = max(abs(way - nearest) for way in ways)
    doubted = evidence is Evidence.MISSING and is_gap(meter, elapsed_ms)
    unproven = max(0.0, most + abs(nearest) - spread) if doubted else 0.0
    if spread:
        return Step(StepKind.TURNS, nearest, spread, unproven)
    if doubted:
        return Step(StepKind.UNPROVEN, nearest, 0.0, unproven)
    turned = nearest != after - before
    return Step(StepKind.ROLLOVER if turned else StepKind.FORWARD, nearest)


def _ways(meter: Meter, difference: float, limit: float) -> Sequence[float]:
    """Return every movement within a limit that ends where the register stands."""
    if meter.modulus is None:
        return (difference,) if abs(difference) <= limit else ()
    least = difference - (difference + limit) // meter.modulus * meter.modulus
    count = int((limit - least) // meter.modulus) + 1
    return tuple(least + n * meter.modulus for n in range(max(0, count)))


def _both_ways_without_rate(
    meter: Meter, before: float, after: float, elapsed_ms: int, evidence: Evidence
) -> Step:
    move = after - before
    if meter.modulus is not None:
        half = meter.modulus / 2
        move = (move + half) % meter.modulus - half
        if abs(move) > half / 2:  # as far from here as from the other side
            return Step(StepKind.RESET, 0.0, None)
    if evidence is Evidence.RESTARTED:
        return Step(StepKind.RESTARTED, 0.0, None)
    if evidence is Evidence.MISSING and is_gap(meter, elapsed_ms):
        return Step(StepKind.UNPROVEN, move, 0.0, None)
    return Step(StepKind.FORWARD if move == after - before else StepKind.ROLLOVER, move)


def _bounds(meter: Meter, elapsed_ms: int) -> tuple[float, float]:
    limit, most = meter.limit(elapsed_ms), meter.most(elapsed_ms)
    assert limit is not None
    assert most is not None
    return limit, most
