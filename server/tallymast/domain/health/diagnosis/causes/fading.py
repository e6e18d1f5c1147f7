"""A signal that sinks from week to week: something grows into the path, or the antenna ages."""

from tallymast.domain.health.diagnosis.causes.antenna import change_of, contact_words, signal_of
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import About, At, ChartOf, Diagnosis, Said, Shown
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.diagnosis.signal_clues import Fade, median_of
from tallymast.domain.health.diagnosis.spoken import TOWER, decibel, some
from tallymast.domain.health.nights import DAY_MS


@a_cause
def fading(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name what lets a signal sink from week to week: leaves, water, an antenna that slips."""
    signal = signal_of(one)
    fade = signal.fade if signal else None
    if signal is None or fade is None or fade.high_db >= 0.0 or fade.is_sudden:
        return None
    if signal.step is not None or signal.newest_dbm > fade.from_dbm - 0.5 * fade.fall_db:
        return None
    sank_too = _others_sank(one, around)
    own = fade.fall_db - max(sank_too, 0.0)
    change = change_of(one)
    score = min(1.0 + 0.7 * (own - 3.5), 0.5 + fade.evidence / 3.0, 8.0)
    return Diagnosis(
        cause="fading",
        title="Leaves in the path, water in the feedline, or an antenna that slips",
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=fade.since_ms,
        score=score + (0.7 if change is not None else 0.0),
        says=Said(
            f"signal sank {decibel(fade.fall_db)} since {{}}, from day to day, not at once"
            + contact_words(change),
            At(fade.since_ms),
        ),
        advice=Said(
            "Leaves, water in the feedline or an antenna that slips: reflected power decides; "
            "look along the path."
        ),
        decides=Said(
            "Reflected power at the radio: much is water in feedline or connector; little, with "
            "the path grown over or the antenna turned, is the path."
        ),
        chart=ChartOf(
            Shown.SIGNAL,
            fade.since_ms - 7 * DAY_MS,
            marks=((fade.since_ms, "begins to sink"),),
            levels=((fade.from_dbm, "before"),),
        ),
        rests_on=_fade_numbers(fade, sank_too),
        desk=("Compare with last year's signal of the same season, where it is known.",),
        bring=("wattmeter", "connectors", "sealing tape", "compass for the antenna's bearing"),
        cautions=TOWER,
    )


def _others_sank(one: SiteEvidence, around: Around) -> float:
    """Return by how much the others' signals sank on the median [dB]: season and weather."""
    sank = [
        -signal.drift_db
        for other in around.sites
        if other is not one and (signal := signal_of(other)) is not None
    ]
    return (median_of(sank) or 0.0) if len(sank) >= 2 else 0.0


def _fade_numbers(fade: Fade, sank_too: float) -> tuple[Said, ...]:
    return (
        Said(
            f"Slope {fade.per_day_db:.2f} dB a day ({fade.low_db:.2f} to {fade.high_db:.2f}, "
            f"95 %), over {some(fade.days, 'daily median')}."
        ),
        Said(f"The others moved by {-sank_too:.1f} dB on the median."),
    )
