"""How sure a share of polls is, when misses come in bursts.

An interval on raw polls takes each poll for a witness of its own and is several times too sure:
at a correlation of 0.7 from poll to poll only 18 of 100 polls count. Here the polls of some hours
make one block, and the scatter between blocks says how many independent polls a poll is worth.
"""

from math import ceil, sqrt
from statistics import NormalDist
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.model import Share

LEAST_POLLS: Final = 100  # common practice, no published source
LEAST_HOURS: Final = 24  # common practice, no published source
USUAL_LAG1: Final = 0.7  # where the site itself shows too little: a middling burstiness
_LEAST_RARE: Final = 10  # Ours: fewer misses (or fewer answers) show no scatter to rely on
_BLOCK_POLLS: Final = 40  # Ours: a block must be longer than a burst, so slow sites get longer ones
_LEAST_BLOCKS: Final = 12  # Ours: the scatter of fewer blocks is itself mostly chance

Numbers = NDArray[np.integer[Any]] | NDArray[np.floating[Any]]


def wilson(part: float, whole: float, level: float = 0.95) -> tuple[float, float]:
    """Return Wilson's score interval of a share, 0..1.

    Args:
        part: what counts, 0..whole; need not be a whole number.
        whole: of how many; nothing at all leaves everything open: (0, 1).
        level: how often the interval shall hold the true share.

    Source: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212; R. G. Newcombe, Stat. Med. 17
    (1998) 857-872, method 3.

    """
    if whole <= 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + level / 2)
    share = part / whole
    middle = share + z * z / (2 * whole)
    half = z * sqrt(max(share * (1 - share), 0.0) / whole + (z / (2 * whole)) ** 2)
    scale = 1 + z * z / whole
    return max((middle - half) / scale, 0.0), min((middle + half) / scale, 1.0)


def effective_n(whole: float, rho: float) -> float:
    """Return how many independent polls correlated ones are worth: n (1 - rho) / (1 + rho).

    Args:
        whole: polls.
        rho: correlation from one poll to the next, -1..1; the further ones are taken to fall off
            as its powers, as those of a Gilbert-Elliott channel do.

    Source: variance of the mean of a first-order process, e.g. Box, Jenkins, Reinsel, *Time
    Series Analysis*, 2.1 (from memory).

    """
    return whole * (1 - rho) / (1 + rho)


def design_effect(parts: Numbers, wholes: Numbers) -> float:
    """Return how many polls are worth one independent poll, at least 1.

    The scatter of blocks of neighbouring hours against that of independent polls (the variance of
    a ratio over cluster samples, by the binomial one). Where fewer than 10 polls differ from the
    rest, or there are fewer than 12 blocks, the usual burstiness is taken: (1 + 0.7) / (1 - 0.7).

    Args:
        parts: polls that count, hour by hour, oldest first.
        wholes: polls asked in the same hours; hours of 0 are left out.

    Source: L. Kish, *Survey Sampling* (1965), design effect (from memory).

    """
    usual = (1 + USUAL_LAG1) / (1 - USUAL_LAG1)
    total, part = float(wholes.sum()), float(parts.sum())
    if min(part, total - part) < _LEAST_RARE:
        return usual
    counted, polls = _blocks(parts, wholes)
    if len(polls) < _LEAST_BLOCKS:
        return usual
    share = part / total
    between = float(((counted - polls * share) ** 2).sum()) * len(polls) / (len(polls) - 1)
    return max(1.0, between / (total * share * (1 - share)))


def share_of(parts: Numbers, wholes: Numbers) -> Share:
    """Return the share of polls over some hours, with its 95 % interval.

    The interval is Wilson's on as many polls as the hours are worth independent ones. It is left
    open under 100 polls or under 24 hours with polls: too little to speak of a rate.

    Args:
        parts: polls that count, hour by hour, oldest first.
        wholes: polls asked in the same hours; hours of 0 are left out.

    """
    part, whole = int(parts.sum()), int(wholes.sum())
    if whole < LEAST_POLLS or int(np.count_nonzero(wholes)) < LEAST_HOURS:
        return Share(part, whole)
    worth = whole / design_effect(parts, wholes)
    low, high = wilson(part / whole * worth, worth)
    return Share(part, whole, low, high, worth)


def difference(after: Share, before: Share) -> tuple[float, float] | None:
    """Return the 95 % interval of ``after - before``, None where either is not known.

    Source: R. G. Newcombe, Stat. Med. 17 (1998) 873-890, method 10 (hybrid score), on the
    intervals of the two shares.
    """
    ends = (after.share, after.low, after.high, before.share, before.low, before.high)
    if any(end is None for end in ends):
        return None
    now, now_low, now_high, was, was_low, was_high = (float(end or 0.0) for end in ends)
    fall = sqrt((now - now_low) ** 2 + (was_high - was) ** 2)
    rise = sqrt((now_high - now) ** 2 + (was - was_low) ** 2)
    return now - was - fall, now - was + rise


def differs(after: Share, before: Share) -> bool:
    """Return whether two shares differ beyond chance: the interval leaves 0 out."""
    ends = difference(after, before)
    return ends is not None and (ends[0] > 0 or ends[1] < 0)


def _blocks(
    parts: Numbers, wholes: Numbers
) -> tuple[NDArray[np.floating[Any]], NDArray[np.floating[Any]]]:
    """Return hours joined to blocks of at least some polls; the last one may be shorter."""
    known = wholes > 0
    counted, polls = parts[known].astype(np.float64), wholes[known].astype(np.float64)
    hours = max(1, ceil(_BLOCK_POLLS / float(np.median(polls))))
    begins = np.arange(0, len(polls), hours)
    return np.add.reduceat(counted, begins), np.add.reduceat(polls, begins)
