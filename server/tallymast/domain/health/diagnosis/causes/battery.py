"""Cause of nights too short: a battery that no longer holds its charge."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tallymast.domain.health.diagnosis.causes.supply_facts import (
    BATTERY_CAUTIONS,
    Powered,
    is_charged,
    powered,
)
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import About, Diagnosis, Said
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.diagnosis.spoken import some
from tallymast.domain.health.diagnosis.supply_days import Day
from tallymast.domain.health.nights import DAY_MS
from tallymast.domain.health.supply.battery_words import battery_to_take, battery_words
from tallymast.domain.health.supply.model import DarkNights, Verdict
from tallymast.domain.model import Chemistry, SupplyKind

# Ours, all of them.
_LATE: Final = 3  # newest nights that are held against the weeks before
_GAP: Final = 5  # nights between the two
_LEAST: Final = 7  # nights of the weeks before
_LEAST_V_H: Final = 0.003  # of a 12 V pack: a sound battery falls about so fast
_MORE_V_H: Final = 0.008
_ONE_NIGHT: Final = 3.0  # a single night must differ so many times more
_LOWER_H: Final = 2.4  # three tenths of eight hours
_GOOD: Final = 0.6  # of a good day's lift
_HELD_V: Final = 13.3  # of a 12 V pack: a controller that floats it holds it higher
_YEAR: Final = 365.25
_WORN_YEARS: Final = 4.0


@dataclass(frozen=True, slots=True)
class _Falls:
    """How fast a battery falls in its nights after days on which it was full [V/h]."""

    usual: float
    spread: float
    now: float
    nights: int
    before: int
    since_day: int

    @property
    def ratio(self) -> float:
        return self.now / max(self.usual, _LEAST_V_H, self.spread / 2)


@a_cause
def battery(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a battery at its end: dark or falling fast at night though full by day."""
    del around
    found = powered(one, SupplyKind.SOLAR)
    if found is None or found.is_stuck:
        return None
    dark, falls = _dark(found), _falls(found)
    score = _score(found, dark, falls)
    if score <= 0.0:
        return None
    since_ms = _since_ms(found, dark, falls)
    return Diagnosis(
        cause="battery",
        title="Battery at its end",
        about=About.SUPPLY,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=since_ms,
        score=score,
        says=_says(found, dark, falls),
        advice=_advice(found),
        decides=Said(
            "A capacity or load test of the charged battery: under half of its rating is the "
            "battery; a good one is load or charging."
        ),
        chart=found.chart(since_ms, "nights grew short", before_days=12.0),
        rests_on=_rests(found, falls),
        desk=("Volts by hour of the last nights: how steep are they after a full day?",),
        bring=(f"battery {battery_to_take(one.site)}", "battery tester"),
        cautions=BATTERY_CAUTIONS,
        explains=frozenset({About.CONTACT, About.COUNT}) if dark else frozenset(),
    )


# --- evidence -----------------------------------------------------------------------------


def _dark(found: Powered) -> DarkNights | int | None:
    """Return nights without power after days with charge, or how many there were lately."""
    newest = found.today
    if not is_charged(found, range(newest - 2, newest + 1)):
        return None
    if found.health.dark is not None:
        return found.health.dark
    lately = [at for at in found.clues.ran_down if at >= found.one.now_ms - 2 * DAY_MS]
    return len(lately) or None


def _falls(found: Powered) -> _Falls | None:
    if found.supply.chemistry is Chemistry.LIFEPO4:
        return None  # flat: its fall tells nothing
    full = {day.day for day in found.clues.days if _is_full(found, day)}
    nights = [day for day in found.clues.days if day.fall_v_h is not None and day.day - 1 in full]
    falls = [(day.day, day.fall_v_h or 0.0) for day in nights]
    late = [fall for day, fall in falls if day > found.today - _GAP][-_LATE:]
    before = [fall for day, fall in falls if day <= found.today - _GAP]
    if not late or len(before) < _LEAST:
        return None
    base = before[: max(_LEAST, len(before) // 2)]  # a slow wear has none in the later half
    usual, now = float(np.median(base)), float(np.median(late))
    spread = float(np.quantile(base, 0.9) - np.quantile(base, 0.1))
    doubt = 1.0 if len(late) > 1 else _ONE_NIGHT
    if now - usual < doubt * max(_MORE_V_H + found.clues.step_v / 8, spread):
        return None
    if not _ends_lower(nights, len(late), len(base), _LOWER_H * (now - usual)):
        return None
    limit = usual + 0.4 * (now - usual)
    below = [day for day, fall in falls if fall < limit]
    return _Falls(
        usual, spread, now, len(late), len(before), below[-1] + 1 if below else falls[0][0]
    )


def _ends_lower(nights: Sequence[Day], late: int, base: int, by_v: float) -> bool:
    """Whether the nights end lower than they did, as they must if they fall faster."""
    dawns = [night.dawn_v for night in nights]
    now = [dawn for dawn in dawns[-late:] if dawn is not None]
    before = [dawn for dawn in dawns[:base] if dawn is not None]
    return not now or not before or bool(np.median(before) - np.median(now) >= by_v)


def _is_full(found: Powered, day: Day) -> bool:
    share = found.clues.share(day)
    return share is not None and share >= _GOOD and (day.peak_v or 0.0) >= _HELD_V


def _score(found: Powered, dark: DarkNights | int | None, falls: _Falls | None) -> float:
    score = 0.0
    if falls is not None:
        score = 1.7 * math.log(falls.ratio) - 0.6 + 0.5 * (falls.nights - 2)
    if found.health.verdict is Verdict.AGEING:
        score = max(score + 1.0, 1.8)
    if isinstance(dark, DarkNights):
        score = max(score, 0.0) + 4.5 + 0.4 * min(dark.nights, 5)
    elif dark is not None:
        score = max(score, 0.0) + (2.8 if dark == 1 else 4.0)
    years = _years(found)
    if score > 0.0 and years is not None:
        score += 0.5 if years >= _WORN_YEARS else -0.5 if years < 1.0 else 0.0
    return min(score, 9.0)


def _years(found: Powered) -> float | None:
    days = found.health.age_days
    return None if days is None else days / _YEAR


def _since_ms(found: Powered, dark: DarkNights | int | None, falls: _Falls | None) -> int:
    if falls is not None:
        begun = [d.peak_ms for d in found.clues.days if d.day >= falls.since_day and d.peak_ms]
        if begun:
            return begun[0]
    if isinstance(dark, DarkNights):
        return found.one.now_ms - dark.nights * DAY_MS
    if dark is not None:
        return found.clues.ran_down[-dark]
    return found.one.now_ms - 14 * DAY_MS


# --- words --------------------------------------------------------------------------------


def _says(found: Powered, dark: DarkNights | int | None, falls: _Falls | None) -> Said:
    if isinstance(dark, DarkNights):
        clock = f"{dark.off_minute // 60:02d}:{dark.off_minute % 60:02d}"
        return Said(
            "goes dark about {} and returns within {} of sunrise, {} nights running; "
            "charge peak is normal",
            clock,
            _within(dark.back_after_sunrise_min),
            f"{dark.nights}",
        )
    if dark is not None:
        text = "went dark in the night though the day's charge was normal, {} of the last 2 nights"
        return Said(text, f"{min(dark, 2)}")
    if falls is None:
        return Said("pre-dawn volts fall though the battery is full each day")
    return Said(
        "falls {} an hour at night against {} before, though full by day",
        _millivolts(found, falls.now),
        _millivolts(found, falls.usual),
    )


def _within(minutes: int) -> str:
    if minutes <= 60:
        return "an hour"
    return f"{math.ceil(minutes / 60)} hours"


def _millivolts(found: Powered, of_twelve: float) -> str:
    return f"{max(of_twelve, 0.0) * found.packs * 1000:.0f}\u00a0mV"


def _advice(found: Powered) -> Said:
    return Said("Battery at its end: take a {}.", battery_words(found.one.site))


def _age(found: Powered) -> Said:
    years = _years(found)
    if years is None:
        return Said("Nobody noted when it was fitted.")
    whole = int(years)  # as everywhere: six years until the seventh is full
    age = f"{whole} years" if whole > 1 else "a year" if whole else "under a year"
    return Said("Battery is {} old.", age)


def _rests(found: Powered, falls: _Falls | None) -> tuple[Said, ...]:
    said = [_age(found)]
    if falls is not None:
        said.append(
            Said(
                "{} of late against {} before, all after good days.",
                some(falls.nights, "night"),
                some(falls.before, "night"),
            )
        )
        said.append(
            Said(
                "About {} of the capacity it had then, if the load is the same.",
                f"{100 / falls.ratio:.0f}\u00a0%",
            )
        )
    if found.health.sag_grows:
        said.append(Said("Sags under load have grown: inner resistance or a crimp."))
    return tuple(said)
