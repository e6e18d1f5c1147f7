"""How misses come in a row: the two-state channel that good and bad times make."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class Transitions(NamedTuple):
    """How often one poll followed another: answered or missed, after answered or missed."""

    answered_answered: int
    answered_missed: int
    missed_answered: int
    missed_missed: int


@dataclass(frozen=True, slots=True)
class Channel:
    """A channel of two states, one that answers and one that misses (Gilbert-Elliott).

    Attributes:
        p: chance that a miss follows an answer.
        r: chance that an answer follows a miss.

    Source: loss p / (p + r), mean burst 1 / r, correlation 1 - p - r: NTIA TM-23-565.

    """

    p: float
    r: float

    @property
    def loss(self) -> float:
        """Share of polls missed in the long run, 0..1."""
        return self.p / (self.p + self.r)

    @property
    def mean_burst(self) -> float:
        """Misses in a row, on average."""
        return 1 / self.r

    @property
    def lag1(self) -> float:
        """Correlation of a poll with the next one."""
        return 1 - self.p - self.r


class GilbertElliott(NamedTuple):
    """What a row of polls says of its channel."""

    p: float
    r: float
    loss: float
    mean_burst: float
    lag1: float


def transitions(missed: NDArray[np.bool_]) -> Transitions:
    """Return how often each outcome followed each, from polls in the order of time."""
    before, after = missed[:-1], missed[1:]
    return Transitions(
        int(np.count_nonzero(~before & ~after)),
        int(np.count_nonzero(~before & after)),
        int(np.count_nonzero(before & ~after)),
        int(np.count_nonzero(before & after)),
    )


def gilbert_elliott(missed: NDArray[np.bool_]) -> GilbertElliott | None:
    """Return the channel that fits a row of polls best, None where it never changed both ways.

    Args:
        missed: polls in the order of time, evenly spaced; True where missed.

    Returns:
        The chances p and r as counted, and what follows from them: loss, mean burst, correlation.

    """
    counted = transitions(missed)
    if not counted.answered_missed or not counted.missed_answered:
        return None
    channel = Channel(
        counted.answered_missed / (counted.answered_answered + counted.answered_missed),
        counted.missed_answered / (counted.missed_answered + counted.missed_missed),
    )
    return GilbertElliott(channel.p, channel.r, channel.loss, channel.mean_burst, channel.lag1)


def channel_of(loss: float, mean_burst: float) -> Channel:
    """Return the channel that loses a share 0..1 of polls in bursts of a mean length >= 1."""
    r = 1 / mean_burst
    return Channel(p=loss * r / (1 - loss), r=r)


def mean_burst(missed_total: int, runs: int) -> float | None:
    """Return misses in a row on average, from all misses and how many runs they made."""
    return missed_total / runs if runs else None
