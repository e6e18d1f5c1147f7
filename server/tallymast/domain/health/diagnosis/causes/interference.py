"""Somebody else's transmitter: polls get lost at the same hours, or together; the signal stands."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from tallymast.domain.bearings import narrow_arc
from tallymast.domain.health.diagnosis.causes.antenna import INTERFERENCE_TITLE
from tallymast.domain.health.diagnosis.daily_loss import LOOKED, SHARED
from tallymast.domain.health.diagnosis.evidence import Around, SiteEvidence
from tallymast.domain.health.diagnosis.lost_hours import Loss
from tallymast.domain.health.diagnosis.model import About, At, ChartOf, Diagnosis, Said, Shown
from tallymast.domain.health.diagnosis.registry import a_cause
from tallymast.domain.health.diagnosis.spoken import clock, count_of, direction, percent, some
from tallymast.domain.health.nights import DAY_MS

_STEADY_DB = 3.0  # ours: less is weather
_AGAIN = 8.0  # ours: what chance finds on another day at hours that one day chose
_JOINS = 8.0  # ours: evidence that suffices beside another's
_SAME_HOURS = 0.4  # ours: of the hours of either
_SAME_DAYS_MS = 3 * DAY_MS
_SAME_TIME_MS = DAY_MS // 2
_MANY = 0.3  # ours: of the others; so many are not hit by one transmitter in one direction
_MOST = 0.6  # ours: of a mast's sites; so many have one cause at the mast
_LEAST_OF_MOST = 3
_DECIDES = Said(
    "Listen on the channel at those hours with a receiver or a spectrum analyser: another carrier "
    "is interference; nothing to hear sends you to the antenna."
)
_DESK = (
    "Twenty polls inside these hours and twenty outside of them.",
    "Ask neighbours and the frequency office who began to transmit.",
)
_SPOILED = 0.3  # ours: of the polls missed
_CAUTIONS = (
    "Do not climb for this. Another frequency or more power only within the licence and local "
    "rules.",
)


@dataclass(frozen=True, slots=True)
class _Hit:
    """A site that loses polls while its signal stands."""

    site: SiteEvidence
    loss: Loss
    steady: bool | None  # None: no signal is reported


@dataclass(frozen=True, slots=True)
class _Group:
    """Sites hit alike, the surest first."""

    hits: tuple[_Hit, ...]
    arc: tuple[float, float] | None
    is_mast: bool = False

    @property
    def first(self) -> Loss:
        return self.hits[0].loss

    @property
    def site_ids(self) -> tuple[int, ...]:
        return tuple(sorted(hit.site.site_id for hit in self.hits))


@a_cause
def interference(one: SiteEvidence, around: Around) -> Diagnosis | None:
    """Name another transmitter: at one site, in one direction, or about the mast."""
    if _hit(one) is None:
        return None
    for group in _groups(one.gateway_id, around):
        if one.site_id in group.site_ids:
            return _diagnosis(one, group)
    return None


def _diagnosis(one: SiteEvidence, group: _Group) -> Diagnosis:
    loss = group.first
    since_ms = min(hit.loss.since_ms for hit in group.hits)
    title, advice = _named(group)
    return Diagnosis(
        cause="interference",
        title=title,
        about=About.CONTACT,
        gateway_id=one.gateway_id,
        site_ids=() if group.is_mast else group.site_ids,
        since_ms=since_ms,
        score=_score(group),
        says=_says(group, since_ms),
        advice=Said(advice),
        decides=_DECIDES,
        chart=ChartOf(
            Shown.CONTACT if loss.hours is None else Shown.DAY,
            since_ms,
            marks=((since_ms, "begins"),),
            levels=()
            if loss.hours is None
            else tuple((minute / 60.0, clock(minute)) for minute in loss.hours),
        ),
        rests_on=tuple(_numbers(group)),
        desk=_DESK,
        bring=("receiver or spectrum analyser", "directional antenna", "band-pass filter"),
        cautions=_CAUTIONS,
        touched=group.site_ids if group.is_mast else (),
    )


# --- who is hit -----------------------------------------------------------------------


def _hit(one: SiteEvidence) -> _Hit | None:
    clues = one.health.clues.contact
    loss = clues.loss if clues else None
    if clues is None or loss is None or one.moment.is_silent:
        return None
    if clues.garbled is not None or clues.spoiled > _SPOILED:
        return None  # another transmitter drowns answers, it does not change their bytes
    signal = clues.signal
    if signal is None:
        return _Hit(one, loss, None)
    fades = signal.fade is not None and signal.fade.fall_db > _STEADY_DB
    moved = loss.signal_db is not None and loss.signal_db <= -_STEADY_DB
    if fades or moved or signal.step is not None:
        return None
    return _Hit(one, loss, True)


def _groups(gateway_id: int, around: Around) -> Iterator[_Group]:
    """Give a gateway's groups, the surest first; weather that takes whole networks is none."""
    sites = around.behind(gateway_id)
    left = [hit for one in sites if (hit := _hit(one)) is not None and hit.loss.evidence >= _JOINS]
    left.sort(key=lambda hit: (-hit.loss.evidence, hit.site.site_id))
    while left:
        seed = left[0]
        alike = [hit for hit in left if _is_alike(hit.loss, seed.loss)]
        group = _grouped(seed, alike, sites)
        if not _is_weather(group, around):
            yield group
        left = [hit for hit in left if hit not in group.hits]


def _grouped(seed: _Hit, alike: Sequence[_Hit], sites: Sequence[SiteEvidence]) -> _Group:
    judged = [one for one in sites if one.health.clues.contact and not one.moment.is_silent]
    arc = narrow_arc([at for hit in alike if (at := hit.site.bearing_deg) is not None])
    many = len(alike) >= max(_LEAST_OF_MOST, _MOST * len(judged))
    if many and (arc is None or len(alike) > 6):
        return _Group(tuple(alike), arc, is_mast=True)
    hits = [seed]
    for hit in alike:
        bearings = [one.site.bearing_deg for one in (*hits, hit)]
        known = [at for at in bearings if at is not None]
        if hit is not seed and len(known) == len(bearings) and narrow_arc(known):
            hits.append(hit)
    bearing = [at for hit in hits if (at := hit.site.bearing_deg) is not None]
    return _Group(tuple(hits), narrow_arc(bearing))


def _is_alike(one: Loss, other: Loss) -> bool:
    if one.hours is None or other.hours is None:
        both = one.hours is None and other.hours is None
        return both and abs(one.since_ms - other.since_ms) <= _SAME_TIME_MS
    if abs(one.since_ms - other.since_ms) > _SAME_DAYS_MS:
        return False
    mine, theirs = _quarters(one.hours), _quarters(other.hours)
    return len(mine & theirs) >= _SAME_HOURS * len(mine | theirs)


def _quarters(hours: tuple[int, int]) -> set[int]:
    first, last = hours
    length = (last - first) % 1440 or 1440
    return {(first + minute) % 1440 // 15 for minute in range(0, length, 15)}


def _is_weather(group: _Group, around: Around) -> bool:
    """Whether many of the other sites began to lose polls at the same time, too.

    About a mast the other masts' sites are asked, else all others.
    """
    gateway_id, since_ms = group.hits[0].site.gateway_id, group.first.since_ms
    others = [
        one
        for one in around.sites
        if one.site_id not in group.site_ids
        and not (group.is_mast and one.gateway_id == gateway_id)
    ]
    losses = [clues.loss for one in others if (clues := one.health.clues.contact) is not None]
    alike = [
        loss
        for loss in losses
        if loss is not None and loss.evidence >= SHARED and abs(loss.since_ms - since_ms) <= DAY_MS
    ]
    return len(alike) >= 2 and len(alike) >= _MANY * len(losses)


# --- how sure, and in which words -----------------------------------------------------


def _score(group: _Group) -> float:
    loss = group.first
    evidence = sum(hit.loss.evidence for hit in group.hits) - LOOKED
    score = min(evidence, _by_time(group))
    if group.first.hours and max(hit.loss.days for hit in group.hits) > 1:
        score = min(score, sum(hit.loss.again for hit in group.hits) - _AGAIN)
    lower = max((-(hit.loss.signal_db or 0.0) - 1.0 for hit in group.hits), default=0.0)
    score -= max(lower, 0.0)
    if loss.hours is None and len(group.hits) == 1 and group.hits[0].steady is None:
        score = min(score, 2.0)  # without a signal it may as well be the antenna
    return min(score, 9.0)


def _by_time(group: _Group) -> float:
    """Return what a loss of so long may score: one bad morning is not a habit.

    Ours: three sites alike are possible on the first day, one alone on its second; about a mast,
    which weather may be too, on the fourth.
    """
    loss, together = group.first, len(group.hits)
    lasts_h = max(hit.loss.lasts_h for hit in group.hits)
    days = max(hit.loss.days for hit in group.hits) if loss.hours else 1 + lasts_h // 24
    if group.is_mast:
        return days - 1.0 if lasts_h >= 72 else 0.0
    if together == 1:
        is_habit = days >= 2 and lasts_h >= 25 if loss.hours else lasts_h >= 12
        return 1.0 + days if is_habit else 0.0
    if loss.hours is None and lasts_h < 6:
        return 0.0
    return together + 1.5 * (days - 1) if days > 1 else min(1.0 + 0.5 * together, 2.9)


def _named(group: _Group) -> tuple[str, str]:
    if group.is_mast:
        return (
            "Interference at the mast",
            "Most sites of one mast, signal steady: somebody else's transmitter near the mast, or "
            "its receiver; do not climb, listen there first.",
        )
    when = "same hours" if group.first.hours else "same time"
    steady = "signal steady" if group.hits[0].steady else "signal not known"
    if len(group.hits) == 1 or group.arc is None:
        hours = "always the same hours" if group.first.hours else "all hours"
        return (
            INTERFERENCE_TITLE,
            f"One site, {hours}, {steady}: somebody else's transmitter or a noise source at the "
            "station; do not climb, listen first.",
        )
    bearings = [at for hit in group.hits if (at := hit.site.bearing_deg) is not None]
    # Round north the median of the numbers would point south: count from the arc's first bearing.
    whither = direction((group.arc[0] + median((at - group.arc[0]) % 360 for at in bearings)) % 360)
    number = count_of(len(group.hits)).capitalize()
    return (
        f"Somebody else's transmitter to the {whither}",
        f"{number} sites in one direction, {when}, {steady}: somebody else's transmitter to the "
        f"{whither}; do not climb, listen first.",
    )


def _hours_words(group: _Group) -> str:
    hours = [hit.loss.hours for hit in group.hits if hit.loss.hours is not None]
    if not hours:
        return "at all hours"
    base = hours[0][0]
    first = median((one[0] - base + 720) % 1440 - 720 for one in hours) + base
    last = median((one[1] - base + 720) % 1440 - 720 for one in hours) + base
    return f"from {clock(_half(first))} to {clock(_half(last))}"


def _half(minute: float) -> int:
    return round(minute / 30) * 30 % 1440


def _says(group: _Group, since_ms: int) -> Said:
    late, asked, before_late, before_asked = (
        sum(getattr(hit.loss, name) for hit in group.hits)
        for name in ("late", "asked", "before_late", "before_asked")
    )
    days = max(hit.loss.days for hit in group.hits)
    on_days = f" on {some(days, 'day')}" if group.first.hours else ""
    steady = "signal steady" if group.hits[0].steady else "no signal is reported"
    return Said(
        f"polls get lost {_hours_words(group)}{on_days} since {{}}: first-try then "
        f"{percent(before_asked - before_late, max(before_asked, 1))} → "
        f"{percent(asked - late, asked)} % of {some(asked, 'poll')}, {steady}",
        At(since_ms),
    )


def _numbers(group: _Group) -> Iterator[Said]:
    if group.arc is not None and len(group.hits) > 1:
        first, last = (round(one) for one in group.arc)
        yield Said(f"The sites lie at {first}° to {last}° from the mast.")
    for hit in group.hits:
        loss = hit.loss
        moved = "" if loss.signal_db is None else f"; signal moved by {loss.signal_db:+.1f} dB"
        yield Said(
            "{}: first-try "
            f"{percent(loss.before_asked - loss.before_late, max(loss.before_asked, 1))} → "
            f"{percent(loss.asked - loss.late, loss.asked)} % of {some(loss.asked, 'poll')}, "
            f"retries deliver {percent(loss.asked - loss.missed, loss.asked)} of 100{moved}.",
            hit.site.site.name,
        )
