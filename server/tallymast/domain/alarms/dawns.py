"""Judges a solar supply by its voltage before dawn: what a night leaves, not what the sun hides.

A sinking battery falls below its limit each night and stands above it each morning as soon as the
sun charges it. Judged by the live voltage it would call each night and clear each morning. So:

- a night whose voltage before dawn was at the limit or below is abnormal until a better night;
- the live voltage may raise an alarm at night, before that night was judged, and by day too where
  it is near the load's disconnect: with the sun up that is worse, and the station may go dark
  before the next dawn. A warning by day waits for the night, a pump's load may pull it down;
- at night, and after a sunrise until its night was judged, no live voltage clears one: that takes
  a night above the limit and its deadband.

Where no night of the last 30 h is known (a new site, no panel, contact lost at dawn) the live
voltage decides, as for a battery on a charger.
"""

from dataclasses import dataclass, replace

from tallymast.domain.alarms.judged import judged, spoken
from tallymast.domain.alarms.model import Alarm, Condition, Seen

FRESH_MS = 30 * 3_600_000  # ours: a day, and six hours in which the next night is judged
DUE_MS = 24 * 3_600_000 - 6 * 60_000  # a sunrise comes so much after the one before, at least
WARNING = "supply-low"  # the end of the key of the alarm that only warns


@dataclass(frozen=True, slots=True)
class Dawn:
    """The newest night that was judged, and whether the sun is up now.

    Attributes:
        sunrise_ms: when it ended [UTC ms].
        volts: median of its last two hours, as the station showed it [V].
        is_dark: whether it is night now.

    """

    sunrise_ms: int
    volts: float
    is_dark: bool


def judge_by_dawn(alarm: Alarm, live: Seen, dawn: Dawn, offset_v: float, now_ms: int) -> Seen:
    """Judge a supply by its newest night and what it shows now.

    Args:
        alarm: with its limit and deadband [V].
        live: what the newest reading says by itself.
        dawn: the newest night, not older than 30 h.
        offset_v: by how much the station shows more than is there [V].
        now_ms: when somebody looks [UTC ms].

    """
    volts = dawn.volts - offset_v
    words = f"{spoken(volts, 'V')} before dawn"
    night = judged(alarm, volts, dawn.sunrise_ms, words, above=False)
    if night.condition is Condition.ABNORMAL:
        return replace(night, at_ms=_newest(live, dawn), since_ms=dawn.sunrise_ms)
    if live.condition is Condition.UNKNOWN:
        return live
    if live.condition is Condition.ABNORMAL:
        is_warning = alarm.key.endswith(f"/{WARNING}")
        held = replace(live, condition=Condition.NORMAL, back=True)
        return held if is_warning and not dawn.is_dark else live
    waits = dawn.is_dark or now_ms - dawn.sunrise_ms >= DUE_MS
    return replace(live, back=live.back or night.back or waits)


def _newest(live: Seen, dawn: Dawn) -> int:
    return max(live.at_ms or 0, dawn.sunrise_ms)
