"""Causes of a weaker path: the signal fell in one step, or polls get lost one by one."""

from collections.abc import Sequence

from tallymast.domain.health.comms.model import ContactChange, SignalStep
from tallymast.domain.health.diagnosis.contact_clues import ContactClues
from tallymast.domain.health.diagnosis.daily_loss import SHARED
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
from tallymast.domain.health.diagnosis.signal_clues import SignalClues, median_of
from tallymast.domain.health.diagnosis.spoken import TOWER, decibel, of_hundred, percent, some

HOUR_MS = 3_600_000
_DAY_MS = 24 * HOUR_MS
_TOGETHER_MS = 3 * HOUR_MS  # ours: steps of one cause, known to the poll, seen one after another
_MOST_SHARE = 0.6  # ours: of a mast's sites; so many do not break at once
_LEAST_TOGETHER = 3
_HELD_H, _CLEAR_DB = 6, 6.0  # ours: a dip of some hours may be the deepest of a fortnight
_DECIDES = Said(
    "Forward and reflected power at the radio: much reflected is antenna or feedline, "
    "little of both is the radio."
)
_BRING = ("antenna", "connectors", "surge arrester", "wattmeter")
INTERFERENCE_TITLE = "Somebody else's transmitter, or a noise source at the station"


@a_cause
def antenna(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name a damaged antenna, connector or feedline: the signal fell in one step and stayed."""
    signal = signal_of(one)
    step = signal.step if signal else None
    if signal is None or step is None or _of_a_carrier(one, step, around):
        return None
    others = [other for other in around.behind(one.gateway_id) if other is not one]
    known = [other for other in others if signal_of(other) is not None]
    likewise = [other for other in known if _fell_with(other, step)]
    if _are_most(len(likewise) + 1, len(known) + 1):
        return None
    fall = step.before_dbm - step.after_dbm
    touched = tuple(other.site_id for other in around.carried(one) if _fell_with(other, step))
    change = change_of(one)
    return Diagnosis(
        cause="antenna",
        title="Antenna, connector or surge arrester",
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=step.to_ms,
        score=_step_score(one, signal, step) - 1.5 * (len(likewise) - len(touched)),
        says=Said(
            "signal fell {} between {} and {}" + contact_words(change),
            decibel(fall),
            At(step.from_ms),
            TimeOf(step.to_ms),
        ),
        advice=Said("Antenna, connector or surge arrester; bring all three and a wattmeter."),
        decides=_DECIDES,
        chart=ChartOf(
            Shown.SIGNAL,
            step.from_ms - 2 * _DAY_MS,
            marks=((step.to_ms, f"fell {fall:.0f} dB"),),
            levels=((step.before_dbm, "before"), (step.after_dbm, "since")),
        ),
        rests_on=(*_step_numbers(signal, step, change), *_of_others(len(known), len(likewise))),
        desk=(
            "Twenty polls now: does the signal still stand where it fell to?",
            "Was somebody at the site, or a storm, at that hour?",
        ),
        bring=_BRING,
        cautions=TOWER,
        touched=touched,
    )


@a_cause
def mast_antenna(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name the gateway's own antenna: the signal of most of its sites fell in the same hours."""
    signal = signal_of(one)
    step = signal.step if signal else None
    if step is None:
        return None
    known = [other for other in around.behind(one.gateway_id) if signal_of(other) is not None]
    fallen = [other for other in known if _fell_with(other, step)]
    if not _are_most(len(fallen), len(known)):
        return None
    falls = [other.step.before_dbm - other.step.after_dbm for other in _stepped(fallen)]
    return Diagnosis(
        cause="mast-antenna",
        title="Antenna, feedline or radio at the mast",
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(),
        since_ms=step.to_ms,
        score=min(3.0 + len(fallen), 9.0),
        says=Said(
            f"the signal of {len(fallen)} of {len(known)} sites fell together by "
            f"{decibel(median_of(falls) or 0.0)} about {{}}",
            At(step.to_ms),
        ),
        advice=Said(
            "Most sites of one mast at once: antenna, feedline or radio at the mast, no site's own."
        ),
        decides=_DECIDES,
        chart=ChartOf(Shown.SIGNAL, step.from_ms - 2 * _DAY_MS),
        desk=("Look at one near and one far site: did both fall alike?",),
        bring=_BRING,
        cautions=TOWER,
        touched=tuple(other.site_id for other in fallen),
    )


@a_cause
def weaker_path(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name antenna or path where no signal is reported, or it fell by less than a clear step."""
    clues = one.health.clues.contact
    if clues is None or one.moment.is_silent or clues.garbled is not None:
        return None
    if _others_lose(one, around):
        return None
    score = _unclear_score(one, clues)
    loss = clues.loss
    if loss is None or score <= 0.0:
        return None
    unknown = clues.signal is None
    return Diagnosis(
        cause="weak-path",
        title="Antenna, feedline or something in the path",
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=(one.site_id,),
        since_ms=loss.since_ms,
        score=score,
        says=Said(
            "single polls get lost at all hours since {}: first-try {} → {} % of {}, "
            + ("no signal is reported" if unknown else "signal somewhat lower"),
            At(loss.since_ms),
            percent(loss.before_asked - loss.before_late, loss.before_asked),
            percent(loss.asked - loss.late, loss.asked),
            some(loss.asked, "poll"),
        ),
        advice=Said("Antenna, feedline or the path; a wattmeter decides, then listen."),
        decides=_DECIDES,
        chart=ChartOf(Shown.CONTACT, loss.since_ms - 3 * _DAY_MS),
        rests_on=(
            Said("Retries deliver {} of 100.", percent(loss.asked - loss.missed, loss.asked)),
        ),
        desk=("Ask whether the radio at the mast shows the signal of this site.",),
        bring=_BRING,
        cautions=TOWER,
        rivals=(INTERFERENCE_TITLE,) if unknown else (),
    )


# --- inside ---------------------------------------------------------------------------


def signal_of(one: SiteEvidence) -> SignalClues | None:
    """Return what a site's signal tells."""
    clues = one.health.clues.contact
    return clues.signal if clues else None


def change_of(one: SiteEvidence) -> ContactChange | None:
    """Return how a site's first-try share changed."""
    return one.health.comm.change if one.health.comm else None


def _stepped(sites: Sequence[SiteEvidence]) -> list["_Stepped"]:
    found = [(signal.step, other) for other in sites if (signal := signal_of(other)) is not None]
    return [_Stepped(step, other) for step, other in found if step is not None]


class _Stepped:
    """A site whose signal stepped."""

    def __init__(self, step: SignalStep, site: SiteEvidence) -> None:
        self.step, self.site = step, site


def _fell_with(other: SiteEvidence, step: SignalStep) -> bool:
    """Whether another site's signal fell at the same time, by half as much at least."""
    signal = signal_of(other)
    own = signal.step if signal else None
    if own is None or abs(own.to_ms - step.to_ms) > _TOGETHER_MS:
        return False
    return own.before_dbm - own.after_dbm >= 0.5 * (step.before_dbm - step.after_dbm)


def _are_most(fallen: int, known: int) -> bool:
    return fallen >= _LEAST_TOGETHER and fallen >= _MOST_SHARE * known


def _of_a_carrier(one: SiteEvidence, step: SignalStep, around: Around) -> bool:
    return any(_fell_with(carrier, step) for carrier in around.carriers(one))


def _step_score(one: SiteEvidence, signal: SignalClues, step: SignalStep) -> float:
    """Ours: 3 dB below the lowest ever are about worth a word; it grows while the step holds."""
    held_h = (one.now_ms - step.to_ms) / HOUR_MS
    worse = 1.0 if change_of(one) is not None or one.moment.is_silent else 0.0
    young = 1.5 if held_h < _HELD_H and signal.margin_db < _CLEAR_DB else 0.0
    return min(0.7 * (signal.margin_db - 1.0) + min(held_h / 12.0, 2.0) + worse - young, 9.0)


def _others_lose(one: SiteEvidence, around: Around) -> bool:
    """Whether two others began to lose polls at about the same time: then it is shared."""
    clues = one.health.clues.contact
    own = clues.loss if clues else None
    losses = [
        theirs.loss
        for other in around.sites
        if other is not one and (theirs := other.health.clues.contact) is not None
    ]
    alike = [
        loss
        for loss in losses
        if loss is not None
        and own is not None
        and loss.evidence >= SHARED
        and abs(loss.since_ms - own.since_ms) <= _DAY_MS / 2
    ]
    return len(alike) >= 2


def _unclear_score(one: SiteEvidence, clues: ContactClues) -> float:
    loss = clues.loss
    if loss is None or loss.hours is not None or loss.lasts_h < 12:
        return 0.0
    whole = loss.lost_whole()
    single = whole is not None and whole <= _whole_by_chance(one, loss.late / loss.asked)
    if clues.signal is None:
        usual = 2.4 if single else 1.5
        return min(usual, loss.evidence - 11.0)
    lower = -(loss.signal_db or 0.0)
    is_lower = lower >= 3.0 and clues.signal.step is None
    fades = clues.signal.fade is not None and not clues.signal.fade.is_sudden
    return min(1.0 + 0.5 * lower, 3.5) if is_lower and not fades else 0.0


def _whole_by_chance(one: SiteEvidence, late: float) -> float:
    """Return how much of what is late is lost whole where retries fail independently, and some."""
    return max(0.12, 1.5 * late**one.site.retries) if one.site.retries else 0.0


def contact_words(change: ContactChange | None) -> str:
    """Say what a change of the signal did to polls."""
    if change is None or not change.before.whole or not change.after.whole:
        return "; no more polls are lost than before"
    before = percent(change.before.part, change.before.whole)
    after = percent(change.after.part, change.after.whole)
    return f"; first-try {before} → {after} %, retries still deliver {of_hundred(change.delivered)}"


def _step_numbers(
    signal: SignalClues, step: SignalStep, change: ContactChange | None
) -> tuple[Said, ...]:
    said = [
        Said(
            f"Signal {step.before_dbm:.0f} → {step.after_dbm:.0f} dBm; hours usually scatter by "
            f"{signal.scatter_db:.1f} dB, over {some(signal.days, 'day')}."
        )
    ]
    if change is not None:
        said.append(
            Said(
                f"First-try of {some(change.before.whole, 'poll')} before and "
                f"{some(change.after.whole, 'poll')} since {{}}.",
                At(change.at_ms),
            )
        )
    return tuple(said)


def _of_others(known: int, likewise: int) -> tuple[Said, ...]:
    if not known:
        return ()
    if not likewise:
        return (
            Said(f"The signal of {known} others of the mast did not fall then: not the mast's."),
        )
    return (Said(f"The signal of {likewise} of {known} others of the mast fell then too."),)
