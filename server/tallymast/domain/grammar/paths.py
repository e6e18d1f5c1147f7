"""Follows the paths of sites through repeaters: loops, and what a path gives to a site."""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from typing import Any

from tallymast.domain.grammar.mistakes import Mistakes, nearest, plain, shown
from tallymast.domain.model import Gateway, Site

HOP_TIMEOUT_S = 1.0  # common practice, no published source: a repeater sends everything twice


def check_paths(
    sites: Mapping[str, Site],
    site_keys: Collection[str],
    gateway_keys: Collection[str],
    mistakes: Mistakes,
) -> None:
    """Tell every ``via`` that names no site, another gateway's site, or leads in a circle.

    Args:
        sites: by key.
        site_keys: every key a person wrote for a site, also one that cannot be used.
        gateway_keys: the gateways there are.
        mistakes: where it is told.

    """
    in_circle: set[str] = set()
    for site in sites.values():
        repeater = sites.get(site.via or "")
        if site.via is not None and site.via not in site_keys:
            close = nearest(site.via, (key for key in sites if key != site.key))
            hint = f"; the nearest is {shown(close)}" if close else ""
            mistakes.add(f"site {site.key}", "via", f"There is no site {shown(site.via)}{hint}.")
        elif repeater is not None and repeater.retired and not site.retired:
            why = f"{repeater.key} is retired; it carries nobody."
            mistakes.add(f"site {site.key}", "via", why)
        elif repeater is not None and _parted(site, repeater, gateway_keys):
            mistakes.add(f"site {site.key}", "via", _other_gateway(site, repeater))
        elif site.key not in in_circle and (circle := _circle(site, sites)):
            in_circle.update(circle)
            way = " via ".join([*circle, circle[0]])
            mistakes.add(f"site {site.key}", "via", f"The path leads in a circle: {way}.")


def fill_paths(
    sites: Mapping[str, Site], own: Mapping[str, Mapping[str, Any]], gateways: Mapping[str, Gateway]
) -> list[Site]:
    """Return the sites with the timeout, tries and turnaround their path gives them.

    A site's own key wins. Otherwise a repeater's timeout and one second more, and its retries,
    hold for the sites behind it; turnaround and miss limit come from the gateway.

    Args:
        sites: by key; one in a circle or behind an unknown gateway keeps what it has.
        own: the checked keys a person wrote for each site.
        gateways: by key.

    """
    done: dict[str, Site] = {}
    for site in sites.values():
        for step in reversed([site, *_repeaters(site, sites)]):
            if step.key not in done and step.gateway in gateways:
                given = _given(gateways[step.gateway], done.get(step.via or ""))
                kept = {key: own[step.key][key] for key in given if key in own[step.key]}
                done[step.key] = replace(step, **{**given, **kept})
    return [done.get(key, site) for key, site in sites.items()]


def settle_quarantines(
    gateways: Mapping[str, Gateway],
    sites: Collection[Site],
    written: Collection[str],
    mistakes: Mistakes,
) -> list[Gateway]:
    """Return the gateways with no quarantine shorter than a site's timeout.

    Args:
        gateways: by key.
        sites: with their effective timeouts.
        written: keys of the gateways whose quarantine a person wrote; there it is a mistake.
        mistakes: where it is told.

    """
    settled = []
    for gateway in gateways.values():
        behind = [site for site in sites if site.gateway == gateway.key]
        slowest = max(behind, key=lambda site: site.reply_timeout_s, default=None)
        if slowest is not None and slowest.reply_timeout_s > gateway.quarantine_s:
            if gateway.key in written and gateway.quarantine_s >= gateway.reply_timeout_s:
                mistakes.add(f"gateway {gateway.key}", "quarantine_s", _too_short(gateway, slowest))
            gateway = replace(gateway, quarantine_s=slowest.reply_timeout_s)  # noqa: PLW2901
        settled.append(gateway)
    return settled


def _parted(site: Site, repeater: Site, gateway_keys: Collection[str]) -> bool:
    return repeater.gateway != site.gateway and {site.gateway, repeater.gateway} <= set(
        gateway_keys
    )


def _other_gateway(site: Site, repeater: Site) -> str:
    return (
        f"{repeater.key} is reached through gateway {repeater.gateway}, this site through"
        f" {site.gateway}; a repeater serves its own gateway."
    )


def _too_short(gateway: Gateway, site: Site) -> str:
    return (
        f"{plain(gateway.quarantine_s)} s is shorter than the reply timeout of site {site.key},"
        f" {plain(site.reply_timeout_s)} s; a late answer would be taken for a new one."
    )


def _given(gateway: Gateway, repeater: Site | None) -> dict[str, Any]:
    given: dict[str, Any] = {
        "reply_timeout_s": gateway.reply_timeout_s,
        "retries": gateway.retries,
        "turnaround_ms": gateway.turnaround_ms,
        "miss_limit": gateway.miss_limit,
    }
    if repeater is not None:
        given |= {
            "reply_timeout_s": repeater.reply_timeout_s + HOP_TIMEOUT_S,
            "retries": repeater.retries,
        }
    return given


def _repeaters(site: Site, sites: Mapping[str, Site]) -> Iterator[Site]:
    """Yield the repeaters from a site towards its gateway; a circle once round."""
    seen: set[str] = set()
    while site.via is not None and site.via in sites and site.via not in seen:
        site = sites[site.via]
        seen.add(site.key)
        yield site


def _circle(site: Site, sites: Mapping[str, Site]) -> list[str]:
    """Return the keys of the circle this very site is part of, beginning with it, or none."""
    way = [repeater.key for repeater in _repeaters(site, sites)]
    return [site.key, *way[: way.index(site.key)]] if site.key in way else []
