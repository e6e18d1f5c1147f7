"""Advice on a drive in a word with its shape, and in the sentence that says why.

The words are about the need for a drive. None of them says that anything at the site is safe.
"""

from collections.abc import Callable
from typing import Final

from markupsafe import Markup, escape

from tallymast.domain.health.comms.model import Returns, Share
from tallymast.domain.health.findings import (
    NoValue,
    PathSilent,
    SupplyBelowDisconnect,
    SupplyNearDisconnect,
)
from tallymast.domain.health.together import SilentTogether
from tallymast.domain.health.visit import Advice, Call, Why
from tallymast.routes.formats import Clock, lasting, number, plural, share, value_words
from tallymast.routes.rows import Mark
from tallymast.routes.supply_sentences import disconnect_words

_MARKS: Final = {
    Call.DRIVE: Mark("Drive", "octagon", "act"),
    Call.PLAN: Mark("Plan a drive, not today", "triangle", "watch"),
    Call.WAIT: Mark("Do not drive yet", "square", "watch"),
    Call.DESK: Mark("Look from the desk first", "triangle", "watch"),
    Call.ELSEWHERE: Mark("Not at this site", "diamond", "watch"),
    Call.NOBODY: Mark("Nothing here needs a person", "disc", "calm"),
    Call.OCCUPIED: Mark("Somebody works there", "diamond", "off"),
    Call.UNKNOWN: Mark("Not known", "dash", "off"),
}
_UNJUDGED: Final = Mark("Nothing found that needs a person", "disc", "off")


def advice_mark(told: Advice) -> Mark:
    """Return the advice as a word with its shape."""
    return _UNJUDGED if told.why is Why.UNJUDGED else _MARKS[told.call]


def advice_words(told: Advice, clock: Clock) -> Markup:
    """Return why, as it follows the word and a colon; a sentence without its first capital."""
    return _REASONS[told.why](told, clock)


def day_minute(minute: int) -> str:
    """Return a minute of the day as ``10:40``."""
    return f"{minute // 60:02d}:{minute % 60:02d}"


def returns_words(returns: Returns) -> str:
    """Return when a site that goes silent every day is back."""
    return (
        f"Silent every day lately ({plural(returns.days, 'day')} in a row) from about "
        f"{day_minute(returns.off_minute)}: contact normally returns by "
        f"{day_minute(returns.back_minute)}."
    )


def share_words(known: Share) -> str:
    """Return a share with how many polls it is of and its interval."""
    if not known.whole:
        return "nobody asked"
    if known.low is None or known.high is None:
        of = f"{number(known.whole)} {'poll' if known.whole == 1 else 'polls'}"
        return f"{number(known.part)} of {of}, too few to speak of a rate"
    words = f"{share(known.part, known.whole)} of {number(known.whole)} polls"
    return f"{words} (95 % sure: {_end(known.low)} to {_end(known.high)} %)"


def _end(part: float) -> str:
    """Return an end of an interval in per cent; 0 and 100 are no measured tenths."""
    rounded = f"{100 * part:.1f}"
    return rounded.removesuffix(".0") if rounded in ("0.0", "100.0") else rounded


# --- a reason each ------------------------------------------------------------------------------

_Reason = Callable[[Advice, Clock], Markup]


def _since(told: Advice, clock: Clock) -> Markup:
    if told.since_ms is None:
        return Markup("since an unknown time")
    return Markup("since {} ({})").format(clock.at(told.since_ms), clock.lasts(told.since_ms))


def _returns(told: Advice, clock: Clock) -> Markup:
    del clock
    return Markup("contact normally returns by {}.").format(day_minute(told.back_minute or 0))


def _late(told: Advice, clock: Clock) -> Markup:
    return Markup("contact normally returns by {} and has not; silent {}.").format(
        day_minute(told.back_minute or 0), _since(told, clock)
    )


def _ends(told: Advice, clock: Clock) -> Markup:
    return Markup("silent {}; each of its {} in 14 days ended within {}.").format(
        _since(told, clock), plural(told.ended, "silence"), lasting(told.longest_ms)
    )


def _young(told: Advice, clock: Clock) -> Markup:
    return Markup("silent only {}; run the desk test.").format(_since(told, clock))


def _silent(told: Advice, clock: Clock) -> Markup:
    return Markup("silent {}, and nothing on record says that it ends by itself.").format(
        _since(told, clock)
    )


def _never(told: Advice, clock: Clock) -> Markup:
    return Markup("it has never answered, asked {}; address, power and antenna decide.").format(
        _since(told, clock)
    )


def _start_at(told: Advice, clock: Clock) -> Markup:
    return Markup("start at {}, lost {}.").format(told.start or "its gateway", _since(told, clock))


def _together(told: Advice, clock: Clock) -> Markup:
    count = len(told.finding.sites) if isinstance(told.finding, SilentTogether) else 0
    return Markup("{} behind {} fell silent together, {}: one cause, look there first.").format(
        plural(count, "site"), told.start, _since(told, clock)
    )


def _shared(told: Advice, clock: Clock) -> Markup:
    return Markup(
        "in contact, worse {} together with others in one direction; listen first, do not climb."
    ).format(_since(told, clock))


def _repeater(told: Advice, clock: Clock) -> Markup:
    behind = len(told.finding.behind) if isinstance(told.finding, PathSilent) else 0
    return Markup("one cause for it and {} behind it, silent {}.").format(
        plural(behind, "site"), _since(told, clock)
    )


def _disconnect(told: Advice, clock: Clock) -> Markup:
    if told.forecast is not None:
        words = disconnect_words(told.forecast, clock.now_ms)
        return Markup("{}{}.").format(_verdict(told, clock), words)
    finding = told.finding
    if not isinstance(finding, SupplyBelowDisconnect | SupplyNearDisconnect):
        return Markup("the supply is close to its load disconnect.")
    point = finding.site.point(finding.reading.tag)
    side = "at or below" if isinstance(finding, SupplyBelowDisconnect) else "close above"
    volts = value_words(finding.reading, point) if point else "unknown"
    drop_v = number(finding.disconnect_v)
    return Markup("supply {}, {} its load disconnect ({}\u00a0V).").format(volts, side, drop_v)


def _verdict(told: Advice, clock: Clock) -> Markup:
    if told.verdict is None or told.since_ms is None:
        return Markup("")
    # Since when, not how long: the days of a forecast stand beside it.
    return Markup("{} since {}; ").format(told.verdict.value, clock.at(told.since_ms))


def _dark(told: Advice, clock: Clock) -> Markup:
    said = f"it loses its power at night, {plural(told.nights, 'night')} running"
    if not told.nights:
        said = f"it loses its power at night, {_since(told, clock)}"
    if told.after_sunrise_min is None or told.after_sunrise_min <= 0:
        return Markup("{}.").format(Markup(said))
    back = lasting(told.after_sunrise_min * 60_000)
    return Markup("{}, and is normally back within {} of sunrise.").format(Markup(said), back)


def _supply(told: Advice, clock: Clock) -> Markup:
    verdict = told.verdict.value if told.verdict else "not as it should be"
    if told.since_ms is None:
        return Markup("supply {}.").format(verdict)
    return Markup("supply {} {}.").format(verdict, _since(told, clock))


def _no_value(told: Advice, clock: Clock) -> Markup:
    del clock
    name = told.finding.point.name if isinstance(told.finding, NoValue) else "a point"
    return Markup("{} has no valid value; gauge by hand before relying on it.").format(name)


def _worse(told: Advice, clock: Clock) -> Markup:
    return Markup("in contact, worse {}; run the desk test.").format(_since(told, clock))


def _overdue(told: Advice, clock: Clock) -> Markup:
    return Markup("it was not asked {}; look at the polling, not at the site.").format(
        _since(told, clock)
    )


def _plainly(words: str) -> _Reason:
    return lambda told, clock: escape(words)


_REASONS: Final[dict[Why, _Reason]] = {
    Why.RETURNS: _returns,
    Why.LATE: _late,
    Why.ENDS_ITSELF: _ends,
    Why.YOUNG: _young,
    Why.SILENT: _silent,
    Why.NEVER: _never,
    Why.GATEWAY: _start_at,
    Why.PATH: _start_at,
    Why.TOGETHER: _together,
    Why.SHARED: _shared,
    Why.REPEATER: _repeater,
    Why.MAINTENANCE: _plainly("in maintenance; speak with who is there first."),
    Why.NOT_POLLED: _plainly("nobody asks this site; what stands here is old."),
    Why.NOT_ASKED_YET: _plainly("it has not been asked yet."),
    Why.NOT_ASKED: _overdue,
    Why.DISCONNECT: _disconnect,
    Why.DARK: _dark,
    Why.SUPPLY: _supply,
    Why.NO_VALUE: _no_value,
    Why.FINDING: _plainly("in contact; run the desk test, then judge what was found."),
    Why.CONTACT: _worse,
    Why.CLEAN: _plainly("in contact, and nothing was found."),
    Why.UNJUDGED: _plainly("in contact, but not everything is judged yet."),
}
