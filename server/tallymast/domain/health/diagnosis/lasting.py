"""How long a finding lasts: when one begins, what of it is worth writing down, when it ends.

A finding is one cause at one site (or of one gateway itself). It is named again at every look
and written only when that tells something new. It ends when it has not been named for a while
although its place was judged: silence of a judge that could not look ends nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from tallymast.domain.health.diagnosis.evidence import SiteEvidence
from tallymast.domain.health.diagnosis.model import Diagnosis
from tallymast.domain.health.site_health import NOT_JUDGED
from tallymast.domain.model import Act, GatewayPlan, GatewayStatus

MINUTE_MS: Final = 60_000
ENDS_AFTER_MS: Final = 30 * MINUTE_MS  # ours: not named for so long, it is over
AGAIN_MS: Final = 24 * 60 * MINUTE_MS  # ours: back within a day, it is the same finding
SAME_EVERY_MS: Final = 60 * MINUTE_MS  # ours: its numbers are written anew every hour
NEW_EVERY_MS: Final = 10 * MINUTE_MS  # ours: what moves to and fro is not written more often

Key = tuple[int | None, int, str, str]
"""A finding's place (site id, or None and its gateway's id), cause, tag."""


@dataclass(frozen=True, slots=True)
class Held:
    """A finding that stands, as it is remembered between looks.

    Attributes:
        id: of its row.
        told: as it was written last; None where that cannot be read.
        last_ms: when it was named last.
        written_ms: when it was written last.
        absent_ms: since when it is not named although its place is judged; None: it is named,
            or nobody could look.

    """

    id: int
    told: Diagnosis | None
    last_ms: int
    written_ms: int
    absent_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Named:
    """A cause at one of its places.

    Attributes:
        told: the whole diagnosis.
        rank: its place among all that are named, 0 for the first.

    """

    told: Diagnosis
    rank: int


@dataclass(frozen=True, slots=True)
class Looked:
    """Where a look could see, so that what is not named there is not there.

    Attributes:
        sites: ids of sites that were judged.
        gateways: ids of gateways that are connected.
        known_sites: every site of the network.
        known_gateways: every gateway of the network.

    """

    sites: frozenset[int]
    gateways: frozenset[int]
    known_sites: frozenset[int]
    known_gateways: frozenset[int]

    def saw(self, key: Key) -> bool:
        """Return whether a finding's place was seen."""
        site_id, gateway_id, _, _ = key
        return gateway_id in self.gateways if site_id is None else site_id in self.sites

    def knows(self, key: Key) -> bool:
        """Return whether a finding's place is still part of the network."""
        site_id, gateway_id, _, _ = key
        if site_id is None:
            return gateway_id in self.known_gateways
        return site_id in self.known_sites


@dataclass(frozen=True, slots=True)
class Step:
    """What a look changes.

    Attributes:
        held: what stands after it, without those that begin.
        begins: findings that were not there.
        changes: findings to be written anew.
        ends: findings that are over, at their ``last_ms``.

    """

    held: Mapping[Key, Held]
    begins: Mapping[Key, Named]
    changes: Mapping[Key, Named]
    ends: tuple[Held, ...]

    @property
    def writes(self) -> bool:
        """Whether anything is to be stored."""
        return bool(self.begins or self.changes or self.ends)


def looked_at(
    sites: Iterable[SiteEvidence], gateways: Iterable[GatewayPlan], named: Iterable[Diagnosis]
) -> Looked:
    """Return where a look could see.

    A site is left out whose record could not be read, whose gateway is lost, which is in
    maintenance or not polled, or which only suffers from a cause elsewhere.

    Args:
        sites: the evidence the causes were asked about.
        gateways: all of the network, with their sites.
        named: what the causes said.

    """
    sites, gateways = list(sites), list(gateways)
    plans = [plan for gateway in gateways for plan in gateway.sites]
    hidden = {plan.site_id for plan in plans if plan.act is not Act.NONE}
    hidden |= {site_id for one in named for site_id in one.touched}
    seen = [one for one in sites if one.moment.gateway is GatewayStatus.CONNECTED]
    judged = {one.site_id for one in seen if one.health is not NOT_JUDGED}
    return Looked(
        frozenset(judged - hidden),
        frozenset(one.gateway_id for one in seen),
        frozenset(plan.site_id for plan in plans),
        frozenset(one.gateway_id for one in gateways),
    )


def places(named: Sequence[Diagnosis]) -> dict[Key, Named]:
    """Return each cause at each of its places; of two alike at one place the surer."""
    found: dict[Key, Named] = {}
    for rank, told in enumerate(named):
        for key in keys_of(told):
            found.setdefault(key, Named(told, rank))
    return found


def keys_of(told: Diagnosis) -> list[Key]:
    """Return a diagnosis's keys: one a site it accuses, or its gateway's own."""
    what = (told.cause, told.tag)
    if not told.site_ids:
        return [(None, told.gateway_id, *what)]
    return [(site_id, 0, *what) for site_id in told.site_ids]


def step(held: Mapping[Key, Held], named: Sequence[Diagnosis], looked: Looked, now_ms: int) -> Step:
    """Return what a look changes.

    Args:
        held: what stood before.
        named: what is named now, the surest first.
        looked: where it could be seen.
        now_ms: the instant, UTC milliseconds.

    """
    now = places(named)
    after: dict[Key, Held] = {}
    changes: dict[Key, Named] = {}
    ends: list[Held] = []
    for key, one in held.items():
        if key in now:
            after[key] = replace(one, last_ms=now_ms, absent_ms=None)
            if _is_new(one, now[key].told, now_ms):
                changes[key] = now[key]
            continue
        absent = _absent(one, looked.saw(key), now_ms)
        if not looked.knows(key) or _is_over(absent, now_ms):
            ends.append(one)
        else:
            after[key] = absent
    begins = {key: one for key, one in now.items() if key not in held}
    return Step(after, begins, changes, tuple(ends))


def _absent(one: Held, seen: bool, now_ms: int) -> Held:
    if not seen:
        return one if one.absent_ms is None else replace(one, absent_ms=None)
    going = one.absent_ms is not None and one.absent_ms <= now_ms  # else the clock was set back
    return one if going else replace(one, absent_ms=now_ms)


def _is_over(one: Held, now_ms: int) -> bool:
    return one.absent_ms is not None and now_ms - one.absent_ms >= ENDS_AFTER_MS


def _is_new(one: Held, told: Diagnosis, now_ms: int) -> bool:
    """Return whether it is worth writing: soon what is told otherwise, hourly its numbers."""
    age_ms = now_ms - one.written_ms
    if one.told is None or not 0 <= age_ms < SAME_EVERY_MS:
        return True
    return age_ms >= NEW_EVERY_MS and _told_otherwise(one.told, told)


def _told_otherwise(before: Diagnosis, after: Diagnosis) -> bool:
    if before is after:
        return False
    moved_ms = abs(before.since_ms - after.since_ms)
    return moved_ms > SAME_EVERY_MS or _outline(before) != _outline(after)


def _outline(told: Diagnosis) -> tuple[object, ...]:
    """Return what of a diagnosis is no running number."""
    return (
        told.title,
        told.gateway_id,
        told.site_ids,
        told.touched,
        told.rivals,
        told.confidence,
        told.bring,
    )
