"""How the alarms perform: counts and shares of a journal beside the targets of the standard.

Only what called somebody is counted: an alarm raised while it was shelved, suppressed or out of
service is not, and a test never is. Under 30 days nothing is judged, the figures stand alone. One
caution of a polled network: two polls raise an alarm and a third clears it, so that three times in
a minute cannot be seen at a site that is asked every 10 s or slower (arithmetic): no chattering
found there is no proof of calm.

Source: ANSI/ISA-18.2 and IEC 62682, EEMUA 191 (secondary restatement); that 30 days are needed:
table 2 of a trade journal's article on ISA-18.2.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

from tallymast.domain.alarms.activations import Activation, activations, by_alarm
from tallymast.domain.alarms.model import TEST_KEY, Entry
from tallymast.domain.alarms.windows import (
    FLOOD_FROM,
    FULL_HOUR,
    HOUR_MS,
    TEN_MIN_MS,
    Flood,
    busiest,
    counts,
    floods,
    share,
)
from tallymast.domain.model import Priority

DAY_MS = 86_400_000
JUDGED_DAYS = 30
CHATTER, CHATTER_MS = 3, 60_000  # three or more in a minute (conventional)
FLEETING_MS = 60_000
STALE_MS = DAY_MS
TOP = 10
NOT_JUDGED = f"not judged under {JUDGED_DAYS} days"


@dataclass(frozen=True, slots=True)
class Target:
    """What a figure should be.

    Attributes:
        words: for people.
        most: the figure meets it up to here; None: a person judges.
        source: whose.

    """

    words: str
    most: float | None
    source: str


_STANDARD = "ANSI/ISA-18.2, secondary restatement"
TARGETS: Mapping[str, Target] = {
    "per_ten_min": Target("about 1 acceptable, 2 at most", 2.0, _STANDARD),
    "per_day": Target(
        "about 144 acceptable, 288 at most", 288.0, "IEC 62682, secondary restatement"
    ),
    "full_hours_share": Target("under 1 % of hours above 30 alarms", 0.01, _STANDARD),
    "full_windows_share": Target(
        "under 1 % of ten minutes above 10", 0.01, "IEC 62682:2014, secondary restatement"
    ),
    "flood_share": Target("under 1 % of the time", 0.01, _STANDARD),
    "busiest": Target("10 at most", 10.0, _STANDARD),
    "top_share": Target("1 to 5 %, with a plan against each", 0.05, _STANDARD),
    "chattering": Target("none", 0.0, _STANDARD),
    "fleeting": Target("none", 0.0, _STANDARD),
    "stale_most": Target("fewer than 5 on any day", 4.0, _STANDARD),
    "priorities": Target("about 80 % normal, 15 % high, 5 % urgent", None, _STANDARD),
}


@dataclass(frozen=True, slots=True)
class Acknowledging:
    """How soon alarms were acknowledged [s]; None where none was.

    Attributes:
        done: alarms acknowledged.
        open: alarms that nobody has acknowledged yet.
        median_s: half of the acknowledged ones within that time.
        longest_s: the longest of them.
        within_ten_min: how many of them within ten minutes (ours: an urgent alarm's next person is
            told then).

    """

    done: int = 0
    open: int = 0
    median_s: float | None = None
    longest_s: float | None = None
    within_ten_min: int = 0


@dataclass(frozen=True, slots=True)
class Figures:
    """The performance of the alarms in a span; shares are 0..1, None where nothing is known.

    Attributes:
        raised: alarms that called somebody; the sample of most shares.
        hidden: alarms raised while they were held back.
        per_ten_min, per_day: on average.
        windows: whole windows of ten minutes; full_windows_share: of them with more than ten.
        full_hours_share: hours with more than thirty.
        floods, flood_share: spans from above ten in ten minutes to below five; of the time.
        busiest, busiest_ms: most alarms in any ten minutes, and when these began.
        top: the alarms raised most often, at most ten; top_share: their share of all.
        chattering: alarms raised three times or more in a minute.
        fleeting: alarms over within a minute of being raised.
        stale: alarms active for more than a day at the span's end.
        stale_most: the most that were so on any day.
        priorities: how many of each; empty where nobody handed in priorities.
        acknowledging: how soon.

    """

    from_ms: int
    to_ms: int
    raised: int = 0
    hidden: int = 0
    per_ten_min: float | None = None
    per_day: float | None = None
    windows: int = 0
    full_windows_share: float | None = None
    full_hours_share: float | None = None
    floods: tuple[Flood, ...] = ()
    flood_share: float | None = None
    busiest: int = 0
    busiest_ms: int | None = None
    top: tuple[tuple[str, int], ...] = ()
    top_share: float | None = None
    chattering: tuple[str, ...] = ()
    fleeting: int = 0
    stale: tuple[str, ...] = ()
    stale_most: int = 0
    priorities: Mapping[Priority, int] = field(default_factory=dict)
    acknowledging: Acknowledging = field(default_factory=Acknowledging)

    @property
    def days(self) -> float:
        """Length of the span [days]."""
        return (self.to_ms - self.from_ms) / DAY_MS

    @property
    def is_judged(self) -> bool:
        """Whether the span is long enough to hold figures against targets."""
        return self.days >= JUDGED_DAYS

    def meets(self, name: str) -> bool | None:
        """Whether a figure meets its target; None: not judged, or nothing known, or a person's."""
        most, value = TARGETS[name].most, getattr(self, name)
        if not self.is_judged or most is None or value is None:
            return None
        if isinstance(value, tuple):
            return len(value) <= most
        return float(value) < most if name.endswith("_share") and most == 0.01 else value <= most


def figures(
    entries: Iterable[Entry],
    from_ms: int,
    to_ms: int,
    priorities: Mapping[str, Priority] | None = None,
) -> Figures:
    """Return the performance of the alarms in ``from_ms <= t < to_ms``.

    Args:
        entries: the journal, in any order; lines before the span tell what was active or held back
            when it began, a day of them at least, better all that are still open.
        from_ms: start of the span [UTC ms].
        to_ms: its end.
        priorities: of the alarms by key, as they are now.

    """
    every = activations((one for one in entries if one.alarm != TEST_KEY), to_ms)
    inside = [one for one in every if from_ms <= one.raised_ms]
    shown = [one for one in inside if one.shown]
    at_ms = [one.raised_ms for one in shown]
    most, most_ms = busiest(at_ms)
    top = Counter(one.alarm for one in shown).most_common(TOP)
    stale, stale_most = _stale([one for one in every if one.shown], from_ms, to_ms)
    return Figures(
        from_ms,
        to_ms,
        raised=len(shown),
        hidden=len(inside) - len(shown),
        **_rates(at_ms, from_ms, to_ms),  # type: ignore[arg-type]
        busiest=most,
        busiest_ms=most_ms,
        top=tuple(top),
        top_share=sum(count for _, count in top) / len(shown) if shown else None,
        chattering=_chattering(shown),
        fleeting=sum(_lasts_ms(one, to_ms) < FLEETING_MS for one in shown if one.cleared_ms),
        stale=stale,
        stale_most=stale_most,
        priorities=_priorities(shown, priorities or {}),
        acknowledging=_acknowledging(shown),
    )


def _rates(at_ms: Sequence[int], from_ms: int, to_ms: int) -> dict[str, object]:
    span_ms = to_ms - from_ms
    if span_ms <= 0:
        return {}
    windows = counts(at_ms, from_ms, to_ms)
    found = floods(windows, from_ms)
    flooded = sum(flood.windows for flood in found)
    is_enough = span_ms >= HOUR_MS  # ours: a few minutes say nothing of a day
    return {
        "per_ten_min": len(at_ms) * TEN_MIN_MS / span_ms if is_enough else None,
        "per_day": len(at_ms) * DAY_MS / span_ms if is_enough else None,
        "windows": len(windows),
        "full_windows_share": share(windows, FLOOD_FROM),
        "full_hours_share": share(counts(at_ms, from_ms, to_ms, HOUR_MS), FULL_HOUR),
        "floods": found,
        "flood_share": flooded / len(windows) if windows else None,
    }


def _chattering(shown: Sequence[Activation]) -> tuple[str, ...]:
    found = []
    for alarm, times in by_alarm(shown).items():
        most, _ = busiest([one.raised_ms for one in times], CHATTER_MS)
        if most >= CHATTER:
            found.append(alarm)
    return tuple(sorted(found))


def _lasts_ms(one: Activation, to_ms: int) -> int:
    return (to_ms if one.cleared_ms is None else one.cleared_ms) - one.raised_ms


def _stale(every: Sequence[Activation], from_ms: int, to_ms: int) -> tuple[tuple[str, ...], int]:
    """Return what is stale at the end, and the most stale at once on any day of the span."""
    old = [one for one in every if _lasts_ms(one, to_ms) > STALE_MS]
    still = tuple(sorted(one.alarm for one in old if one.cleared_ms is None))
    most = 0
    for day_ms in range(from_ms, to_ms, DAY_MS):
        end_ms = min(day_ms + DAY_MS, to_ms)
        here = {
            one.alarm
            for one in old
            if one.raised_ms + STALE_MS < end_ms and one.raised_ms + _lasts_ms(one, to_ms) > day_ms
        }
        most = max(most, len(here))
    return still, most


def _priorities(
    shown: Sequence[Activation], priorities: Mapping[str, Priority]
) -> dict[Priority, int]:
    found = Counter(priorities[one.alarm] for one in shown if one.alarm in priorities)
    return {priority: found[priority] for priority in Priority} if found else {}


def _acknowledging(shown: Sequence[Activation]) -> Acknowledging:
    took = [(one.acked_ms - one.raised_ms) / 1000 for one in shown if one.acked_ms is not None]
    if not took:
        return Acknowledging(open=len(shown))
    return Acknowledging(
        len(took),
        len(shown) - len(took),
        median(took),
        max(took),
        sum(seconds <= TEN_MIN_MS / 1000 for seconds in took),
    )
