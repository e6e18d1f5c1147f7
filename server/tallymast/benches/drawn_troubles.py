"""Troubles drawn at random, each with its label; and what looks like trouble and is none."""

from dataclasses import replace

from numpy.random import default_rng

from tallymast.benches.drawn_networks import Drawn
from tallymast.benches.quiet_things import quiet_things
from tallymast.benches.trouble_kinds import DRAW, Hand
from tallymast.benches.trouble_labels import Trouble, Troubles
from tallymast.simulator.faults import Faults
from tallymast.simulator.supply import SitePower
from tallymast.simulator.weather import Weather

TROUBLED = 0.45  # of all sites
_A_NETWORK = 7  # troubles a network has, about


def draw_troubles(drawn: Drawn, seed: int, number: int) -> Troubles:
    """Return labelled troubles of about ``TROUBLED`` of a network's sites, and quiet things."""
    chance = default_rng((seed, number, 7))
    hand = Hand(drawn, chance)
    wanted = round(TROUBLED * len(drawn.network.sites))
    found: list[Trouble] = []
    for label in _order(seed, number) * 3:
        if sum(max(len(one.sites), 1) for one in found) >= wanted:
            break
        if (one := DRAW[label](hand)) is not None:
            found.append(one)
            hand.taken |= {*one.sites, *one.touched}
    quiet, silent = quiet_things(hand)
    found.sort(key=lambda one: one.from_ms)
    made = Troubles(tuple(found), (*drawn.quiet, *quiet), silent)
    return replace(made, silent={**silent, **_without_power(drawn, made)})


def _without_power(drawn: Drawn, made: Troubles) -> dict[str, tuple[tuple[int, int], ...]]:
    """Return when the sites with a trouble had no power."""
    faults = Faults(made.faults, drawn.zone)
    troubled = {key for one in made.troubles for key in one.sites}
    found = {}
    for site in drawn.true.sites:
        if site.key in troubled:
            weather = Weather(drawn.seed, site.latitude or 0.0, site.longitude or 0.0)
            power = SitePower(site, weather, drawn.seed, faults)
            end_s = drawn.end_ms / 1000.0
            spans = [one for one in power.dark_spans(end_s) if one[1] * 1000.0 > drawn.begin_ms]
            found[site.key] = tuple(
                (round(1000 * begin), round(1000 * min(end, end_s))) for begin, end in spans
            )
    return found


def _order(seed: int, number: int) -> list[str]:
    """Return all labels; each network of a seed begins about where the one before it ended."""
    labels = [str(one) for one in default_rng((seed, 7)).permutation(list(DRAW))]
    begin = _A_NETWORK * number % len(labels)
    return labels[begin:] + labels[:begin]
