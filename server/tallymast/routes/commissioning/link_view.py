"""A link test in words, and its answer times as a small drawing, poll by poll."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tallymast.domain.commissioning.link_check import (
    LinkCheck,
    Reason,
    Verdict,
    compared,
    enough_for,
)
from tallymast.domain.health.comms.intervals import LEAST_POLLS
from tallymast.domain.health.comms.model import Share
from tallymast.domain.model import JobState, Outcome, Poll
from tallymast.routes.commissioning.link_tests import LinkTest
from tallymast.routes.commissioning.scans import is_over
from tallymast.routes.formats import between, number, percent, plural, with_unit
from tallymast.routes.rows import Mark

VERDICTS: Final = {
    Verdict.GOOD: Mark("good", "disc", "calm"),
    Verdict.USABLE: Mark("usable, watch it", "triangle", "watch"),
    Verdict.BAD: Mark("not good enough", "octagon", "act"),
    Verdict.TOO_FEW: Mark("too few polls", "dash", "off"),
}
GOES_ON: Final = Mark("goes on", "diamond", "off")
WIDTH: Final = 300
HEIGHT: Final = 60
_SHORTEST: Final = 1.5  # an answer is always seen


@dataclass(frozen=True, slots=True)
class AnswerChart:
    """Answer times by poll: bars, filled at the first try, hollow after a retry; crosses: missed.

    Paths in units of a drawing of 300 by 60; ``top`` is the answer time at its upper edge [ms].
    """

    first: str
    later: str
    missed: str
    top: int
    polls: int
    words: str


@dataclass(frozen=True, slots=True)
class EarlierTest:
    """An earlier test in a line."""

    at_ms: int
    mark: Mark
    words: str
    beside: str


@dataclass(frozen=True, slots=True)
class LinkShown:
    """A link test as its page shows it."""

    number: int
    is_over: bool
    mark: Mark
    said: str
    progress: float
    reasons: tuple[tuple[Mark, str, str], ...]
    facts: tuple[tuple[str, str], ...]
    chart: AnswerChart | None
    more: str
    earlier: tuple[EarlierTest, ...]
    asked_ms: int
    done_ms: int | None
    failed: str


def link_shown(tests: Sequence[LinkTest]) -> LinkShown | None:
    """Return the newest test in words, with those before it; None without any."""
    if not tests:
        return None
    newest, *before = tests
    job, check = newest.job, newest.check
    over = is_over(job)
    return LinkShown(
        job.id,
        over,
        VERDICTS[check.verdict] if over else GOES_ON,
        said_of(newest),
        round(job.progress, 3),
        tuple((VERDICTS[one.grade], _sentence(one.said), one.do) for one in _worth(check)),
        _facts(check),
        draw_answers(newest.polls),
        _more(check) if over else "",
        tuple(_earlier(one, check) for one in before),
        job.asked_ms,
        job.done_ms,
        job.result if job.state is JobState.FAILED else "",
    )


def first_try_words(share: Share) -> str:
    """Return ``49 of 50 polls (95 % sure: 71.5 to 99.9 %)``, the share itself from 100 polls on."""
    if share.low is None or share.high is None:
        return "no poll yet"
    words = f"{share.part} of {plural(share.whole, 'poll')}"
    if share.whole >= LEAST_POLLS:
        words += f", {percent(share.share)}"
    return f"{words} (95\u00a0% sure: {between(share.low, share.high)}\u00a0%)"


def said_of(test: LinkTest) -> str:
    """Return how far a test is, or what it comes to."""
    check = test.check
    if not is_over(test.job):
        if test.job.state is JobState.WAITING:
            return "Waits for its turn on the channel."
        done = check.asked + check.gateway_lost
        return f"{done} of {plural(test.wanted, 'poll')}: {check.answered} answered so far."
    if not check.asked:
        return "No poll of it is on record (any more)."
    if check.verdict is Verdict.TOO_FEW:
        return f"Only {plural(check.asked, 'poll')} of it: too few to judge a link by."
    grave = next((one for one in check.reasons if one.grade is check.verdict), None)
    return _HEADS[check.verdict].format(why=grave.said if grave else "")


_HEADS: Final = {
    Verdict.GOOD: "The link is good, as far as these minutes tell: {why}.",
    Verdict.USABLE: "The link can be used, and wants watching: {why}.",
    Verdict.BAD: "The link is not good enough to leave: {why}.",
}


def draw_answers(polls: Sequence[Poll]) -> AnswerChart | None:
    """Return the drawing of a test's answer times, None where nothing was answered."""
    known = [poll.answer_ms for poll in polls if poll.answer_ms is not None]
    if not known:
        return None
    top, pitch = max(known), WIDTH / len(polls)
    paths = {"first": "", "later": "", "missed": ""}
    for place, poll in enumerate(polls):
        x = place * pitch
        if poll.answer_ms is not None and poll.outcome.is_answered:
            high = max(HEIGHT * poll.answer_ms / top, _SHORTEST)
            kind = "first" if poll.outcome is Outcome.FIRST_TRY else "later"
            wide = max(pitch * 0.7, 0.6)
            paths[kind] += f"M{x:.1f} {HEIGHT}v-{high:.1f}h{wide:.1f}v{high:.1f}z"
        elif poll.outcome.is_missed:
            half = min(pitch / 2, 4)
            paths["missed"] += f"M{x:.1f} {HEIGHT - 8}l{2 * half:.1f} 8m0-8l-{2 * half:.1f} 8"
    words = (
        f"Answer times of {plural(len(polls), 'poll')} in their order, 0 to {top:.0f} ms; "
        f"{sum(poll.outcome is Outcome.RETRIED for poll in polls)} after a retry, "
        f"{sum(poll.outcome.is_missed for poll in polls)} missed"
    )
    return AnswerChart(**paths, top=round(top), polls=len(polls), words=words)


def _worth(check: LinkCheck) -> tuple[Reason, ...]:
    return () if check.verdict is Verdict.TOO_FEW else check.reasons


def _facts(check: LinkCheck) -> tuple[tuple[str, str], ...]:
    missed, garbled = check.missed[Outcome.NO_ANSWER], check.missed[Outcome.GARBLED]
    found = [
        ("At the first try", first_try_words(check.first_try)),
        ("After a retry", plural(check.retried, "poll")),
        ("Missed", f"{missed} without an answer, {garbled} garbled"),
        ("Most misses in a row", str(check.longest_run)),
    ]
    if check.times is not None:
        t = check.times
        found.append(
            (
                "Answer time",
                f"half within {number(round(t.median))}\u00a0ms, 95\u00a0% within "
                f"{number(round(t.p95))}\u00a0ms; {number(round(t.least))} to "
                f"{number(round(t.most))}\u00a0ms",
            )
        )
    if check.signal is not None:
        s = check.signal
        levels = (f"least {_level(s.least)}", f"middle {_level(s.median)}", _level(s.most))
        found.append(("Signal", with_unit(f"{levels[0]}, {levels[1]}, most {levels[2]}", s.unit)))
    if check.gateway_lost:
        found.append(("Not counted", f"{plural(check.gateway_lost, 'poll')} the gateway lost"))
    return tuple(found)


def _level(value: float) -> str:
    return number(value, 0 if float(value).is_integer() else 1)


def _more(check: LinkCheck) -> str:
    """Return that a longer test would tell more, where it would."""
    if check.verdict is Verdict.TOO_FEW:
        return "Ask for a test of 50 polls or more."
    enough = enough_for(check.first_try)
    if check.verdict is Verdict.BAD or enough is None:
        return ""
    return (
        "Misses come in bursts, so that few polls leave the share wide open; a test of "
        f"{enough} tells more."
    )


def _earlier(test: LinkTest, now: LinkCheck) -> EarlierTest:
    at_ms = test.job.done_ms or test.job.asked_ms
    if not test.check.asked:
        gone = "its polls are not on record (any more)"
        return EarlierTest(at_ms, VERDICTS[Verdict.TOO_FEW], gone, "")
    words = first_try_words(test.check.first_try)
    if test.check.times:
        words += f", half within {number(round(test.check.times.median))}\u00a0ms"
    beside = compared(now, test.check) if now.asked else ""
    return EarlierTest(at_ms, VERDICTS[test.check.verdict], words, beside)


def _sentence(said: str) -> str:
    return f"{said[0].upper()}{said[1:]}."
