"""What the radio adds between a gateway and a site: delay, and exchanges that get lost.

Losses come in bursts: each site has good and bad stretches of 20 s, and most exchanges of a
bad stretch fail. How often a stretch is bad follows from the signal.
"""

from dataclasses import dataclass

import numpy as np

from tallymast.domain.model import Site
from tallymast.simulator.chance import Chance, Floats

STRETCH_S = 20.0  # Ours: a passing truck or a gust, not a storm.
BAD_SHARE_LOST = 0.5  # Ours: half the exchanges of a bad stretch still get through.


@dataclass(frozen=True, slots=True)
class Radio:
    """How lively the radio is.

    Attributes:
        hop_s: what each repeater between gateway and site adds to an answer [s].
        jitter_s: mean of what link retries inside the radio add [s].
        loses: whether exchanges get lost by the radio itself.

    """

    hop_s: float = 0.0
    jitter_s: float = 0.0
    loses: bool = False


STEADY = Radio()  # nothing but the wire and the turnaround: for measuring
LIVELY = Radio(hop_s=0.12, jitter_s=0.015, loses=True)  # Ours: as the trade knows radios


class RadioPath:
    """One site's path."""

    def __init__(self, radio: Radio, site: Site, hops: int, seed: int) -> None:
        self._radio = radio
        self._hops = hops
        self._jitter = Chance(seed, site.key, "jitter")
        self._stretch = Chance(seed, site.key, "stretch")
        self._lot = Chance(seed, site.key, "lot")

    def delay_s(self, at_s: Floats) -> Floats:
        """Return what the path adds to an answer asked for at each instant [s]."""
        lot = self._jitter.uniform((at_s * 1000).astype(np.int64))
        return self._radio.hop_s * self._hops - self._radio.jitter_s * np.log1p(-lot)

    def loses(self, at_s: Floats, signal_dbm: Floats) -> np.ndarray:
        """Return whether an exchange begun at each instant is lost."""
        if not self._radio.loses:
            return np.zeros(len(at_s), dtype=bool)
        bad = self._stretch.uniform((at_s // STRETCH_S).astype(np.int64)) < bad_share(signal_dbm)
        lot = self._lot.uniform((at_s * 1000).astype(np.int64))
        return bad & (lot < BAD_SHARE_LOST)


def bad_share(signal_dbm: Floats) -> Floats:
    """Return the share of bad stretches at a signal strength [dBm].

    Ours, fitted to what the trade tells: 1 % of first tries fail at a good signal, a quarter
    at −98 dBm, nearly all below −106 dBm.
    """
    weak = 1.0 / (1.0 + np.exp((signal_dbm + 98.0) / 2.0))
    return np.asarray(np.clip(0.016 + weak, 0.0, 1.0))
