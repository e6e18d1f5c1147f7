"""Random numbers that are facts: the same seed, subject and step always give the same number.

Nothing here remembers what was asked before, so a value never depends on how often a site was
polled, in what order, or when the simulator was started.
"""

import hashlib

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2 = np.uint64(0x94D049BB133111EB)
_TO_UNIT = 2.0**-53


class Chance:
    """A stream of random numbers, addressed by an integer step instead of drawn in turn.

    Args:
        seed: the whole network's seed.
        subject: what the numbers are about, for example a site's key and a word.

    Source: the mixing function of S. Vigna's public-domain splitmix64; from memory, checked in
    the tests by its first outputs.

    """

    def __init__(self, seed: int, *subject: str) -> None:
        text = "\x1f".join((str(seed), *subject)).encode()
        self._base = np.uint64(int.from_bytes(hashlib.blake2b(text, digest_size=8).digest()))

    def bits(self, steps: Ints) -> npt.NDArray[np.uint64]:
        """Return 64 random bits a step."""
        return mixed(np.asarray(steps, dtype=np.int64).view(np.uint64) * _GOLDEN + self._base)

    def uniform(self, steps: Ints) -> Floats:
        """Return numbers evenly spread in 0 ≤ x < 1, one a step."""
        return np.asarray((self.bits(steps) >> np.uint64(11)) * _TO_UNIT, dtype=np.float64)

    def normal(self, steps: Ints) -> Floats:
        """Return numbers of mean 0 and variance 1 within ±3.47, one a step.

        Four 16-bit parts of one hash are added: near enough to a bell curve for noise, and
        without its endless tails.
        """
        bits = self.bits(steps)
        parts = np.zeros(bits.shape)
        for shift in (0, 16, 32, 48):
            parts += ((bits >> np.uint64(shift)) & np.uint64(0xFFFF)) * 2.0**-16
        return np.asarray((parts - 2.0 + 2.0**-15) * np.sqrt(3.0))

    def smooth(self, at_s: Floats, step_s: float) -> Floats:
        """Return a smooth curve through random heights in −1..1 that stand ``step_s`` apart.

        Args:
            at_s: instants [s since 1970 UTC].
            step_s: distance of the heights [s]; nothing changes much faster than that.

        """
        place = np.asarray(at_s, dtype=np.float64) / step_s
        left = np.floor(place)
        share = place - left
        share = share * share * (3.0 - 2.0 * share)
        knot = left.astype(np.int64)
        low, high = self.uniform(knot), self.uniform(knot + 1)
        return np.asarray(2.0 * (low + (high - low) * share) - 1.0)

    def constant(self, n: int = 0) -> float:
        """Return the n-th of this subject's lasting traits, 0 ≤ x < 1."""
        return float(self.uniform(np.array([n]))[0])

    def between(self, low: float, high: float, n: int = 0) -> float:
        """Return the n-th lasting trait as a number between two bounds."""
        return low + (high - low) * self.constant(n)


def mixed(state: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """Return splitmix64's output for each state already advanced by its golden step."""
    state = (state ^ (state >> np.uint64(30))) * _MIX_1
    state = (state ^ (state >> np.uint64(27))) * _MIX_2
    return state ^ (state >> np.uint64(31))
