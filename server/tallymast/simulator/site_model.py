"""What is true at one site at any instant: a pure function of seed, site and time."""

import numpy as np

from tallymast.domain.model import Network, Point, PointKind, Site
from tallymast.simulator.chance import Chance, Floats


class SiteModel:
    """The physics of one site; asking it changes nothing."""

    def __init__(self, network: Network, site: Site, seed: int) -> None:
        self._site = site
        self._seed = seed
        self.revision_text = "R3.12"

    def values(self, point: Point, at_s: Floats) -> Floats:
        """Return the point's engineering value at each instant [s since 1970 UTC]."""
        chance = Chance(self._seed, self._site.key, point.tag)
        if point.kind is PointKind.TOTALIZER:
            total = np.floor((at_s - 1.6e9) * chance.between(0.2, 0.6))
            return np.asarray(total % (point.modulus or 2**32))
        if point.kind is PointKind.SUPPLY_VOLTAGE:
            return 12.9 + 0.3 * chance.smooth(at_s, 3600.0)
        if point.kind is PointKind.SIGNAL:
            return -75.0 + 2.0 * chance.smooth(at_s, 600.0)
        low, high = point.value or (0.0, 100.0)
        if point.kind in (PointKind.ANALOG_INPUT, PointKind.RATE, PointKind.TEMPERATURE):
            return (low + high) / 2 + (high - low) / 4 * chance.smooth(at_s, 900.0)
        if point.kind is PointKind.COUNTER:
            return np.full(len(at_s), float(int(chance.between(1, 9))))
        return np.zeros(len(at_s))
