"""Which silences of a site were nights without power, and how they went.

A controller drops the load when the battery comes to its disconnect voltage and gives it back
when the sun has lifted it again: so the last reading before is low, and the return comes by day.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np

from tallymast.domain.health.nights import Night, day_number, sunrise_ms
from tallymast.domain.health.supply.model import DarkNights
from tallymast.domain.local_times import local_time

_NEAR_V = 0.35  # Ours: of a 12 V pack; a meter errs by 0.12 and the last reading is older
_MINUTE_MS = 60_000
_ALIKE_MIN = 120  # ours: nights of a row go dark within two hours of its usual time
_BACK_WITHIN_MS = 6 * 3_600_000  # ours: after sunrise; later it was something else
_DUSK_MS = 15 * 3_600_000  # ours: it begins so long before sunrise at most
LEAST_NIGHTS = 2


@dataclass(frozen=True, slots=True)
class Place:
    """Where the sun rises for a site, and whose clock is used."""

    latitude: float | None
    longitude: float | None
    zone: tzinfo

    def sunrise_ms(self, day: int) -> int:
        """Return the sunrise of a local day; 06:00 where nobody knows where the site stands."""
        date = datetime(1970, 1, 1, tzinfo=UTC).date() + timedelta(days=day)
        if self.latitude is None or self.longitude is None:
            six = datetime(date.year, date.month, date.day, 6, tzinfo=self.zone)
            return round(six.timestamp() * 1000)
        return sunrise_ms(date, self.latitude, self.longitude, self.zone)


@dataclass(frozen=True, slots=True)
class _Dark:
    day: int
    off_ms: int
    back_min: int | None  # after sunrise; None: not back yet


def dark_nights(
    spans: Sequence[tuple[int, int | None]],
    nights: Sequence[Night],
    disconnect_v: float,
    packs: float,
    place: Place,
    now_ms: int,
) -> DarkNights | None:
    """Return the row of nights without power that goes on to the newest night.

    Args:
        spans: in which the site did not answer, from and to, UTC milliseconds; an end of None:
            it still does not.
        nights: what its voltages said.
        disconnect_v: the pack's.
        packs: 12 V packs in a row.
        place: of the site.
        now_ms: the newest night is the one whose sun rose last, or the one that is under way.

    """
    by_day = {night.day: night for night in nights}
    near_v = disconnect_v + _NEAR_V * packs
    found: dict[int, _Dark] = {}
    for from_ms, to_ms in spans:
        one = _night_of(from_ms, to_ms, place, now_ms)
        night = None if one is None else by_day.get(one.day)
        if one is not None and night is not None and _ran_down(night, one.off_ms, near_v):
            found.setdefault(one.day, one)
    row = _newest_row(found, _newest_day(place, now_ms))
    return _told(row, place.zone) if len(row) >= LEAST_NIGHTS else None


def _night_of(from_ms: int, to_ms: int | None, place: Place, now_ms: int) -> _Dark | None:
    """Return the night a silence lies in, None where it does not lie as a dark night does."""
    local = local_time(from_ms, place.zone)
    for day in (day_number(local.date()), day_number(local.date()) + 1):
        risen_ms = place.sunrise_ms(day)
        if not risen_ms - _DUSK_MS <= from_ms < risen_ms:
            continue
        if to_ms is None:
            is_night = now_ms < risen_ms + _BACK_WITHIN_MS
            return _Dark(day, from_ms, None) if is_night else None
        if risen_ms <= to_ms < risen_ms + _BACK_WITHIN_MS:
            return _Dark(day, from_ms, (to_ms - risen_ms) // _MINUTE_MS)
    return None


def _ran_down(night: Night, off_ms: int, near_v: float) -> bool:
    """Whether a night's voltage came near the disconnect before the silence began."""
    if night.low_v is None or night.low_ms is None:
        return False
    return night.low_v <= near_v and night.low_ms <= off_ms + 15 * _MINUTE_MS


def _newest_day(place: Place, now_ms: int) -> int:
    local = local_time(now_ms, place.zone)
    day = day_number(local.date())
    return day if now_ms >= place.sunrise_ms(day) else day - 1


def _newest_row(found: dict[int, _Dark], newest: int) -> list[_Dark]:
    day = newest + 1 if newest + 1 in found else newest
    row = []
    while day in found:
        row.append(found[day])
        day -= 1
    return row


def _told(row: Sequence[_Dark], zone: tzinfo) -> DarkNights:
    """Return what to say of a row, its newest night first; its first nights may not count.

    A battery that comes to its end goes dark a little before sunrise first: that is no usual time.
    """
    minutes = [_after_noon_min(one.off_ms, zone) for one in row]
    usual = float(np.median(minutes))
    while len(minutes) > LEAST_NIGHTS and abs(minutes[-1] - usual) > _ALIKE_MIN:
        minutes.pop()
        usual = float(np.median(minutes))
    back = [one.back_min for one in row[: len(minutes)] if one.back_min is not None]
    return DarkNights(
        len(minutes),
        round(usual + 720) % 1440,
        round(float(np.quantile(back, 0.9))) if back else 0,
    )


def _after_noon_min(at_ms: int, zone: tzinfo) -> int:
    local = local_time(at_ms, zone)
    return (local.hour * 60 + local.minute - 720) % 1440
