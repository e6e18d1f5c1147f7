"""Which points of a site count, and what is known of each as a register.

Totalizers count volume; counters that are not of restarts count starts and the like; a duration
counts the time something ran. All three are bridged and judged alike.
"""

from typing import Final

from tallymast.domain.grammar.drafts import span_of
from tallymast.domain.health.diagnosis.point_restarts import counts_restarts
from tallymast.domain.model import Point, PointKind, PollClass, Site, WordLayout
from tallymast.domain.totals.model import Meter

COUNTING: Final = (PointKind.TOTALIZER, PointKind.COUNTER, PointKind.DURATION)
_FLOATS: Final = (WordLayout.FLOAT32, WordLayout.FLOAT64)
_STALE_MS: Final = 60_000  # common practice, no published source: stale at max(3 periods, 60 s)
_UNIT_S: Final = {"s": 1.0, "sec": 1.0, "min": 60.0, "h": 3600.0, "hr": 3600.0, "hours": 3600.0}
_CLOCK: Final = 1.01  # ours: a station's clock runs at most 1 % fast


def counting_points(site: Site) -> tuple[Point, ...]:
    """Return the points of a site whose counts are added up, in its own order."""
    return tuple(one for one in site.points if _is_counting(one))


def restart_point(site: Site) -> Point | None:
    """Return the counter of a station's restarts, None where it has none."""
    return next((one for one in site.points if _of_restarts(one)), None)


def starts_modulus(point: Point) -> int | None:
    """Return where a restart counter returns to 0, None where it never does."""
    return point.modulus if point.modulus is not None else _span(point)


def meter_of(point: Point, poll_every_s: float, slow_every_s: float) -> Meter:
    """Return what is known of a counting point's register.

    Args:
        point: the point.
        poll_every_s: how often its site is polled.
        slow_every_s: how often slow points are read.

    """
    every_s = slow_every_s if point.poll is PollClass.SLOW else poll_every_s
    return Meter(
        point.modulus if point.modulus is not None else _span(point),
        _fastest(point),
        point.bidirectional,
        point.layout not in _FLOATS,
        max(_STALE_MS, round(3000 * every_s)),
    )


def basis(meter: Meter, restarts: Point | None) -> str:
    """Return in few words by what counts were judged; other words, other judgement.

    Args:
        meter: the register.
        restarts: the counter of its station's restarts, None where there is none.

    """
    rate = "" if meter.max_rate is None else repr(meter.max_rate)
    started = "" if restarts is None else f" {restarts.tag} {starts_modulus(restarts) or ''}"
    return f"2 {meter.modulus or ''} {rate} {int(meter.both_ways)} {int(meter.whole)}{started}"


def doubts(point: Point) -> tuple[str, ...]:
    """Return in sentences what a person should say of a point so that more can be known."""
    told = []
    if _fastest(point) is None and point.kind is PointKind.TOTALIZER:
        told.append(
            f"{point.tag}: nobody has said how fast it can count at most (max_rate), so what "
            "passed over a restart or a long gap has no bound."
        )
    if point.layout is WordLayout.FLOAT32:
        # IEEE 754-2019 §3.4: 24 bits of precision.
        told.append(
            f"{point.tag}: a 32-bit floating-point total stops counting by 1 at"
            " 16\u202f777\u202f216."
        )
    return tuple(told)


def _is_counting(point: Point) -> bool:
    return (
        point.kind in COUNTING and not _of_restarts(point) and point.layout is not WordLayout.TEXT
    )


def _of_restarts(point: Point) -> bool:
    return point.kind is PointKind.COUNTER and counts_restarts(point)


def _span(point: Point) -> int | None:
    """Return where a register without a modulus of its own returns to 0, None for signed ones."""
    span = span_of(point.layout, point.length)
    return None if span is None or span[0] < 0 else span[1] + 1


def _fastest(point: Point) -> float | None:
    """Return the most counts a second: as said, or of a duration one second each second."""
    if point.max_rate is not None:
        return point.max_rate
    each_s = _UNIT_S.get(point.unit.strip().lower())
    if point.kind is not PointKind.DURATION or each_s is None:
        return None
    slope = 1.0
    if point.raw and point.value:
        slope = abs((point.value[1] - point.value[0]) / (point.raw[1] - point.raw[0]))
    return _CLOCK / (each_s * slope) if slope else None
