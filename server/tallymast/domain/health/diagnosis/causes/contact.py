"""What contact tells before anything is lost: answers become slow."""

from tallymast.domain.health.diagnosis.daily_loss import LOOKED
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.model import (
    SPOKEN,
    About,
    At,
    ChartOf,
    Diagnosis,
    Said,
    Shown,
)
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.diagnosis.spoken import NBSP, some
from tallymast.domain.health.nights import DAY_MS

_LEAST_DAYS = 3  # ours: two may be weather
_OTHERS = 0.3  # ours: of the others slower, too: then it is the channel that is full


@a_cause
def slow_answers(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name weak contact at its beginning: the radio tries again by itself, answers take longer."""
    comm, clues = one.health.comm, one.health.clues.contact
    slow = comm.slow if comm else None
    if comm is None or slow is None or clues is None or one.moment.is_silent:
        return None
    if one.now_ms - slow.since_ms < _LEAST_DAYS * DAY_MS or _others_too(one, around):
        return None
    lost = clues.loss is not None and clues.loss.evidence > LOOKED
    if comm.change or comm.signal or lost or clues.garbled:
        return None  # it is past its beginning: that has its own causes
    return Diagnosis(
        cause="slow-answers",
        title="Weaker path or interference, at its beginning",
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=slow.since_ms,
        score=SPOKEN,
        says=Said(
            f"late answers take {slow.before.p95_ms:.0f} → {slow.after.p95_ms:.0f}{NBSP}ms since "
            "{}; nothing is lost yet",
            At(slow.since_ms),
        ),
        advice=Said("The radio tries more often by itself; watch it, no need to drive."),
        decides=Said("Signal in the next days: sinking is the path, steady is interference."),
        chart=ChartOf(Shown.CONTACT, slow.since_ms - 7 * DAY_MS),
        rests_on=(
            Said(
                f"95th percentile of {some(slow.before.n, 'answer')} before and "
                f"{some(slow.after.n, 'answer')} since."
            ),
        ),
        desk=("Twenty polls now: does the radio report retries of its own?",),
    )


def _others_too(one: SiteEvidence, around: Around) -> bool:
    others = [other for other in around.behind(one.gateway_id) if other is not one]
    comms = [other.health.comm for other in others if other.health.comm is not None]
    slow = sum(comm.slow is not None for comm in comms)
    return slow > 0 and slow >= _OTHERS * len(others)
