"""Says what becomes of the record when sites and the network itself change."""

from collections.abc import Iterator

from tallymast.domain.local_times import MONTHS
from tallymast.domain.model import Network, Season, Site
from tallymast.domain.setup.pairs import Pairs, SitePair, is_polled
from tallymast.domain.setup.point_effects import point_history
from tallymast.domain.setup.telling import Said, gathered


def history_effects(pairs: Pairs) -> tuple[str, ...]:
    """Return what older readings mean after a change, one sentence a thing."""
    said = [one for pair in pairs.sites for one in _of_site(pairs, pair)]
    return (*_of_network(pairs.before, pairs.after), *_renamed(pairs), *gathered(said))


def _of_network(old: Network, new: Network) -> Iterator[str]:
    if not (old.sites or old.retired):
        return
    if (old.contract_hour, old.contract_zone) != (new.contract_hour, new.contract_zone):
        yield (
            f"Contract days begin at {new.contract_hour:02d}:00 {new.contract_zone} instead of"
            f" {old.contract_hour:02d}:00 {old.contract_zone}: all days of the record are computed"
            " anew from its hours, older ones too; where an hour's polls were given up, that hour"
            " counts whole for the day it begins in. Reports that are kept stay as they are."
        )
    if old.time_zone != new.time_zone:
        yield (
            f"Times are shown in {new.time_zone} instead of {old.time_zone}; what is recorded"
            " stays, in UTC."
        )


def _renamed(pairs: Pairs) -> Iterator[str]:
    for one in pairs.renamed:
        if one.table != "profile":
            yield f"The {one.table} {one.old} keeps its history under the new key {one.new}."
        else:
            yield f"The profile {one.old} is called {one.new}; its sites read the same as before."


def _of_site(pairs: Pairs, pair: SitePair) -> Iterator[Said]:
    old, new, name = pair.before, pair.after, pair.name
    if old is None:
        yield Said(name, "", _newly(pair.after))
    elif new is None:
        yield Said(
            name,
            "",
            "gone from the network; history stays in the record under the site's key",
        )
    else:
        yield from _life(name, old, new)
        yield from _moved(pairs, name, old, new)
        yield from point_history(name, old, new)


def _newly(site: Site | None) -> str:
    if site is not None and site.retired:
        return "new, and retired at once: never polled"
    return (
        "new; recorded from this change on, going on where a site of this key was recorded before"
    )


def _life(name: str, old: Site, new: Site) -> Iterator[Said]:
    if old.retired is None and new.retired is not None:
        yield Said(name, "", "retired: polling ends, history stays to be read")
    elif old.retired is not None and new.retired is None:
        yield Said(name, "", "brought back; history goes on where it ended")
    elif is_polled(old) and not is_polled(new):
        yield Said(name, "", "polling ends, and the record has a gap until it begins again")
    elif is_polled(new) and not is_polled(old):
        yield Said(name, "", "polling begins; what was not polled before stays a gap")
    if old.season != new.season:
        yield Said(name, "", _season_words(new.season))


def _season_words(season: Season | None) -> str:
    if season is None:
        return "polled all year; gaps of former seasons stay gaps"
    return (
        f"out of season every year from {_day(season.out_from)} until {_day(season.back)}: not"
        " polled then, and the record has a gap"
    )


def _day(day: tuple[int, int]) -> str:
    return f"{day[1]} {MONTHS[day[0] - 1]}"


def _moved(pairs: Pairs, name: str, old: Site, new: Site) -> Iterator[Said]:
    place = pairs.new_key("gateway", old.gateway), old.unit
    if place != (new.gateway, new.unit):
        yield Said(
            name,
            "",
            f"polled as unit {new.unit} at {_gateway(pairs.after, new)} instead of unit {old.unit}"
            f" at {_gateway(pairs.before, old)}; history stays with the site",
        )


def _gateway(network: Network, site: Site) -> str:
    return next((one.name for one in network.gateways if one.key == site.gateway), site.gateway)
