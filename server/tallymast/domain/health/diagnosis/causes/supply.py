"""Cause of a battery on the sun that is not charged: panel, cable, fuse or controller."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tallymast.domain.health.diagnosis.causes.supply_facts import (
    BATTERY_CAUTIONS,
    PANEL_CAUTION,
    Others,
    Powered,
    days_words,
    how_long,
    powered,
)
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import About, At, Diagnosis, Said
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.diagnosis.spoken import some
from tallymast.domain.health.diagnosis.supply_days import Day
from tallymast.domain.health.nights import DAY_MS
from tallymast.domain.model import Chemistry, SupplyKind

NO_LIFT_V: Final = 0.10
"""Ours, of a 12 V pack: warmth and meter lift a battery so far without any charge."""
# Ours, all of them.
_SUN: Final = 0.5  # of a good day's lift: the others had sun
_SUN_LITHIUM: Final = 0.75  # a dim day that lifts lead may leave lithium where it was
_FLAT: Final = 0.4  # of the usual lift
_FLAT_LITHIUM: Final = 0.15  # it is lifted little by any day, and a dim one is no cut cable
_ALIKE: Final = 0.05
_ONE_DAY: Final = 4.0  # a day says so much at most, however long the record
_BEFORE: Final = -1.0
_ALONE: Final = -1.7
_MOST: Final = 9.0
_FEW_DAYS: Final = 7
_RECENT: Final = 2  # days
_CONTROLLER: Final = (
    "Panel volts at the controller by day: present is fuse or controller, none is panel or cable."
)


_FEW_LITHIUM: Final = 4  # ours: lithium is lifted little by a dim day; a few others tell little


@dataclass(frozen=True, slots=True)
class _Run:
    """Days in a row without any lift, the newest among them, and the days before."""

    days: Sequence[Day]
    before: Sequence[Day]


@a_cause
def not_charged(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a panel, its cable, fuse or controller: no charge on days on which others had sun."""
    found = powered(one, SupplyKind.SOLAR)
    run = None if found is None or found.is_stuck else _run(found)
    if found is None or run is None:
        return None
    others = Others(one, around)
    score = _score(found, run, others)
    since_ms = _since_ms(run)
    sunny = [had for day in run.days if (had := others.had(day.day)) is not None and had >= _SUN]
    return Diagnosis(
        cause="not-charged",
        title="Panel cable, fuse or controller",
        about=About.SUPPLY,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=since_ms,
        score=score,
        says=_no_charge(found, since_ms),
        advice=Said("Panel cable, fuse or controller: panel volts at the controller decide."),
        decides=Said(_CONTROLLER),
        chart=found.chart(since_ms, "last charge"),
        rests_on=(*_rests(found, run, others, len(sunny)), *how_long(found.health.forecast)),
        desk=("Today's volts by hour: do they rise at all while the sun is up?",),
        bring=(
            "panel cable and connectors, fuses, charge controller, meter for panel volts",
            "charged battery to swap in",
        ),
        cautions=(PANEL_CAUTION, *BATTERY_CAUTIONS),
        explains=frozenset({About.CONTACT, About.COUNT}) if _is_dark(found) else frozenset(),
    )


def _is_dark(found: Powered) -> bool:
    """Whether the load was disconnected lately for want of charge."""
    return found.has_run_down or found.health.dark is not None


def _is_flat(found: Powered, day: Day) -> bool:
    """Whether a day brought no lift: less than a meter tells, and far less than is usual there."""
    if day.lift_v is None or day.lift_v >= NO_LIFT_V + found.clues.step_v / 2:
        return False
    share = found.clues.share(day)
    chilly = found.supply.chemistry is Chemistry.LIFEPO4
    return share is None or share < (_FLAT_LITHIUM if chilly else _FLAT)


def _run(found: Powered) -> _Run | None:
    known = [day for day in found.clues.days if day.lift_v is not None]
    count = 0
    for day in reversed(known):
        if not _is_flat(found, day):
            break
        if found.clues.step_v < 0.03 and day.lift_v == 0.0 and day.fall_v_h == 0.0:
            return None  # a reading that stands still
        count += 1
    if not count:
        return None
    is_new = found.today - known[-1].day <= _RECENT
    if not is_new and not found.one.moment.is_silent:
        return None
    return _Run(known[-count:], known[:-count])


def _since_ms(run: _Run) -> int:
    """Return when the last charge ended, else when the first day without began."""
    for day in reversed(run.before):
        if day.held_ms is not None:
            return day.held_ms
    first = run.days[0].peak_ms
    return 0 if first is None else first - first % DAY_MS


def _score(found: Powered, run: _Run, others: Others) -> float:
    had = {day.day: others.had(day.day) for day in run.days}
    chilly = found.supply.chemistry is Chemistry.LIFEPO4
    told, unknown = 0.0, 0
    for day in run.days:
        sun = had[day.day]
        if sun is None:
            unknown += not (chilly and day.day in found.clues.frosty)
        elif sun >= (_SUN_LITHIUM if chilly else _SUN):
            told += _says_a_day(found, run, others, sun)
    if not told:
        return _alone(found, run, unknown)
    few = 0.7 if others.count < (_FEW_LITHIUM if chilly else 2) else 0.0
    return min(_BEFORE - few + told, _MOST)


def _says_a_day(found: Powered, run: _Run, others: Others, sun: float) -> float:
    """Return what a day without lift says when the others had so much sun, from its own past."""
    alike = [
        _is_flat(found, day)
        for day in run.before
        if (had := others.had(day.day)) is not None and had >= sun - _ALIKE
    ]
    return min(-math.log((sum(alike) + 0.3) / (len(alike) + 1.0)), _ONE_DAY)


def _alone(found: Powered, run: _Run, days: int) -> float:
    """Return the score where nobody else shows the weather: beyond anything in its own past."""
    if len(run.before) < _FEW_DAYS:
        return 0.0
    longest = row = 0
    for day in run.before:
        row = row + 1 if _is_flat(found, day) else 0
        longest = max(longest, row)
    return min(_ALONE + 1.2 * (days - longest), 6.0)


def _no_charge(found: Powered, since_ms: int) -> Said:
    dawn = next((day.dawn_v for day in reversed(found.clues.days) if day.dawn_v is not None), None)
    volts = found.volts(dawn if dawn is not None else (found.last_v or 0.0))
    forecast = found.health.forecast
    cut = found.volts(found.disconnect_v)
    if found.has_run_down:
        text = "no charge since {}, silent since its supply ran down to {}"
        return Said(text, At(since_ms), found.volts(found.last_v or 0.0))
    if forecast is None:
        text = "no charge since {}, pre-dawn {}; load disconnect at {}"
        return Said(text, At(since_ms), volts, cut)
    return Said(
        "no charge since {}, pre-dawn {}; load disconnect ({}) in {}",
        At(since_ms),
        volts,
        cut,
        days_words(forecast),
    )


def _rests(found: Powered, run: _Run, others: Others, sunny: int) -> tuple[Said, ...]:
    lift = max(day.lift_v or 0.0 for day in run.days)
    usual = found.clues.usual_lift_v
    said = [
        Said(
            "{} above dawn at most on {}; usual is {}.",
            found.volts(max(lift, 0.0)),
            some(len(run.days), "day"),
            "not known" if usual is None else found.volts(usual),
        )
    ]
    if sunny:
        text = "{} near it charged as usual on {} of these days."
        said.append(Said(text, some(others.count, "other site"), f"{sunny}"))
    elif not others.count:
        said.append(Said("No other site on the sun near it shows the weather."))
    before = len(run.before)
    said.append(Said("Compared with {} of its own.", some(before, "earlier day")))
    return tuple(said)
