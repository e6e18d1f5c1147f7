"""Whether a station fell silent because it had no power; a guess is never made of no voltage."""

from typing import Final

from tallymast.domain.health.comms.model import Outage

_NEAR_V: Final = 0.3  # Ours, of 12 V: what a controller's limit and a meter err together
_CLOSE_V: Final = 0.8  # Ours, of 12 V: what a battery near its end loses from one poll to the next
_CHARGED_V: Final = 12.6  # Ours, of 12 V: less on coming back is no charge
_BACK_MIN: Final = 240  # Ours: a controller reconnects hours after sunrise, not at dawn
_NIGHT_MS: Final = 14 * 3_600_000  # Ours: no night of the inhabited latitudes is much longer


def supply_caused(
    outage: Outage,
    before_v: float | None,
    after_v: float | None,
    disconnect_v: float | None,
    *,
    nominal_v: float,
    back_after_sunrise_min: float | None,
) -> bool:
    """Return whether an outage is put down to the supply.

    Ours: it is when the last voltage before it was at most 0.3 V above the one at which the
    controller drops the load; or when the site fell silent at most 0.8 V above it by night and
    came back within four hours after sunrise on a voltage that shows charge (at least 12.6 V and
    above the last one). Volts are those of a 12 V battery and grow with ``nominal_v``. Without
    the voltage before or the limit it never is.

    Args:
        outage: the outage.
        before_v: last supply voltage before it [V].
        after_v: first one after it [V].
        disconnect_v: at which the load is dropped [V].
        nominal_v: 12 or 24 [V].
        back_after_sunrise_min: minutes from the sunrise of the day on which it came back.

    """
    if before_v is None or disconnect_v is None:
        return False
    scale = nominal_v / 12
    above = before_v - disconnect_v
    if above <= _NEAR_V * scale:
        return True
    if after_v is None or above > _CLOSE_V * scale:
        return False
    charged = after_v >= _CHARGED_V * scale and after_v > before_v
    return charged and _over_a_night(outage, back_after_sunrise_min)


def _over_a_night(outage: Outage, back_after_sunrise_min: float | None) -> bool:
    """Return whether it began in the night before the sunrise after which it ended."""
    if outage.to_ms is None or back_after_sunrise_min is None:
        return False
    sunrise_ms = outage.to_ms - back_after_sunrise_min * 60_000
    by_night = sunrise_ms - _NIGHT_MS <= outage.from_ms < sunrise_ms
    return by_night and 0 <= back_after_sunrise_min <= _BACK_MIN
