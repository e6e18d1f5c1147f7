"""Whether a totalizer's count can be believed: it only climbs, and not faster than it can.

A count that went back is explained by a wrap that fits what was counted meanwhile, or by a restart
counter that moved; else somebody reset, replaced or rewired it. Where the restart counter is read
more seldom than the total, nothing is said until it was read after the step.
"""

from dataclasses import dataclass

from tallymast.domain.alarms.judged import UNKNOWN, is_known, spoken
from tallymast.domain.alarms.model import Condition, Seen
from tallymast.domain.health.attention import Standing as SiteStanding
from tallymast.domain.model import Point, PointKind, Quality

BACK_HELD_MS = 3_600_000  # ours: so long a step back stays abnormal; its alarm is latched besides
GRACE_S = 2.0  # ours: an answer may be so much later than the other; retries and repeaters


@dataclass(frozen=True, slots=True)
class Count:
    """What a totalizer showed [raw counts], and its site's restart counter, each with its time."""

    at_ms: int
    raw: float
    restarts: float | None = None
    restarts_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Counted:
    """What is remembered of a totalizer.

    Attributes:
        newest: the newest count.
        is_compared: whether there was one before it.
        back: the counts before and after the newest step back that no wrap explains.
        too_fast: counts a second between the newest two, where more than can be; else None.

    """

    newest: Count
    is_compared: bool = False
    back: tuple[Count, Count] | None = None
    too_fast: float | None = None


def count_of(site: SiteStanding, point: Point) -> Count | None:
    """Return what a site's newest readings say; None where it may not be the newest or is none."""
    reading = site.readings.get(point.tag)
    if reading is None or reading.at_ms is None or reading.quality is Quality.SUSPECT:
        return None
    if reading.raw is None or isinstance(reading.raw, bool | str):
        return None
    counter = site.plan.site.point_of(PointKind.COUNTER)
    read = site.readings.get(counter.tag) if counter is not None else None
    if read is None or read.raw is None or isinstance(read.raw, bool | str):
        return Count(reading.at_ms, float(reading.raw))
    return Count(reading.at_ms, float(reading.raw), float(read.raw), read.at_ms)


def counted(before: Counted | None, now: Count, point: Point) -> Counted:
    """Return what is remembered after a count; one read before the newest begins anew."""
    if before is None or now.at_ms < before.newest.at_ms:
        return Counted(now)
    if now.at_ms == before.newest.at_ms:
        return Counted(now, before.is_compared, before.back, before.too_fast)
    last, modulus = before.newest, point.modulus or 0
    forward = now.raw - last.raw
    elapsed_s = (now.at_ms - last.at_ms) / 1000 + GRACE_S
    if forward < 0:
        if not _wraps(forward + modulus, elapsed_s, point):
            return Counted(now, is_compared=True, back=(last, now))
        forward += modulus
    return Counted(now, True, before.back, _too_fast(forward, elapsed_s, point.max_rate))


def judge_total(site: SiteStanding, point: Point, found: Counted | None, now_ms: int) -> Seen:
    """Judge a totalizer by what is remembered of it."""
    reading = site.readings.get(point.tag)
    if found is None or not found.is_compared or reading is None or not is_known(reading):
        return UNKNOWN
    at_ms = found.newest.at_ms
    back = _unexplained(found)
    if back is not None and now_ms - back[1].at_ms < BACK_HELD_MS:
        if _waits(found, back):
            return UNKNOWN
        return Seen(Condition.ABNORMAL, at_ms, _back_words(back), since_ms=back[1].at_ms)
    if found.too_fast is not None and point.max_rate is not None:
        most = spoken(point.max_rate, "a second")
        words = f"counts {spoken(found.too_fast, '')} a second, at most {most} can be"
        return Seen(Condition.ABNORMAL, at_ms, words)
    return Seen(Condition.NORMAL, at_ms, f"count {found.newest.raw:.0f}")


def _wraps(forward: float, elapsed_s: float, point: Point) -> bool:
    """Whether a count that starts again at 0 explains it.

    With a greatest rate, by what can be counted in the time; else, ours, where less than half a
    turn lies between the two.
    """
    if point.modulus is None or forward < 0:
        return False
    if point.max_rate is None:
        return forward < point.modulus / 2
    return forward <= point.max_rate * elapsed_s + 1


def _too_fast(forward: float, elapsed_s: float, max_rate: float | None) -> float | None:
    if max_rate is None or forward - 1 <= max_rate * elapsed_s:
        return None
    return forward / (elapsed_s - GRACE_S)


def _unexplained(found: Counted) -> tuple[Count, Count] | None:
    if found.back is None:
        return None
    was, now = found.back[0].restarts, found.newest.restarts
    return None if was is not None and now is not None and now != was else found.back


def _waits(found: Counted, back: tuple[Count, Count]) -> bool:
    """Whether the restart counter was not read since."""
    read_ms = found.newest.restarts_ms
    return back[0].restarts is not None and read_ms is not None and read_ms < back[1].at_ms


def _back_words(back: tuple[Count, Count]) -> str:
    why = "the restart counter did not move" if back[0].restarts is not None else "nothing says why"
    return f"went back from {back[0].raw:.0f} to {back[1].raw:.0f}, {why}"
