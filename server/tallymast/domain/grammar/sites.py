"""Builds sites: each with its gateway, profile, path, supply and effective points."""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from typing import Any

from tallymast.domain.grammar.gateways import check_position
from tallymast.domain.grammar.keys import (
    SITE,
    doubtful,
    read_keys,
    require,
    tables_in,
    written_keys,
)
from tallymast.domain.grammar.locks import build_locks
from tallymast.domain.grammar.mistakes import Mistakes, nearest, plain, shown
from tallymast.domain.grammar.paths import check_paths, fill_paths
from tallymast.domain.grammar.points import finish, link, override, sketch_points
from tallymast.domain.grammar.profiles import MAX_WORDS, ProfileSketch
from tallymast.domain.grammar.supplies import build_supply
from tallymast.domain.model import Gateway, Point, PollClass, Season, Site, SiteClass
from tallymast.domain.positions import distance_bearing

_FURTHEST_KM = 500.0  # ours: beyond, a sign or digit of the position has slipped
_NEEDED = {
    "key": "a short name without spaces",
    "gateway": "the key of the [[gateway]] that reaches it",
    "unit": "its unit address, 1 to 247",
    "profile": "the key of its [[profile]]",
}


def build_sites(
    written: Mapping[str, Any],
    gateways: Mapping[str, Gateway],
    profiles: Mapping[str, ProfileSketch],
    mistakes: Mistakes,
) -> list[Site]:
    """Return the sites in the order of the file; what is wrong with them is told."""
    known = {key: written_keys(written, key) for key in ("gateway", "profile")}
    sites: dict[str, Site] = {}
    own_keys: dict[str, Mapping[str, Any]] = {}
    for n, table in enumerate(tables_in(written, "site", "", mistakes, "site"), 1):
        key = table.get("key")
        place = f"site {key if isinstance(key, str) else f'number {n}'}"
        keys = read_keys(table, SITE, place, mistakes)
        bad = doubtful(table, keys, SITE)
        require(keys.keys() | bad, _NEEDED, place, mistakes)
        check_position(table, place, mistakes)
        _check_season(keys, place, mistakes)
        _check_named(keys, known, place, mistakes)
        points = _points(table, profiles.get(keys.get("profile", "")), place, mistakes)
        site = _site(keys, profiles, points)
        supply = build_supply(table.get("supply"), place, mistakes)
        site = replace(site, supply=supply, locks=build_locks(table, place, mistakes))
        _check(site, gateways.get(site.gateway), bad, place, mistakes)
        if "key" in keys and _is_free(keys, sites, place, mistakes):
            sites[site.key] = site
            own_keys[site.key] = keys
    check_paths(sites, written_keys(written, "site"), gateways, mistakes)
    return fill_paths(sites, own_keys, gateways)


def _points(
    table: Mapping[str, Any], profile: ProfileSketch | None, place: str, mistakes: Mistakes
) -> tuple[Point, ...]:
    own = sketch_points(table, place, "site", mistakes)
    if profile is None:
        return ()  # without its profile nothing can be said about what a site overrides
    max_words = profile.profile.max_words
    merged = override(profile.points, own, place, mistakes)
    done = {
        tag: finish(one, place, max_words, mistakes) if tag in own else one
        for tag, one in merged.items()
    }
    link(done, own, place, mistakes, profile.told)
    if not done:
        mistakes.add(place, "point", "Neither the profile nor the site lists a point to read.")
    return tuple(one.point for one in done.values() if one.point is not None)


def _site(
    keys: Mapping[str, Any], profiles: Mapping[str, ProfileSketch], points: tuple[Point, ...]
) -> Site:
    sketch = profiles.get(keys.get("profile", ""))
    filled: dict[str, Any] = {
        "key": "",
        "name": keys.get("key", ""),
        "gateway": "",
        "unit": 0,
        "profile": "",
        "points": points,
        "max_words": sketch.profile.max_words if sketch else MAX_WORDS,
        "spare": sketch.profile.spare if sketch else (),
        "reply_timeout_s": 0.0,  # this and the next three: fill_paths
        "retries": 0,
        "turnaround_ms": 0.0,
        "miss_limit": 0,
        "site_class": keys.get("class", SiteClass.MONITORING),
        "season": _season(keys.get("season", {})),
    }
    skipped = ("class", "supply", "lock", "point", "season")
    return Site(**{**filled, **{key: one for key, one in keys.items() if key not in skipped}})


def _season(keys: Mapping[str, Any]) -> Season | None:
    return Season(keys["out_from"], keys["back"]) if len(keys) == 2 else None


def _check_season(keys: Mapping[str, Any], place: str, mistakes: Mistakes) -> None:
    season = keys.get("season", {})
    for key, what in (("out_from", "first day without polling"), ("back", "first day with it")):
        if season and key not in season:
            mistakes.add(place, f"season.{key}", f"This key is missing: the {what}, as 11-01.")
    if len(season) == 2 and season["out_from"] == season["back"]:
        mistakes.add(place, "season.back", "A season ends on another day than it begins.")


def _check_named(
    keys: Mapping[str, Any],
    known: Mapping[str, Collection[str]],
    place: str,
    mistakes: Mistakes,
) -> None:
    for key, there in known.items():
        if key in keys and keys[key] not in there:
            close = nearest(keys[key], there)
            hint = f"the nearest is {shown(close)}" if close else f"the file lists no [[{key}]]"
            mistakes.add(place, key, f"There is no {key} {shown(keys[key])}; {hint}.")


def _is_free(
    keys: Mapping[str, Any], sites: Mapping[str, Site], place: str, mistakes: Mistakes
) -> bool:
    if any(other.casefold() == keys["key"].casefold() for other in sites):
        mistakes.add(place, "key", "Another site has this key already; choose a new one.")
        return False
    if keys.get("retired") is not None:
        return True  # it has no address any more
    for other in sites.values():
        taken = (other.gateway, other.unit) if other.retired is None else None
        if "unit" in keys and taken == (keys.get("gateway"), keys["unit"]):
            mistakes.add(
                place,
                "unit",
                f"Unit {other.unit} on gateway {other.gateway} is {other.key} already; two"
                " stations would answer at once.",
            )
    return True


def _check(
    site: Site, gateway: Gateway | None, bad: set[str], place: str, mistakes: Mistakes
) -> None:
    if gateway is None:
        return
    if site.retired is None and not bad & {"poll_every_s", "in_service"}:
        for key, sentence in _periods_too_long(site, gateway.slow_every_s):
            mistakes.add(place, key, sentence)
    _check_distance(site, gateway, place, mistakes)


def _check_distance(site: Site, gateway: Gateway, place: str, mistakes: Mistakes) -> None:
    if site.latitude is None or site.longitude is None:
        return
    if gateway.latitude is None or gateway.longitude is None:
        return
    leg = distance_bearing(gateway.latitude, gateway.longitude, site.latitude, site.longitude)
    if leg.distance_km > _FURTHEST_KM:
        mistakes.add(
            place,
            "longitude",
            f"The site would lie {leg.distance_km:.0f} km from its gateway; look at the signs and"
            " digits of latitude and longitude (west and south are negative).",
        )


def _periods_too_long(site: Site, slow_every_s: float) -> Iterator[tuple[str, str]]:
    for point in site.points:
        every_s = site.poll_every_s
        if point.poll is PollClass.SLOW:
            every_s = max(every_s, slow_every_s)
        if point.modulus and point.max_rate and every_s * point.max_rate >= point.modulus:
            wrap_s = point.modulus / point.max_rate
            yield (
                "poll_every_s",
                f"At its max_rate {point.tag} passes its modulus every {wrap_s:.0f} s, but is read"
                f" every {plain(every_s)} s: a whole turn would go unseen. Read at least 4 times"
                " a turn.",
            )
        safe = point.fail_safe
        if safe and safe.state != "hold" and site.in_service and site.poll_every_s >= safe.after_s:
            yield (
                "poll_every_s",
                f"{point.tag} goes {safe.state} by itself after {plain(safe.after_s)} s without a"
                f" poll, but is polled every {plain(site.poll_every_s)} s; poll at least twice in"
                " that time.",
            )
