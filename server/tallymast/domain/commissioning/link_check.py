"""Judges a link from a row of polls: how sure it is, how fast, how steady, and what to do.

The polls are ordinary ones with their retries, one soon after the other. They say how the link is
in these minutes; nights, weather and leaves are told by the record later on.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import ceil
from typing import Final

import numpy as np

from tallymast.domain.health.comms.bursts import gilbert_elliott
from tallymast.domain.health.comms.intervals import USUAL_LAG1, differs, effective_n, wilson
from tallymast.domain.health.comms.model import Share
from tallymast.domain.model import Outcome, Poll

CHOICES: Final = (20, 50, 100, 200)
USUAL: Final = 50
LEAST_POLLS: Final = 20  # Ours: under so many nothing is said of a link
GOOD_FIRST_TRY: Final = 0.95  # common practice, no published source
USABLE_FIRST_TRY: Final = 0.80  # common practice, no published source
GOOD_ANSWERED: Final = 0.99  # Ours: with retries hardly a poll is lost
USABLE_ANSWERED: Final = 0.95  # Ours: one poll in twenty lost is felt in every chart
GOOD_TIMEOUT_PART: Final = 0.5  # Ours: 95 of 100 answers within half the reply timeout
USABLE_TIMEOUT_PART: Final = 0.8  # Ours: later ones begin to be cut off by the timeout
GOOD_SPREAD: Final = 3.0  # Ours: a 95th percentile above 3 medians is the radio trying again
STEADY_DB: Final = 10.0  # Ours: more than this within minutes is no steady path
_LEAST_MISSES: Final = 10  # Ours: fewer show no correlation to rely on
_MOST_LAG1: Final = 0.95


class Verdict(StrEnum):
    """What a test says of a link."""

    GOOD = "good"
    USABLE = "usable, watch it"
    BAD = "not good enough"
    TOO_FEW = "too few polls"


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that was looked at: how grave it is, what was found, and what to do about it."""

    grade: Verdict
    said: str
    do: str = ""


@dataclass(frozen=True, slots=True)
class Times:
    """How long answers took [ms]."""

    median: float
    p95: float
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class Signal:
    """The signal over the test, in its point's unit."""

    least: float
    median: float
    most: float
    unit: str


@dataclass(frozen=True, slots=True)
class LinkCheck:
    """What a test found.

    Attributes:
        first_try: polls answered at the first try of those asked, with its 95 % interval.
        retried: answered after a retry, or in part.
        missed: polls missed, by outcome (no answer, garbled).
        gateway_lost: polls the gateway lost; they are not counted against the site.
        longest_run: most misses in a row.
        reasons: what was looked at, the gravest first.

    """

    first_try: Share
    retried: int
    missed: Mapping[Outcome, int]
    gateway_lost: int
    longest_run: int
    times: Times | None
    signal: Signal | None
    verdict: Verdict
    reasons: tuple[Reason, ...]

    @property
    def asked(self) -> int:
        """Polls asked of the site."""
        return self.first_try.whole

    @property
    def answered(self) -> int:
        """Polls answered, retries included."""
        return self.first_try.part + self.retried


@dataclass(frozen=True, slots=True)
class Expected:
    """What a link is held against: reply timeout [s], and misses in a row till comm fail."""

    reply_timeout_s: float
    miss_limit: int


def check_link(
    polls: Sequence[Poll], signal: Sequence[float], unit: str, expected: Expected
) -> LinkCheck:
    """Return what a row of polls says of a link.

    Args:
        polls: of the test, in the order of time.
        signal: the signal at each poll that reported one, none where the site has no such point.
        unit: of the signal.
        expected: what it is held against.

    """
    asked = [poll for poll in polls if poll.outcome is not Outcome.GATEWAY_LOST]
    missed = np.array([poll.outcome.is_missed for poll in asked], np.bool_)
    first_try = first_try_of(asked)
    times = times_of(asked)
    levels = _signal(signal, unit)
    retried = sum(poll.outcome is Outcome.RETRIED for poll in asked)
    run = longest_run(missed.tolist())
    reasons = _reasons(first_try, retried, run, times, levels, expected)
    return LinkCheck(
        first_try,
        retried,
        {
            kind: sum(poll.outcome is kind for poll in asked)
            for kind in (Outcome.NO_ANSWER, Outcome.GARBLED)
        },
        len(polls) - len(asked),
        run,
        times,
        levels,
        _verdict(len(asked), reasons),
        reasons,
    )


def first_try_of(asked: Sequence[Poll]) -> Share:
    """Return the share answered at the first try, its interval on polls that come in bursts.

    Wilson's interval on the effective number of polls. The correlation is the test's own where at
    least 10 polls were answered at the first try and 10 were not, else the usual one of 0.7.
    """
    later = np.array([poll.outcome is not Outcome.FIRST_TRY for poll in asked], np.bool_)
    whole, not_first = len(later), int(later.sum())
    if not whole:
        return Share(0, 0)
    rho = USUAL_LAG1
    if min(not_first, whole - not_first) >= _LEAST_MISSES and (seen := gilbert_elliott(later)):
        rho = min(max(seen.lag1, 0.0), _MOST_LAG1)
    worth = effective_n(whole, rho)
    low, high = wilson((whole - not_first) / whole * worth, worth)
    return Share(whole - not_first, whole, low, high, worth)


def times_of(polls: Sequence[Poll]) -> Times | None:
    """Return how long answers took, None without any; percentiles by linear interpolation."""
    known = [p.answer_ms for p in polls if p.outcome.is_answered and p.answer_ms is not None]
    if not known:
        return None
    median, p95 = np.percentile(known, [50, 95]).tolist()
    return Times(median, p95, min(known), max(known))


def longest_run(missed: Sequence[bool]) -> int:
    """Return the most misses in a row."""
    longest = run = 0
    for one in missed:
        run = run + 1 if one else 0
        longest = max(longest, run)
    return longest


def compared(now: LinkCheck, before: LinkCheck) -> str:
    """Return in words how a test compares with an earlier one."""
    if not differs(now.first_try, before.first_try):
        return "no difference beyond chance"
    better = (now.first_try.share or 0) > (before.first_try.share or 0)
    return "better, beyond chance" if better else "worse, beyond chance"


def enough_for(share: Share) -> int | None:
    """Return which number of polls would tell this share from a merely usable one, None: none.

    The half width of an interval falls as the root of the number; the choices are those offered.
    """
    if share.share is None or share.low is None or share.low >= USABLE_FIRST_TRY:
        return None
    wanted = share.share - USABLE_FIRST_TRY
    if wanted <= 0:
        return None
    needed = ceil(share.whole * ((share.share - share.low) / wanted) ** 2)
    return next((n for n in CHOICES if n > share.whole and n >= needed), None)


def _signal(levels: Sequence[float], unit: str) -> Signal | None:
    if not levels:
        return None
    return Signal(min(levels), float(np.median(levels)), max(levels), unit)


def _verdict(asked: int, reasons: Sequence[Reason]) -> Verdict:
    if asked < LEAST_POLLS:
        return Verdict.TOO_FEW
    grave = [reason.grade for reason in reasons]
    return next((one for one in (Verdict.BAD, Verdict.USABLE) if one in grave), Verdict.GOOD)


def _graded(value: float, good: float, usable: float) -> Verdict:
    """Return the grade of a value that is better when it is larger."""
    if value >= good:
        return Verdict.GOOD
    return Verdict.USABLE if value >= usable else Verdict.BAD


def _reasons(
    first_try: Share,
    retried: int,
    run: int,
    times: Times | None,
    signal: Signal | None,
    expected: Expected,
) -> tuple[Reason, ...]:
    if not first_try.whole:
        return ()
    found = [_of_answers(first_try.part + retried, first_try.whole)]
    if first_try.part + retried:
        found += [_of_first_try(first_try), _of_runs(run, expected.miss_limit)]
    if times is not None:
        found += [_of_lateness(times, expected.reply_timeout_s), _of_spread(times)]
    if signal is not None and "db" in signal.unit.lower():
        found.append(_of_signal(signal))
    order = (Verdict.BAD, Verdict.USABLE, Verdict.GOOD)
    return tuple(sorted(found, key=lambda reason: order.index(reason.grade)))


def _of_answers(answered: int, asked: int) -> Reason:
    said = f"{answered} of {asked} polls were answered, retries counted"
    if not answered:
        return Reason(
            Verdict.BAD,
            f"None of {asked} polls was answered",
            "Power, switches, antenna and line settings first; then find the station again.",
        )
    # One poll lost of a short test is not 2 % of all polls: it passes as good.
    lost_one = asked - answered <= 1 and asked <= USUAL
    grade = Verdict.GOOD if lost_one else _graded(answered / asked, GOOD_ANSWERED, USABLE_ANSWERED)
    return Reason(grade, said, "" if grade is Verdict.GOOD else _ANTENNA)


def _of_first_try(share: Share) -> Reason:
    grade = _graded(share.part / share.whole, GOOD_FIRST_TRY, USABLE_FIRST_TRY)
    said = f"{share.part} of {share.whole} were answered at the first try"
    return Reason(grade, said, "" if grade is Verdict.GOOD else _ANTENNA)


def _of_runs(run: int, miss_limit: int) -> Reason:
    if run <= 1:
        return Reason(Verdict.GOOD, "no two misses in a row" if run else "nothing was missed")
    grade = Verdict.BAD if run >= miss_limit else Verdict.USABLE
    said = f"{run} misses in a row; {miss_limit} make a comm fail"
    return Reason(grade, said, "Bursts: look for who else transmits, and for loose connectors.")


def _of_lateness(times: Times, timeout_s: float) -> Reason:
    part = times.p95 / (1000 * timeout_s)
    grade = _graded(-part, -GOOD_TIMEOUT_PART, -USABLE_TIMEOUT_PART)
    said = f"95 of 100 answers came within {times.p95:.0f} ms; the reply timeout is {timeout_s:g} s"
    return Reason(grade, said, "" if grade is Verdict.GOOD else "Give it a longer reply timeout.")


def _of_spread(times: Times) -> Reason:
    ratio = times.p95 / times.median if times.median else 1.0
    grade = Verdict.GOOD if ratio <= GOOD_SPREAD else Verdict.USABLE
    said = f"the slow answers take {ratio:.1f} times the usual {times.median:.0f} ms"
    do = "" if grade is Verdict.GOOD else "The radios try again beneath: treat it as weak signal."
    return Reason(grade, said, do)


def _of_signal(signal: Signal) -> Reason:
    moved = signal.most - signal.least
    grade = Verdict.GOOD if moved <= STEADY_DB else Verdict.USABLE
    said = f"the signal moved by {moved:.0f} dB during the test"
    do = "" if grade is Verdict.GOOD else "Fading path or a loose connector: move and tighten."
    return Reason(grade, said, do)


_ANTENNA: Final = (
    "Antenna's aim and height, feedline and connectors, then the path itself; test again after "
    "each change."
)
