"""Finds where a decline begins, and asks the forecast about it."""

import numpy as np

from tallymast.domain.health.supply.charging import last_true, uncharged_run
from tallymast.domain.health.supply.forecast import Battery, Decline, forecast
from tallymast.domain.health.supply.limits import Limits, season_c
from tallymast.domain.health.supply.load import usual_load_a
from tallymast.domain.health.supply.model import Forecast
from tallymast.domain.health.supply.seen import Seen
from tallymast.domain.model import Chemistry

_BACK = 40  # Ours: nights a decline is looked for
UNCHARGED_NIGHTS = 3
"""Ours: so many nights in a row without a charge are no dull weather."""
_LEAST = 3  # Ours: nights a forecast wants, the one at its start among them


def forecast_of(
    seen: Seen, limits: Limits, *, charges: bool, start: int | None = None
) -> Forecast | None:
    """Return the forecast of a supply that goes down, None where none makes sense.

    Args:
        seen: its nights.
        limits: its limits.
        charges: whether there is still some charge, only too little.
        start: place among the dawns of the last one before the decline; None: looked for.

    """
    if not seen.dawns:
        return None
    first = _start(seen, charges) if start is None else start
    chosen = seen.dawns[first:]
    if len(chosen) < _LEAST:
        return None
    volts = seen.volts(chosen)
    if charges and volts[0] - volts[-1] < 0.03 * seen.packs + 0.7 * seen.resolution_v:
        return None
    decline = Decline(
        at_ms=seen.place.sunrise_ms(chosen[-1].day),
        days=[night.day for night in chosen],
        volts=volts,
        was_full=_was_full(seen, chosen[0].day),
        charges=charges,
        resolution_v=max(seen.resolution_v, 0.01),
    )
    return forecast(_battery(seen, limits, decline), decline)


def forecast_now(seen: Seen, limits: Limits) -> Forecast | None:
    """Return the forecast of a battery on the sun that may go down, whatever is judged of it."""
    return forecast_of(seen, limits, charges=not is_cut_off(seen))


def is_cut_off(seen: Seen) -> bool:
    """Whether nothing charges the battery any more: no dull spell, but nights without a charge.

    A battery that is charged too little has such nights between others; then at least half of
    the nights since it was last full are without.
    """
    if seen.charging is None or uncharged_run(seen.charging.charged) < UNCHARGED_NIGHTS:
        return False
    full = last_true(seen.charging.absorbed)
    since = seen.charging.charged[0 if full is None else full + 1 :]
    return since[-_BACK:].count(False) >= 0.5 * len(since[-_BACK:])


def _start(seen: Seen, charges: bool) -> int:
    """Return the place of the last dawn before the decline.

    Without charge: the one after the last charge. With too little: after the battery was last
    full, or the highest there was.
    """
    marks = () if seen.charging is None else seen.charging.charged
    if charges and seen.charging is not None:
        marks = seen.charging.absorbed
    place = last_true(marks)
    newest = seen.dawns[-1].day
    if place is not None and newest - seen.nights[place].day <= _BACK:
        day = seen.nights[place].day
        return next((n for n, night in enumerate(seen.dawns) if night.day >= day), 0)
    lately = [n for n, night in enumerate(seen.dawns) if newest - night.day <= _BACK]
    volts = np.array(seen.volts()[lately[0] :])
    return lately[0] + len(volts) - 1 - int(np.argmax(volts[::-1]))


def _was_full(seen: Seen, day: int) -> bool:
    """Whether the battery had reached absorption on one of the three days up to a dawn."""
    if seen.charging is None:
        return False
    return any(
        absorbed and day - 3 < night.day <= day
        for night, absorbed in zip(seen.nights, seen.charging.absorbed, strict=True)
    )


def _battery(seen: Seen, limits: Limits, decline: Decline) -> Battery:
    supply, installed = seen.supply, seen.supply.installed
    measured = [
        seen.temperature_c[day]
        for day in decline.days
        if seen.temperature_c is not None and day in seen.temperature_c
    ]
    age = None if installed is None else (seen.today - installed.toordinal() + _EPOCH) / 365.25
    if measured:
        temperature, around = float(np.mean(measured)), 2.0
    elif seen.place.latitude is None:
        temperature, around = 15.0, 12.0
    else:
        temperature, around = season_c(decline.days[-1], seen.place.latitude), 6.0
    return Battery(
        supply.chemistry or Chemistry.AGM,
        seen.packs,
        limits.disconnect_v,
        usual_load_a(seen.site),
        supply.capacity_ah,
        None if age is None else max(age, 0.0),
        supply.meter_offset_v,
        temperature,
        around,
    )


_EPOCH = 719_163  # the ordinal of 1970-01-01, from which days are counted
