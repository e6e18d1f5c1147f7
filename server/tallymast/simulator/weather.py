"""Temperature and clouds over a district: one weather for all its sites.

Ours throughout, no station's record: seasons and days by latitude, fronts that last some days,
clouds that pass in minutes. It only has to be sensible to charge batteries and warm boxes.
"""

import numpy as np

from tallymast.simulator.chance import Chance, Floats

_DAY_S = 86400.0
_YEAR_S = 365.2425 * _DAY_S
_COLDEST_S = 20 * _DAY_S  # 20 January, north of the equator


class Weather:
    """The weather at one place of the district.

    Args:
        seed: the network's.
        latitude: degrees, north positive.
        longitude: degrees, east positive; it sets local solar time.

    """

    def __init__(self, seed: int, latitude: float, longitude: float) -> None:
        self._latitude = latitude
        self._shift_s = longitude / 15.0 * 3600.0
        self._front = Chance(seed, "weather", "front")
        self._sky = Chance(seed, "weather", "sky")
        self._cloud = Chance(seed, "weather", "cloud")

    def solar_hour(self, at_s: Floats) -> Floats:
        """Return the local mean solar time, 0 ≤ h < 24."""
        return np.asarray((at_s + self._shift_s) % _DAY_S / 3600.0)

    def temperature_c(self, at_s: Floats) -> Floats:
        """Return the air temperature [°C]."""
        return self.daily_temperature_c(at_s) + 6.5 * np.cos(
            (self.solar_hour(at_s) - 15.5) / 24.0 * 2 * np.pi
        )

    def daily_temperature_c(self, at_s: Floats) -> Floats:
        """Return the air temperature without its daily swing [°C]."""
        far = abs(self._latitude)
        season = np.cos((at_s - _COLDEST_S) / _YEAR_S * 2 * np.pi)
        if self._latitude < 0:
            season = -season
        front = 4.5 * self._front.smooth(at_s, 2.5 * _DAY_S)
        return np.asarray(self._mean_c() - 0.30 * far * season + front)

    def box_temperature_c(self, at_s: Floats) -> Floats:
        """Return what a battery feels in its box, half in the ground: seasons at half strength."""
        mean = self._mean_c()
        return np.asarray(mean + 0.55 * (self.daily_temperature_c(at_s) - mean) + 3.0)

    def _mean_c(self) -> float:
        return 28.0 - 0.47 * abs(self._latitude)

    def clearness(self, at_s: Floats) -> Floats:
        """Return the share of clear-sky sunshine that reaches the ground, 0.15 to 1."""
        spell = self._sky.smooth(at_s, 1.7 * _DAY_S)
        clouds = np.clip((0.15 - spell) / 0.9, 0.0, 1.0)  # most days are clear, some are dull
        passing = 0.5 + 0.5 * self._cloud.smooth(at_s, 1500.0)
        return np.asarray(np.clip(1.0 - clouds * (0.45 + 0.45 * passing), 0.15, 1.0))
