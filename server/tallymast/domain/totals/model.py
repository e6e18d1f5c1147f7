"""The nouns of counting: a meter's register, what is known of restarts, a step between readings.

Counts are the register's own (raw) numbers. What nobody can know is stated as an interval and
never guessed: ``unknown`` is the most that may have passed unseen, None where even that has
no bound.
"""

import math
from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

SLACK_S: Final = 2.0  # ours: a count is older than its poll's instant by an answer's time


class Evidence(IntEnum):
    """What the restart counter says of the time between two readings; see ``restarts``."""

    HELD = 0  # no restart lies between: the power held
    RESTARTED = 1  # one does
    MISSING = 2  # it cannot tell, or the station has none


class StepKind(StrEnum):
    """What lies between two readings of one totalizer."""

    FORWARD = "forward"  # it climbed, or a meter that counts both ways moved
    ROLLOVER = "rollover"  # it climbed over its modulus
    UNPROVEN = "unproven"  # it climbed over missed polls; nothing proves that the power held
    TURNS = "turns"  # more than one way round its modulus fits
    RESTARTED = "restarted"  # the station restarted and the count went on
    NEARBY = "nearby"  # the station restarted here or not far from here, and the count went on
    RESET = "reset"  # it fell, and no rollover explains it
    EITHER = "either"  # a rollover and a reset both fit
    JUMP = "jump"  # it climbed by more than its greatest rate allows, and stayed there
    BAD = "bad"  # one reading that fits neither the one before nor the one after; passed over
    REPLACED = "replaced"  # another register counts from here on


# What a replaced station may look like in the readings.
UNSURE: Final = frozenset(
    (
        StepKind.TURNS,
        StepKind.RESTARTED,
        StepKind.NEARBY,
        StepKind.RESET,
        StepKind.EITHER,
        StepKind.JUMP,
    )
)


@dataclass(frozen=True, slots=True)
class Meter:
    """What is known of a counting register.

    Attributes:
        modulus: where it returns to 0; None: it never does.
        max_rate: most counts a second; None: nobody has said.
        both_ways: it also counts down.
        whole: its counts are whole numbers.
        gap_ms: a longer pause between readings means that polls were missed.

    """

    modulus: int | None
    max_rate: float | None = None
    both_ways: bool = False
    whole: bool = True
    gap_ms: int = 180_000

    def most(self, elapsed_ms: int) -> float | None:
        """Return the most counts that fit into a time; None without a greatest rate.

        A steady flow of x pulses in a time shows at most the next whole number above x, wherever
        in a pulse the time begins [plain arithmetic].
        """
        if self.max_rate is None:
            return None
        most = self.max_rate * elapsed_ms / 1000
        return float(math.ceil(most - 1e-9)) if self.whole else most

    def limit(self, elapsed_ms: int) -> float | None:
        """Return what is still plausible in a time: ``most``, and what clocks may be off."""
        most = self.most(elapsed_ms)
        if most is None or self.max_rate is None:
            return None
        return most + math.ceil(self.max_rate * SLACK_S)


@dataclass(frozen=True, slots=True)
class Step:
    """What passed between two readings.

    The truth lies between ``pulses`` and ``pulses + unknown + unproven``; of a meter that counts
    both ways it lies within as much of ``pulses`` on either side.

    Attributes:
        pulses: what is known to have passed.
        unknown: the most that passed besides; None: no bound is known.
        unproven: the most that passed besides if, against what is likely, the station had no
            power for a while; None: no bound is known.

    """

    kind: StepKind
    pulses: float
    unknown: float | None = 0.0
    unproven: float | None = 0.0


@dataclass(frozen=True, slots=True)
class Starts:
    """The good readings of a station's restart counter, ascending in time.

    Attributes:
        at_ms: when, UTC milliseconds, shape (m,).
        count: how often it had started by then, within the counter's modulus (m,).
        modulus: where the counter returns to 0; None: it never does.

    """

    at_ms: Ints
    count: Ints
    modulus: int | None = None


@dataclass(frozen=True, slots=True)
class Readings:
    """A register's good readings, ascending in time.

    Attributes:
        at_ms: when, UTC milliseconds, shape (n,).
        count: int64 for whole counts, else float64.
        starts: what the station's restart counter showed in the same time and round it.
        changed: whether from here on the words are understood otherwise than before (n,).

    """

    at_ms: Ints
    count: Ints | Floats
    starts: Starts
    changed: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.at_ms)

    def where(self, keep: NDArray[np.bool_]) -> "Readings":
        """Return some of the readings, as ``keep`` (n,) says."""
        return Readings(self.at_ms[keep], self.count[keep], self.starts, self.changed[keep])


@dataclass(frozen=True, slots=True)
class Exchange:
    """A station, and with it the register, was replaced; see ``count_event``.

    Attributes:
        before: the old register's last count; None: not known.
        after: the new one's first; None: not known.
        unknown: counts that passed while none counted, as somebody stated; None: nobody knows.

    """

    at_ms: int
    before: float | None
    after: float | None
    unknown: float | None


@dataclass(frozen=True, slots=True)
class CountStep:
    """A step that needs words: where it lies, what stood before and after it."""

    from_ms: int
    to_ms: int
    before: float
    after: float
    step: Step
