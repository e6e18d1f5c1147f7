"""What the radio adds between a gateway and a site: delay, and exchanges that get lost.

Three things lose exchanges. Every site now and then has a bad spell of two minutes. A weak
signal loses single exchanges, so a retry mostly gets through. Another transmitter spoils short
stretches. Before an exchange is lost the radio itself tries again, which shows in the answer
time: it falls ill first.
"""

from dataclasses import dataclass

import numpy as np

from tallymast.domain.model import Site, SiteClass
from tallymast.simulator.chance import Chance, Floats

SPELL_S, SPELL_SHARE, SPELL_LOST = 120.0, 0.016, 0.5  # Ours: a passing truck or a gust
WEAK_S, WEAK_LOST = 3.0, 0.42  # Ours: fitted to a quarter of first tries lost at −98 dBm
STRETCH_S, STRETCH_LOST = 30.0, 0.5  # Ours: somebody else's traffic
LINK_RETRY_S, LINK_RETRIES = 0.045, 3  # Ours: one retry inside the radio, and how many it makes
WAKE_EVERY_S = 3.0  # Ours: how often a duty-cycled receiver listens


@dataclass(frozen=True, slots=True)
class Radio:
    """How lively the radio is.

    Attributes:
        hop_s: what each repeater between gateway and site adds to an answer [s].
        jitter_s: mean of what key-up and hop wait add [s].
        loses: whether exchanges get lost, and tried again, by the radio itself.

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
        self._sleeps = site.site_class is SiteClass.DUTY_CYCLED
        self._lots = {
            what: Chance(seed, site.key, what)
            for what in ("jitter", "wake", "spell", "weak", "stretch", "lot", "link")
        }

    def delay_s(self, at_s: Floats, signal_dbm: Floats) -> Floats:
        """Return what the path adds to an answer asked for at each instant [s]."""
        moment = _ms(at_s)
        lot = self._lots["jitter"].uniform(moment)
        delay = self._radio.hop_s * self._hops - self._radio.jitter_s * np.log1p(-lot)
        if self._radio.loses:
            delay = delay + LINK_RETRY_S * self._link_retries(moment, signal_dbm)
            if self._sleeps:
                delay = delay + WAKE_EVERY_S * self._lots["wake"].uniform(moment)
        return np.asarray(delay)

    def loses(self, at_s: Floats, signal_dbm: Floats, disturbed: Floats) -> np.ndarray:
        """Return whether an exchange begun at each instant is lost.

        Args:
            at_s: instants [s since 1970 UTC].
            signal_dbm: at the site.
            disturbed: share of stretches that another transmitter spoils.

        """
        if not self._radio.loses:
            return np.zeros(len(at_s), dtype=bool)
        spell = self._in("spell", at_s, SPELL_S) < SPELL_SHARE
        weak = self._in("weak", at_s, WEAK_S) < weak_share(signal_dbm)
        spoiled = self._in("stretch", at_s, STRETCH_S) < disturbed
        lot = self._lots["lot"].uniform(_ms(at_s))
        worst = np.maximum(
            np.where(spell, SPELL_LOST, 0.0),
            np.maximum(np.where(weak, WEAK_LOST, 0.0), np.where(spoiled, STRETCH_LOST, 0.0)),
        )
        return np.asarray(lot < worst)

    def _in(self, what: str, at_s: Floats, length_s: float) -> Floats:
        return self._lots[what].uniform((at_s // length_s).astype(np.int64))

    def _link_retries(self, moment: np.ndarray, signal_dbm: Floats) -> Floats:
        """Return how often the radio itself had to try again, 0 to 3."""
        fails = 0.03 + 0.9 * weak_share(signal_dbm - 6.0)  # 6 dB before exchanges are lost
        lot = np.maximum(self._lots["link"].uniform(moment), 1e-12)
        return np.asarray(np.minimum(np.floor(np.log(lot) / np.log(fails)), LINK_RETRIES))


def weak_share(signal_dbm: Floats) -> Floats:
    """Return the share of moments in which a signal is too weak [dBm].

    Ours, fitted to what the trade tells: nothing at a good signal, half at −98 dBm, nearly all
    below −106 dBm.
    """
    return np.asarray(1.0 / (1.0 + np.exp((signal_dbm + 98.0) / 2.0)))


def _ms(at_s: Floats) -> np.ndarray:
    return np.asarray((at_s * 1000).astype(np.int64))
