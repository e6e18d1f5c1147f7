"""Says between which readings of a totalizer the station restarted, by its restart counter.

The counter need not be read as often as the totalizer: slow points are read once an hour. Where
it stands between two of its own readings, no restart lies anywhere between them. Where it grew,
that many lie somewhere between them, and nothing says where, unless one step fills that time. A
restart takes a station a while, so a counter that grew by more than fits was set back itself:
then any number may lie there. One that may have gone round in the time proves nothing.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from tallymast.domain.totals.model import Evidence, Ints, Starts

REACH_MS: Final = 26 * 3_600_000  # ours: slow points are read hourly, and may fail for a day
_RESTART_MS: Final = 60_000  # ours: no station restarts more often than once a minute for long
_MANY: Final = 2**40


@dataclass(frozen=True, slots=True)
class Somewhere:
    """Restarts of which only the time between two readings of their counter is known.

    Attributes:
        steps: the steps in which they may lie, by the numbers of their first readings (k,).
        most: how many they are at most.

    """

    steps: Ints
    most: int


@dataclass(frozen=True, slots=True)
class Told:
    """What a restart counter tells of the steps between a totalizer's readings.

    Attributes:
        evidence: of each step, shape (n - 1,); ``MISSING`` of those in ``somewhere``.
        somewhere: restarts that may lie in one step or another.

    """

    evidence: Ints
    somewhere: tuple[Somewhere, ...]

    def over(self, first: int, last: int) -> Evidence:
        """Return the evidence from one reading to another, a possible restart taken for one."""
        inside = set(range(first, last))
        if any(inside & set(one.steps.tolist()) for one in self.somewhere):
            return Evidence.RESTARTED
        some = set(self.evidence[first:last].tolist())
        for worst in (Evidence.RESTARTED, Evidence.MISSING):
            if worst in some:
                return worst
        return Evidence.HELD


def told(at_ms: Ints, starts: Starts) -> Told:
    """Return what a restart counter tells.

    Args:
        at_ms: when the totalizer was read, ascending, UTC milliseconds, shape (n,).
        starts: the restart counter's readings, from before to after these where there are any.

    """
    evidence = np.full(max(0, len(at_ms) - 1), Evidence.MISSING, np.int64)
    if not len(evidence) or len(starts.at_ms) < 2:
        return Told(evidence, ())
    reading, start = _fixed(at_ms, starts.at_ms)
    grown = _grown(starts, start)
    begin, end = starts.at_ms[start[:-1]], starts.at_ms[start[1:]]
    spans = np.diff(reading)
    first, last = int(reading[0]), int(reading[-1])
    between = np.repeat(np.arange(len(spans)), spans)  # the span of each step from first to last
    near = at_ms[first:last] - begin[between] <= REACH_MS
    near &= end[between] - at_ms[first + 1 : last + 1] <= REACH_MS
    evidence[first:last][near & (grown[between] == 0)] = Evidence.HELD
    filled = (spans == 1) & (begin == at_ms[reading[:-1]]) & (end == at_ms[reading[1:]])
    evidence[reading[:-1][filled & (grown > 0)]] = Evidence.RESTARTED
    found = []
    for n in np.flatnonzero(~filled & (grown > 0)):
        steps = first + np.flatnonzero((between == n) & near)
        if len(steps):
            found.append(Somewhere(steps, min(int(grown[n]), len(steps))))
    return Told(evidence, tuple(found))


def _fixed(at_ms: Ints, starts_ms: Ints) -> tuple[Ints, Ints]:
    """Return where both were read in one poll: numbers of readings and of the counter's.

    The counter's last reading before all others stands for the first reading, and its first one
    after all others for the last.
    """
    _, reading, start = np.intersect1d(at_ms, starts_ms, assume_unique=True, return_indices=True)
    before = int(np.searchsorted(starts_ms, at_ms[0], side="right")) - 1
    if before >= 0 and (not len(reading) or reading[0] > 0):
        reading, start = np.append(0, reading), np.append(before, start)
    after = int(np.searchsorted(starts_ms, at_ms[-1], side="left"))
    if after < len(starts_ms) and (not len(reading) or reading[-1] < len(at_ms) - 1):
        reading, start = np.append(reading, len(at_ms) - 1), np.append(start, after)
    if not len(reading):
        reading = start = np.zeros(1, np.int64)
    return reading.astype(np.int64), start.astype(np.int64)


def _grown(starts: Starts, start: Ints) -> Ints:
    """Return how many restarts lie from each of some readings of the counter to the next.

    ``_MANY`` or more: nobody can say how many; -1: nobody can say whether any.
    """
    moved = np.diff(starts.count)
    if starts.modulus is not None:
        moved %= starts.modulus
    most = np.diff(starts.at_ms) // _RESTART_MS + 1
    round_again = most >= starts.modulus if starts.modulus is not None else most < 0
    moved[(moved < 0) | (moved > most) | (round_again & (moved > 0))] = _MANY
    totals = np.concatenate(([0], np.cumsum(moved)))
    doubts = np.concatenate(([0], np.cumsum(round_again)))
    grown, doubted = np.diff(totals[start]), np.diff(doubts[start]) > 0
    return np.asarray(np.where(doubted & (grown == 0), -1, grown))
