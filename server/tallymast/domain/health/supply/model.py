"""The nouns of a supply's judgement: verdict, trend, forecast, nights without power.

What is not known is None. A forecast is a range, never a day and an hour.
"""

from dataclasses import dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """How a supply is, in the words people read."""

    STEADY = "steady"
    DECLINING = "declining"
    NOT_CHARGING = "not charging"
    OVERCHARGING = "overcharging"
    AGEING = "ageing"
    DARK_AT_NIGHT = "disconnecting at night"
    STUCK = "reading stuck"
    TELLS_LITTLE = "voltage tells little"
    FEW_NIGHTS = "not enough days"
    UNKNOWN = "no reading"


@dataclass(frozen=True, slots=True)
class Trend:
    """A robust line through pre-dawn voltages.

    Attributes:
        nights: how many it was drawn through.
        per_day_v: the slope [V/day].
        low_v: lower end of its 95 % interval [V/day], resolution of the meter included.
        high_v: its upper end.

    """

    nights: int
    per_day_v: float
    low_v: float
    high_v: float

    @property
    def falls(self) -> bool:
        """Whether it falls beyond doubt."""
        return self.high_v < 0.0


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the load will be disconnected if nothing is done, as a range of days from ``at_ms``.

    Attributes:
        at_ms: when the newest night it rests on ended.
        low_days: one time in ten it comes sooner.
        median_days: as likely sooner as later.
        high_days: one time in ten it comes later; None: it may not come at all.
        disconnect_v: the voltage it is made to [V].
        nights: how many nights it rests on.
        wide: made from few nights, to be said beside it.

    """

    at_ms: int
    low_days: float
    median_days: float
    high_days: float | None
    disconnect_v: float
    nights: int
    wide: bool = False


@dataclass(frozen=True, slots=True)
class DarkNights:
    """Nights in which the station lost its power.

    Attributes:
        nights: in a row, the newest among them.
        off_minute: the usual minute of the local day at which it goes dark.
        back_after_sunrise_min: after so many minutes of sun it was back nine times of ten.

    """

    nights: int
    off_minute: int
    back_after_sunrise_min: int


@dataclass(frozen=True, slots=True)
class SupplyHealth:
    """What can be said of a supply today.

    Attributes:
        verdict: in a word.
        nights: nights with a pre-dawn voltage that were looked at.
        predawn_v: the newest of them [V].
        predawn_day: its local day, counted from 1970-01-01.
        since_ms: since when the verdict holds, None where that is not known.
        trend: of the pre-dawn voltages, None under seven nights.
        forecast: only where the supply goes down and its voltage tells when.
        sag_v: the newest night's deepest dip below the pre-dawn voltage [V].
        sag_grows: whether sags have grown beyond doubt.
        charged_ms: when the battery was last seen charging, None where it never was.
        absorbed_ms: when it last reached its absorption voltage.
        dark: nights without power.
        age_days: of the battery, None where nobody wrote down when it was fitted.
        peak_v: the newest day's charge peak [V].

    """

    verdict: Verdict
    nights: int = 0
    predawn_v: float | None = None
    predawn_day: int | None = None
    since_ms: int | None = None
    trend: Trend | None = None
    forecast: Forecast | None = None
    sag_v: float | None = None
    sag_grows: bool = False
    charged_ms: int | None = None
    absorbed_ms: int | None = None
    dark: DarkNights | None = None
    age_days: int | None = None
    peak_v: float | None = None
