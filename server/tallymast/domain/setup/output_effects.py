"""Names the outputs that stations will drop by themselves when a change is made.

What an output shows now is not known here: each is named that would not hold.
"""

from collections.abc import Iterator
from dataclasses import replace

from tallymast.domain.grammar.mistakes import plain
from tallymast.domain.model import FailSafe, Gateway, Point, Site
from tallymast.domain.setup.pairs import Pairs, SitePair, is_polled
from tallymast.domain.setup.telling import Said, gathered

# Ours: a gateway that is reached in another way is connected anew, which takes seconds; after a
# first refusal at most half a minute (the longest pause between two tries) and one timeout.
_RECONNECT_S = 40.0


def output_effects(pairs: Pairs) -> tuple[str, ...]:
    """Return which outputs drop, to what, after how long, and why; one sentence a thing."""
    return gathered(one for pair in pairs.sites for one in _of_site(pairs, pair))


def _of_site(pairs: Pairs, pair: SitePair) -> Iterator[Said]:
    old, new = pair.before, pair.after
    if old is None or not is_polled(old):
        return
    for point, safe in _falling(old):
        why = _why(pairs, old, new, safe)
        if why:
            yield Said(
                pair.name,
                point.tag,
                f"{safe.state} by itself after {plain(safe.after_s)} s without a poll: {why}",
            )


def _falling(site: Site) -> Iterator[tuple[Point, FailSafe]]:
    for point in site.points:
        if point.fail_safe is not None and point.fail_safe.state != "hold":
            yield point, point.fail_safe


def _why(pairs: Pairs, old: Site, new: Site | None, safe: FailSafe) -> str:
    """Return why nobody polls the site in time, empty where it goes on."""
    if new is None:
        return "the site is gone from the network"
    if new.retired is not None:
        return "the site is retired"
    if not new.in_service:
        return "the site is out of service"
    if new.poll_every_s >= safe.after_s:
        return f"it is polled only every {plain(new.poll_every_s)} s"
    return _moved(pairs, old, new, safe) or _out_of_season(old, new)


def _out_of_season(old: Site, new: Site) -> str:
    if new.season is None or new.season == old.season:
        return ""
    return "out of season nobody polls it"


def _moved(pairs: Pairs, old: Site, new: Site, safe: FailSafe) -> str:
    if (pairs.new_key("gateway", old.gateway), old.unit) != (new.gateway, new.unit):
        return "it moves, and has to answer at the new address in this time"
    pair = pairs.gateways[new.gateway]
    if pair.before is None or pair.after is None or _wire(pair.before) == _wire(pair.after):
        return ""
    if safe.after_s <= _RECONNECT_S:
        return f"{pair.after.name} is connected anew, which may take {plain(_RECONNECT_S)} s"
    return f"{pair.after.name} is connected anew, and the site has to answer in this time"


def _wire(gateway: Gateway) -> Gateway:
    """Return what a connection depends on."""
    return replace(
        gateway,
        key="",
        name="",
        turnaround_ms=0.0,
        reply_timeout_s=0.0,
        retries=0,
        min_gap_ms=0.0,
        quarantine_s=0.0,
        local_echo=False,
        connect_timeout_s=0.0,
        miss_limit=0,
        probe_ceiling_s=0.0,
        slow_every_s=0.0,
        latitude=None,
        longitude=None,
        altitude_m=None,
    )
