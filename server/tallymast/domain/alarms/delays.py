"""How long another condition has lasted, and whether that is long enough to believe it.

A delay needs time and at least two readings, each of its own time: with a poll period longer
than the delay two polls decide, and one reading looked at twice is one. Time in which nothing is
known never completes a delay. Which way that is done errs on the side of the alarm:

- while an alarm waits to be *raised*, the wait is kept and the unknown time is taken out of it. If
  it began anew after every gap, a site of failing contact could never raise a delay of minutes,
  and a failing supply makes just such sites;
- while one waits to be *cleared*, the wait begins anew: nobody knows that the condition stayed
  away meanwhile, and an alarm too long is better than one cleared on a guess.

Source: OPC 10000-9 Annex B.1.5 (a condition lasts the whole on-delay; the off-delay holds an alarm
through short clears). That a reading counts once is plain arithmetic of a polled network.
"""

from dataclasses import dataclass

from tallymast.domain.alarms.model import Condition, Seen, Standing

LEAST_READINGS = 2  # common practice, no published source: one reading may be a fault of its own


@dataclass(frozen=True, slots=True)
class Wait:
    """Since when the other condition lasts [UTC ms], and at how many readings it was seen."""

    since_ms: int
    readings: int

    def is_over(self, delay_s: float, least: int, now_ms: int) -> bool:
        """Whether it has lasted the delay and was seen at enough readings."""
        return self.readings >= least and now_ms - self.since_ms >= delay_s * 1000


def waited(standing: Standing, seen: Seen, at_ms: int, now_ms: int) -> Wait:
    """Return how long the condition lasts that is not the alarm's own.

    Args:
        standing: before this look.
        seen: what it found, the other condition.
        at_ms: when the reading it rests on was taken.
        now_ms: when somebody looks.

    A clock that was set back completes nothing: a reading older than the newest one judged, and a
    wait that began in what is now the future, begin anew.

    """
    since_ms, last_ms = standing.pending_ms, standing.seen_ms
    if since_ms is None or last_ms is None or at_ms < last_ms or since_ms > now_ms:
        return _begun(seen, at_ms, now_ms)
    if standing.condition is Condition.UNKNOWN:
        since_ms += at_ms - last_ms
    return Wait(since_ms, standing.pending_n + (at_ms > last_ms))


def _begun(seen: Seen, at_ms: int, now_ms: int) -> Wait:
    since_ms = at_ms if seen.since_ms is None else min(seen.since_ms, at_ms)
    return Wait(since_ms if since_ms <= now_ms else at_ms, 1)
