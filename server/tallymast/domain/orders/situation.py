"""Everything that decides whether an order may go, gathered at one instant by whoever asks.

What is not surely known is unknown here: an old, doubtful or missing reading is neither on nor
off, neither held nor not.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Final

from tallymast.domain.local_times import clock_words
from tallymast.domain.model import (
    GatewayState,
    Point,
    PointKind,
    Quality,
    Reading,
    Site,
    SitePlan,
    SiteState,
)
from tallymast.domain.orders.model import Order, OrderState, TagOut

# Common practice, no published source: two polls, at least half a minute.
_POLLS, _LEAST_S = 2, 30.0
HOUR_MS: Final = 3_600_000
_NOT_DONE = (OrderState.REFUSED, OrderState.NOT_SENT)


@dataclass(frozen=True, slots=True)
class Situation:
    """What is known around one output at ``now_ms``.

    Attributes:
        plan: the output's site as it is polled.
        point: the output.
        readings: the site's newest readings by tag.
        state: the site's newest state; None where nothing is known of it.
        gateway: its gateway's newest state, likewise.
        tags: do-not-operate tags that hang, at least those of the site.
        recent: orders to this output, newest first, at least those of the last hour.
        off_since_ms: since when the record shows it off; None: on, or not known.
        starts_last_hour: how often the record shows it starting; None: not known.
        storage_words: why orders cannot be stored; empty while they can.
        visitors: who is at the site, a sentence each.
        desk_words: why nobody would send an order that is stored; empty while somebody does.
        beside: orders to other outputs that the same point proves, newest first, at least those
            under way and those whose proof is waited for.
        zone: on whose clock an instant is told.

    """

    plan: SitePlan
    point: Point
    readings: Mapping[str, Reading]
    state: SiteState | None
    gateway: GatewayState | None
    tags: tuple[TagOut, ...]
    recent: tuple[Order, ...]
    off_since_ms: int | None
    starts_last_hour: int | None
    storage_words: str
    visitors: tuple[str, ...]
    now_ms: int
    desk_words: str = ""
    beside: tuple[Order, ...] = ()
    zone: tzinfo = UTC

    @property
    def site(self) -> Site:
        """The output's site."""
        return self.plan.site

    @property
    def own(self) -> Reading | None:
        """The output's own newest reading."""
        return self.readings.get(self.point.tag)


def oldest_ms(site: Site) -> int:
    """Return the age up to which a value may be acted on [ms]."""
    return round(max(_POLLS * site.poll_every_s, _LEAST_S) * 1000)


def age_ms(reading: Reading | None, now_ms: int) -> int | None:
    """Return how old a reading is [ms]; None where it was never read."""
    if reading is None or reading.at_ms is None:
        return None
    return max(now_ms - reading.at_ms, 0)


def at_words(situation: Situation, ms: int) -> str:
    """Return an instant on the network's clock, for sentences that are kept: an age would grow."""
    is_late = situation.now_ms - ms < HOUR_MS
    return clock_words(ms, situation.now_ms, situation.zone, seconds=is_late)


def is_fresh(situation: Situation, reading: Reading | None) -> bool:
    """Whether a reading is good, and young enough to be acted on."""
    if reading is None or reading.value is None or reading.at_ms is None:
        return False
    # Stamped far in the future it is from before the clock was set back: nobody knows its age.
    away_ms = abs(situation.now_ms - reading.at_ms)
    return reading.quality is Quality.GOOD and away_ms <= oldest_ms(situation.site)


def number(point: Point, reading: Reading | None) -> float | None:
    """Return what a reading shows, a contact as 1 or 0, a pulse output as seconds; None: nothing.

    How old it is, and how far it may be believed, is not looked at.
    """
    if reading is None or reading.value is None or isinstance(reading.value, str):
        return None
    if point.kind is PointKind.PULSE_OUTPUT and isinstance(reading.raw, int | float):
        return float(reading.raw) * (point.seconds_per_count or 1.0)
    return float(reading.value)


def shown(situation: Situation, point: Point) -> float | None:
    """Return what a point of the site surely shows now; None: that is not known."""
    reading = situation.readings.get(point.tag)
    return number(point, reading) if is_fresh(situation, reading) else None


def may_have_gone(order: Order) -> bool:
    """Whether an order's bytes were sent, or may have been, and the station did not refuse it."""
    return order.sent_ms is not None and order.state not in _NOT_DONE


def is_under_way(order: Order, now_ms: int) -> bool:
    """Whether an order has not ended; one that is stored and expired is as good as ended."""
    expired = order.state is OrderState.STORED and now_ms >= order.expires_ms
    return not (order.state.is_over or expired)


def unread_order(situation: Situation) -> Order | None:
    """Return the newest ended order that went after the output was last read; None: there is none.

    What was read before it tells nothing of what the output does now.
    """
    own = situation.own
    read_ms = own.at_ms if own is not None and own.at_ms is not None else None
    ended = (one for one in situation.recent if may_have_gone(one) and one.state.is_over)
    gone = next(ended, None)
    if gone is None or gone.sent_ms is None or read_ms is None:
        return None
    return gone if max(gone.sent_ms, gone.readback_ms or 0) >= read_ms else None
