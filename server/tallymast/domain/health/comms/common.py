"""Which outages have one cause: sites that fell silent together.

A share of a gateway's sites alone would miss a repeater, a feeder or a storm cell that takes 4 of
12, so paths and bearings are looked at too. Sites that were silent already say nothing.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from tallymast.domain.health.comms.model import Cause, CommonCause, Outage
from tallymast.domain.health.comms.outages import Span

LEAST_SHARE: Final = 0.6  # Ours: of the gateway's sites that were polled and answered before
LEAST_SITES: Final = 3  # Ours: two may be chance
WIDEST_ARC_DEG: Final = 40.0  # Ours: a storm cell or a transmitter some kilometres off
_LEAST_APART_MS: Final = 60_000
_POLLS_BEFORE: Final = 1.1  # an onset lies within one poll period, drawn out a little
_PATH_COUNTS_MORE: Final = 2  # Ours: a bearing names a path's sites only with three others


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a site stands in the network, and how often it is asked.

    Attributes:
        site_id: whose.
        gateway: key of its gateway.
        via: id of the repeater site it is reached through, None: directly.
        bearing_deg: true bearing from the gateway, None where not known.
        poll_every_ms: its poll period.
        cycle_ms: the time in which every site of its gateway is visited once.

    """

    site_id: int
    gateway: str
    via: int | None
    bearing_deg: float | None
    poll_every_ms: int
    cycle_ms: int = 0


@dataclass(frozen=True, slots=True)
class _Onset:
    """The span in which a site's silence began, drawn out at its end."""

    site: Placed
    outage: Outage
    from_ms: int
    to_ms: int
    is_compared: bool


@dataclass(frozen=True, slots=True)
class _Scene:
    """Who fell silent together, and who of the gateway's others was heard on."""

    silent: dict[int, _Onset]
    heard: dict[int, Placed]


@dataclass(frozen=True, slots=True)
class _Network:
    """A gateway's sites and all that is known of their silence."""

    sites: Mapping[int, Placed]
    onsets: Mapping[int, Sequence[_Onset]]
    not_polled: Mapping[int, Sequence[Span]]
    newest_answer_ms: Mapping[int, int]
    dead: Collection[int]


def common_causes(
    outages: Mapping[int, Sequence[Outage]],
    sites: Sequence[Placed],
    silent_already: Collection[int] = (),
    *,
    not_polled: Mapping[int, Sequence[Span]] | None = None,
    newest_answer_ms: Mapping[int, int] | None = None,
) -> list[CommonCause]:
    """Return the common causes among outages, oldest first; an outage belongs to one at most.

    Sites belong together when their silence may have begun within one cycle of each other (60 s
    at least). A gateway's loss goes before the others, then what takes the most sites:

    - path: a repeater and every site behind it that was polled, itself and one at least;
    - gateway: 60 % of its polled sites, three at least, not all behind one repeater;
    - bearing: three sites or more in an arc of at most 40 degrees in which no one was heard on.

    Args:
        outages: each site's, oldest first.
        sites: those in service; others are not looked at.
        silent_already: sites that were silent when the record of outages begins: their first
            outage is not compared, and they do not count until it ends.
        not_polled: spans in which a site was not polled, or worked at; it does not count then.
        newest_answer_ms: each site's newest answered poll, where known: a site that was not heard
            since the onset has not been heard on; it may yet join (one polled every 15 minutes).

    """
    by_gateway: defaultdict[str, dict[int, Placed]] = defaultdict(dict)
    for site in sites:
        by_gateway[site.gateway][site.site_id] = site
    dead = {one for one in silent_already if not outages.get(one)}
    causes: list[CommonCause] = []
    for placed in by_gateway.values():
        onsets = {
            one: _onsets(site, outages.get(one, ()), was_silent=one in silent_already)
            for one, site in placed.items()
        }
        network = _Network(placed, onsets, not_polled or {}, newest_answer_ms or {}, dead)
        causes.extend(_of_gateway(network))
    return sorted(causes, key=lambda cause: (cause.from_ms, cause.gateway, cause.site_ids))


def explained(
    outages: Mapping[int, Sequence[Outage]], causes: Sequence[CommonCause]
) -> dict[int, tuple[Outage, ...]]:
    """Return the outages, those of a common cause marked as such.

    Args:
        outages: each site's, oldest first, as the causes were found from.
        causes: what ``common_causes`` found among them.

    """
    common: set[tuple[int, int]] = set()
    for cause in causes:
        for site_id in cause.site_ids:
            begins = (one.from_ms for one in outages.get(site_id, ()))
            begin = next((at for at in begins if at >= cause.from_ms), None)
            if begin is not None and (cause.to_ms is None or begin < cause.to_ms):
                common.add((site_id, begin))
    return {
        site_id: tuple(
            replace(one, cause=Cause.COMMON) if (site_id, one.from_ms) in common else one
            for one in own
        )
        for site_id, own in outages.items()
    }


# --- who fell silent together ---------------------------------------------------------


def _onsets(site: Placed, outages: Sequence[Outage], *, was_silent: bool) -> list[_Onset]:
    onsets = []
    apart = max(site.cycle_ms, _LEAST_APART_MS)
    for number, outage in enumerate(outages):
        begin = outage.last_answer_ms
        if begin is None:
            begin = outage.from_ms - round(_POLLS_BEFORE * site.poll_every_ms)
        is_compared = number > 0 or not was_silent
        onsets.append(_Onset(site, outage, begin, outage.from_ms + apart, is_compared))
    return onsets


def _of_gateway(network: _Network) -> Iterator[CommonCause]:
    compared = [one for own in network.onsets.values() for one in own if one.is_compared]
    compared.sort(key=lambda onset: (onset.from_ms, onset.site.site_id))
    for cluster in _clusters(compared):
        left = list(cluster)
        while len(left) > 1:
            found = [cause for scene in _scenes(left, network) for cause in _causes(scene, network)]
            if not found:
                break
            cause, onsets = max(found, key=_takes)
            yield cause
            taken = {id(onset) for onset in onsets}
            left = [onset for onset in left if id(onset) not in taken]


def _takes(found: tuple[CommonCause, Sequence[_Onset]]) -> tuple[bool, int]:
    cause, onsets = found
    more = _PATH_COUNTS_MORE if cause.kind == "path" else 0
    return cause.kind == "gateway", len(onsets) + more


def _clusters(onsets: Sequence[_Onset]) -> Iterator[list[_Onset]]:
    """Split onsets where no one's span reaches over."""
    cluster: list[_Onset] = []
    reach = 0
    for onset in onsets:
        if cluster and onset.from_ms > reach:
            yield cluster
            cluster = []
        reach = max(reach, onset.to_ms) if cluster else onset.to_ms
        cluster.append(onset)
    if cluster:
        yield cluster


def _scenes(onsets: Sequence[_Onset], network: _Network) -> Iterator[_Scene]:
    """Give, for every instant at which one more silence may have begun, who shares it."""
    for last in onsets:
        silent: dict[int, _Onset] = {}
        for onset in onsets:
            if onset.from_ms > last.from_ms:
                break
            if last.from_ms <= onset.to_ms:
                silent.setdefault(onset.site.site_id, onset)
        if len(silent) > 1:
            yield _Scene(silent, _heard(silent, network))


def _heard(silent: Mapping[int, _Onset], network: _Network) -> dict[int, Placed]:
    """Return the sites that were polled and answered while these fell silent."""
    begin = max(onset.from_ms for onset in silent.values())
    end = min(onset.to_ms for onset in silent.values())
    failed = {one for one, own in network.onsets.items() if _was_silent(own, begin, end)}
    away = {
        site_id
        for site_id, spans in network.not_polled.items()
        if any(first <= end and last > begin for first, last in spans)
    }
    unheard = {one for one, at_ms in network.newest_answer_ms.items() if at_ms < begin}
    out = {*silent, *failed, *away, *unheard, *network.dead}
    return {one: site for one, site in network.sites.items() if one not in out}


def _was_silent(onsets: Sequence[_Onset], begin: int, end: int) -> bool:
    """Return whether the newest of a site's silences up to an instant reached over another."""
    number = bisect_right(onsets, end, key=lambda onset: onset.from_ms)
    if not number:
        return False
    to_ms = onsets[number - 1].outage.to_ms
    return to_ms is None or to_ms > begin


# --- what may be the cause ------------------------------------------------------------


def _causes(scene: _Scene, network: _Network) -> Iterator[tuple[CommonCause, Sequence[_Onset]]]:
    paths = [ids for ids in (_path(one, scene, network) for one in scene.silent) if ids]
    for ids in paths:
        yield _named("path", ids, scene)
    everyone = tuple(scene.silent)
    within_a_path = any(set(everyone) <= set(ids) for ids in paths)
    enough = len(everyone) >= LEAST_SHARE * (len(everyone) + len(scene.heard))
    if enough and len(everyone) >= LEAST_SITES and not within_a_path:
        yield _named("gateway", everyone, scene)
    ids, arc = _arc(scene)
    if len(ids) >= LEAST_SITES:
        yield _named("bearing", ids, scene, arc)


def _named(
    kind: str, ids: Sequence[int], scene: _Scene, arc: tuple[float, float] | None = None
) -> tuple[CommonCause, Sequence[_Onset]]:
    onsets = [scene.silent[one] for one in ids]
    ends = [onset.outage.to_ms for onset in onsets]
    known = [end for end in ends if end is not None]
    cause = CommonCause(
        kind,
        onsets[0].site.gateway,
        tuple(ids),
        min(onset.outage.from_ms for onset in onsets),
        max(known) if len(known) == len(ends) else None,
        arc,
    )
    return cause, onsets


def _path(repeater: int, scene: _Scene, network: _Network) -> tuple[int, ...]:
    """Return a repeater and who fell silent behind it; nothing if someone there was heard."""
    behind = _behind(repeater, network.sites)
    if any(one in scene.heard for one in behind):
        return ()
    silent = [one for one in behind if one in scene.silent]
    return (repeater, *silent) if silent else ()


def _behind(repeater: int, sites: Mapping[int, Placed]) -> list[int]:
    """Return the sites reached through a repeater, directly or through further ones."""
    found: list[int] = []
    edge = {repeater}
    while edge:
        edge = {
            one for one, site in sites.items() if site.via in edge and one not in {repeater, *found}
        }
        found.extend(sorted(edge))
    return found


def _arc(scene: _Scene) -> tuple[tuple[int, ...], tuple[float, float] | None]:
    """Return the most silent sites in one arc without an answer in it, clockwise."""
    placed = [onset.site for onset in scene.silent.values()]
    silent = [
        (site.bearing_deg % 360, site.site_id) for site in placed if site.bearing_deg is not None
    ]
    heard = [site.bearing_deg for site in scene.heard.values() if site.bearing_deg is not None]
    best: tuple[int, ...] = ()
    span = None
    for begin, _ in silent:
        free = min([WIDEST_ARC_DEG, *((one - begin) % 360 - 1e-9 for one in heard)])
        inside = sorted(
            ((at - begin) % 360, one) for at, one in silent if (at - begin) % 360 <= free
        )
        if len(inside) > len(best):
            best = tuple(one for _, one in inside)
            span = (begin, (begin + inside[-1][0]) % 360)
    return best, span
