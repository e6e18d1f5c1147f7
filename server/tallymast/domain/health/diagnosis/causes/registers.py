"""Causes of exceptions: a profile that does not fit, a station that failed, a gateway's path."""

from typing import Final

from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import About, ChartOf, Diagnosis, Said, Shown, Since
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.nights import DAY_MS
from tallymast.domain.model import SiteStatus
from tallymast.domain.record.rollups import HOUR_MS

_WRONG_MAP: Final = frozenset({1, 2, 3})
_FAILURE, _NO_PATH = 4, 0x0A
_WORDS: Final = {
    1: "function not known (01)",
    2: "no such register (02)",
    3: "value or length refused (03)",
}
_CHANGED_MS: Final = 6 * HOUR_MS  # ours: a revision that changed so near the first refusal


@a_cause
def wrong_registers(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a profile that does not fit: the station refuses registers that it names."""
    del around
    code, refused = one.moment.code, one.moment.refused
    if not _may_refuse(one) or (code not in _WRONG_MAP and not refused):
        return None
    since_ms = _since_ms(one)
    points = one.health.clues.points
    revised = points.revision_ms is not None and abs(points.revision_ms - since_ms) <= _CHANGED_MS
    title = "Firmware changed: registers moved" if revised else "Profile does not fit its registers"
    return Diagnosis(
        cause="wrong-registers",
        title=title,
        about=About.MAP,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=since_ms,
        score=_score(one, since_ms) + (1.0 if revised else 0.0),
        says=_says(one, since_ms),
        advice=Said("{}: the maker's register list decides.", title),
        decides=Said(
            "The maker's register list for the revision the station shows: other addresses are "
            "the profile, the same ones are another station at this unit address."
        ),
        chart=_chart(since_ms),
        rests_on=_rests(one),
        desk=(
            "Read the revision register and compare it with the profile's.",
            "Read the refused registers one by one from the register page.",
        ),
        bring=("the maker's register list", "cable for its configuration port"),
    )


def _may_refuse(one: SiteEvidence) -> bool:
    return one.moment.status not in (SiteStatus.MAINTENANCE, SiteStatus.NOT_POLLED)


def _since_ms(one: SiteEvidence) -> int:
    """Return since when registers are refused, as well as that is known."""
    points = one.health.clues.points
    begun = [
        gone.since_ms
        for gone in points.gone
        if gone.tag in one.moment.refused and gone.since_ms is not None
    ]
    if points.refusals is not None:
        begun.append(points.refusals.since_ms)
    return min(begun) if begun else one.now_ms


def _score(one: SiteEvidence, since_ms: int) -> float:
    refusals = one.health.clues.points.refusals
    if one.moment.refused:
        return 5.0
    if refusals is None or not refusals.asked:
        return 1.0  # this very moment only: a request of somebody at the page, perhaps
    share = refusals.refused / refusals.asked
    hours = (one.now_ms - since_ms) / HOUR_MS
    if refusals.refused < 3:
        return 1.0
    score = 2.5 if hours < 0.5 else 4.0 if hours < 6 else 5.0
    return score + (1.5 if share >= 0.8 else 0.0)


def _says(one: SiteEvidence, since_ms: int) -> Said:
    names = [point.name for tag in one.moment.refused if (point := one.site.point(tag)) is not None]
    if names:
        more = f" and {len(names) - 3} more" if len(names) > 3 else ""
        text = "the station does not have the registers of {}"
        return Said(text, ", ".join(names[:3]) + more)
    text = "the station refuses what it is asked for {}: {}"
    return Said(text, Since(since_ms), _WORDS.get(one.moment.code, f"{one.moment.code:02X}"))


def _rests(one: SiteEvidence) -> tuple[Said, ...]:
    refusals = one.health.clues.points.refusals
    if refusals is None:
        return ()
    return (Said("{} of {} polls refused.", f"{refusals.refused}", f"{refusals.asked}"),)


def _chart(since_ms: int) -> ChartOf:
    return ChartOf(Shown.GARBLED, since_ms - 2 * DAY_MS, marks=((since_ms, "first refused"),))


@a_cause
def station_failed(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a station that says itself that it failed (exception 04)."""
    del around
    if one.moment.code != _FAILURE or not _may_refuse(one):
        return None
    since_ms = _since_ms(one)
    return Diagnosis(
        cause="station-failed",
        title="Station reports a failure of its own",
        about=About.MAP,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=since_ms,
        score=_score(one, since_ms),
        says=Said("the station answers with exception 04 for {}: it failed", Since(since_ms)),
        advice=Said("Station reports a failure of its own: a restart at the station decides."),
        decides=Said(
            "A restart at the station: gone is its program, back again is its electronics or an "
            "input module."
        ),
        chart=_chart(since_ms),
        rests_on=_rests(one),
        bring=("spare station of the same make, its configuration",),
        cautions=("Outputs may move when the station restarts: isolate and lock out first.",),
    )


@a_cause
def no_path(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a converter on the way that has no path to the station (exception 0A)."""
    del around
    if one.moment.code != _NO_PATH or not _may_refuse(one):
        return None
    since_ms = _since_ms(one)
    return Diagnosis(
        cause="no-path",
        title="Converter's path to the station",
        about=About.MAP,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=since_ms,
        score=max(_score(one, since_ms), 2.0),
        says=Said("a converter on the way has no path to it (0A) for {}", Since(since_ms)),
        advice=Said("Converter's path to the station: its unit table or port decides."),
        decides=Said("The converter's table of unit addresses and the state of its port."),
        chart=_chart(since_ms),
        rests_on=_rests(one),
        desk=("Open the converter's own page: is the unit address in its table?",),
        bring=("cable for the converter's configuration port",),
    )
