"""Causes of bad or lost contact."""

from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import (
    About,
    At,
    ChartOf,
    Diagnosis,
    Said,
    Shown,
    TimeOf,
)
from tallymast.domain.health.diagnosis.registry import a_cause

_DAY_MS = 86_400_000
_TOWER = (
    "Climbing: fall protection and a second person; keep clear of power lines.",
    "Switch the transmitter off before touching an antenna: RF exposure, burns.",
)


@a_cause
def antenna(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a damaged antenna, connector or feedline: the signal fell in one step and stayed."""
    del around
    comm = one.health.comm
    step = comm.signal if comm else None
    if step is None or step.after_dbm >= step.before_dbm:
        return None
    fall = step.before_dbm - step.after_dbm
    return Diagnosis(
        cause="antenna",
        title="Antenna, connector or surge arrester",
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=step.to_ms,
        score=min(fall / 2.0, 9.0),
        says=Said(
            "signal fell {} between {} and {}",
            f"{fall:.0f}\u00a0dB",
            At(step.from_ms),
            TimeOf(step.to_ms),
        ),
        advice=Said("Antenna, connector or surge arrester; bring all three and a wattmeter."),
        decides=Said(
            "Forward and reflected power at the radio: much reflected is antenna or feedline, "
            "little of both is the radio."
        ),
        chart=ChartOf(
            Shown.SIGNAL,
            step.from_ms - 2 * _DAY_MS,
            marks=((step.to_ms, f"fell {fall:.0f} dB"),),
        ),
        desk=("Twenty polls now: does the signal still stand where it fell to?",),
        bring=("antenna", "connectors", "surge arrester", "wattmeter"),
        cautions=_TOWER,
    )
