"""The nouns of reliability: outages, shares with their intervals, changes, common causes.

What is not known is None, never 0 and never 1.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from tallymast.domain.model import HourCounts


class Cause(StrEnum):
    """What an outage is put down to."""

    ALONE = "alone"  # nothing else explains it: the station, its antenna, its path
    SUPPLY = "supply"  # the station had no power
    COMMON = "common"  # it fell silent together with others


@dataclass(frozen=True, slots=True)
class Outage:
    """A site that did not answer although it was asked.

    Attributes:
        site_id: whose.
        from_ms: its first missed poll.
        to_ms: the first answered poll after it, None while it lasts.
        missed: polls missed in it.
        last_answer_ms: the last answered poll before it, None where none is known.
        cause: what it is put down to.

    """

    site_id: int
    from_ms: int
    to_ms: int | None
    missed: int
    last_answer_ms: int | None = None
    cause: Cause = Cause.ALONE

    def lasted_ms(self, now_ms: int) -> int:
        """Return how long it lasted, or lasts by now [ms]."""
        return (now_ms if self.to_ms is None else self.to_ms) - self.from_ms


@dataclass(frozen=True, slots=True)
class Share:
    """A part of a whole, and how sure the share is.

    Attributes:
        part: polls that count.
        whole: polls asked.
        low: lower end of the 95 % interval, 0..1; None where too little is known.
        high: its upper end.
        effective_n: how many independent polls ``whole`` is worth; misses come in bursts.

    """

    part: int
    whole: int
    low: float | None = None
    high: float | None = None
    effective_n: float | None = None

    @property
    def share(self) -> float | None:
        """The share 0..1, None where nobody asked."""
        return self.part / self.whole if self.whole else None

    @property
    def is_known(self) -> bool:
        """Whether there is enough to speak of a rate at all."""
        return self.low is not None


@dataclass(frozen=True, slots=True)
class AnswerTimes:
    """How long answers took [ms], to the width of a bucket; ``n`` answers."""

    median_ms: float
    p95_ms: float
    n: int


@dataclass(frozen=True, slots=True)
class CommonCause:
    """Several sites that fell silent together: one cause.

    Attributes:
        kind: ``path`` (a repeater and what is behind it), ``gateway`` or ``bearing``.
        gateway: its key.
        site_ids: who fell silent; of a path the repeater first.
        from_ms: the first missed poll of any.
        to_ms: when the last one answered again, None while it lasts.
        bearing_deg: first and last true bearing, clockwise, of a ``bearing``.

    """

    kind: str
    gateway: str
    site_ids: tuple[int, ...]
    from_ms: int
    to_ms: int | None
    bearing_deg: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class ContactChange:
    """A lasting change of the share answered at the first try, against the site's own baseline.

    Attributes:
        at_ms: the hour it begins with.
        before: first-try share of the baseline.
        after: first-try share since.
        delivered: share answered at all since.
        false_alarms: how often such a change is named for nothing, per site and month, at most.

    """

    at_ms: int
    before: Share
    after: Share
    delivered: Share
    false_alarms: float


@dataclass(frozen=True, slots=True)
class SignalStep:
    """A step of the signal strength: between two readings, from one level to another [dBm]."""

    from_ms: int
    to_ms: int
    before_dbm: float
    after_dbm: float


@dataclass(frozen=True, slots=True)
class SlowAnswers:
    """Answers that have become slower: the 95th percentile of late against its baseline [ms]."""

    since_ms: int
    before: AnswerTimes
    after: AnswerTimes


@dataclass(frozen=True, slots=True)
class Returns:
    """When a site that goes silent day after day does so, and when contact is back.

    Attributes:
        days: on how many days in a row it went silent, the newest among them.
        off_minute: the usual minute of the local day at which it goes silent.
        back_minute: the minute of the local day by which nine times of ten it was back.
        after_sunrise_min: the same as minutes after sunrise, None where the sun is not known.

    """

    days: int
    off_minute: int
    back_minute: int
    after_sunrise_min: int | None = None


@dataclass(frozen=True, slots=True)
class SitePeriod:
    """A site's contact over a period.

    Attributes:
        site_id: whose.
        counts: polls by outcome; those in maintenance are in none.
        success: answered of asked.
        first_try: answered at the first try of asked.
        mean_burst: misses in a row, on average; None without a miss.
        outages: those that touch the period, cut to it.
        in_service_ms: how long it was to be reached: without gateway losses, maintenance and
            times not polled.
        down_ms: how long of that it was in an outage.
        availability: 1 - down / in service, None where that says nothing.
        mtbf_ms: mean time between failures (time up by outages), None without an outage.
        mttr_ms: mean time to restore, of the outages that ended; None without one.
        longest_gap_ms: the longest outage, 0 without one, None where outages are not known.
        answers: how long answers took.
        maintenance_ms: how long somebody worked there.
        gateway_ms: how long its gateway was not to be reached.

    """

    site_id: int
    counts: HourCounts
    success: Share
    first_try: Share
    mean_burst: float | None
    outages: tuple[Outage, ...]
    in_service_ms: int
    down_ms: int
    availability: float | None
    mtbf_ms: float | None
    mttr_ms: float | None
    longest_gap_ms: int | None
    answers: AnswerTimes | None
    maintenance_ms: int = 0
    gateway_ms: int = 0


BASELINE_DAYS: Final = 7  # ours: before, a site has no habits that could change


@dataclass(frozen=True, slots=True)
class CommHealth:
    """What can be said of a site's contact today, from its last weeks.

    Attributes:
        days: how many days of polls it rests on.
        change: a lasting change of the first-try share.
        signal: a step of the signal.
        slow: answers that have become slower.
        returns: silence that comes every day.
        outages: those of the last fourteen days, oldest first.

    """

    days: float = 0.0
    change: ContactChange | None = None
    signal: SignalStep | None = None
    slow: SlowAnswers | None = None
    returns: Returns | None = None
    outages: tuple[Outage, ...] = field(default=())

    @property
    def is_judged(self) -> bool:
        """Whether there was a baseline to judge it against."""
        return self.days >= BASELINE_DAYS
