"""What to mind before an order is confirmed: people, what is noted, what works beside it.

Reminders, not permission: local codes, licensed practice and who answers for the site decide. None
of them says that anything is safe.
"""

from collections.abc import Iterator

from tallymast.domain.model import Act, Site, SiteStatus
from tallymast.domain.orders.limits import start_limits
from tallymast.domain.orders.model import OrderKind, Wanted
from tallymast.domain.orders.reaching import is_echoing
from tallymast.domain.orders.situation import Situation, shown
from tallymast.domain.orders.starting import condition_words, is_held, running_beside, start_times
from tallymast.domain.orders.wording import value_words

_NOT_A_SAFETY_FUNCTION = (
    "This is monitoring and convenience control only, no safety function: interlocks and stops"
    " that people depend on belong in the field."
)
_NOT_A_LOCK_OUT = (
    "It is not a lock-out, and off here is no isolation: before anybody works there, isolate, lock"
    " out and tag out at the site (OSHA 29 CFR 1910.147 or local law)."
)
_OPEN_WATER = (
    "Open water is noted here: flow and level may change quickly, up and down the channel. Nobody"
    " may be in it or at its edge."
)


def cautions(wanted: Wanted, situation: Situation) -> tuple[str, ...]:
    """Return what to mind before an order is confirmed, people first.

    Reminders, not permission: local codes, licensed practice and who answers for the site decide.
    Source: OSHA 29 CFR 1910.147 (energy control); the rest is common practice, no published
    source.
    """
    return (
        *_people(wanted, situation),
        *_noted(situation.site),
        *_beside(wanted, situation),
        *_doubts(wanted, situation),
        _NOT_A_SAFETY_FUNCTION,
        _NOT_A_LOCK_OUT,
    )


def _people(wanted: Wanted, situation: Situation) -> Iterator[str]:
    does = "stop" if wanted.kind is OrderKind.OFF else "start or move"
    yield (
        f"Machinery may {does} at {situation.site.name} without warning to whoever stands beside"
        " it. You cannot see from here whether somebody does."
    )
    yield from situation.visitors
    state = situation.state
    in_maintenance = state is not None and state.status is SiteStatus.MAINTENANCE
    if in_maintenance or situation.plan.act is Act.MAINTENANCE:
        yield f"{situation.site.name} is in maintenance: somebody may be working there."
    if situation.visitors or in_maintenance or situation.plan.act is Act.MAINTENANCE:
        yield "Speak with them before anything is ordered, and hear that they stand clear."


def _noted(site: Site) -> Iterator[str]:
    if site.cautions:
        yield f"Noted for {site.name}: {'; '.join(site.cautions)}."
    noted = " ".join(site.cautions).lower().replace("produced water", "")
    if "water" in noted:
        yield _OPEN_WATER


def _beside(wanted: Wanted, situation: Situation) -> Iterator[str]:
    point = situation.point
    if wanted.kind is not OrderKind.OFF:
        for other, value in running_beside(situation):
            yield (
                f"{other.name}, proven by the same point, shows {value_words(other, value)}: mind"
                " that the two do not work against each other."
            )
    elif point.fail_safe is not None and point.fail_safe.state == "on":
        yield (
            f"{point.name} falls back to on by itself, so somebody took on for its safer state:"
            " think twice before it is off."
        )


def _doubts(wanted: Wanted, situation: Situation) -> Iterator[str]:
    gateway = situation.gateway
    if gateway is not None and gateway.sentence and not is_echoing(gateway):
        yield gateway.sentence
    if wanted.kind not in (OrderKind.ON, OrderKind.PULSE):
        return
    limits = start_limits(situation.site, situation.point)
    if limits.per_hour is not None and situation.starts_last_hour is None:
        ordered = len(start_times(situation))
        yield (
            f"How often {situation.point.name} started in the last hour is not known: the record"
            f" does not reach back. Started from here: {ordered}; the motor's maker says how many"
            " it bears."
        )
    interlock = situation.point.interlock
    other = situation.site.point(interlock.tag) if interlock is not None else None
    if interlock is None or other is None:
        return
    value = shown(situation, other)
    if value is not None and is_held(interlock, value):
        yield (
            f"{other.name} was {condition_words(interlock, other)} when it was read; what holds"
            " when the order arrives, only the field knows."
        )
