"""Turns the text of a network file into what was written, and that into a checked Network.

``parse`` knows only TOML; ``build`` knows the network; ``dump`` is the way back. Nothing here
touches a disk. A file with a mistake is refused whole, with every mistake told.
"""

from collections.abc import Mapping
from datetime import date, datetime, time
from typing import Any

from tallymast.domain.errors import ConfigError
from tallymast.domain.grammar.differences import tell_differences
from tallymast.domain.grammar.gateways import build_gateways
from tallymast.domain.grammar.keys import (
    GATEWAY,
    LOCK,
    NETWORK,
    POINT,
    PROFILE,
    SITE,
    SUPPLY,
    Grammar,
    read_keys,
)
from tallymast.domain.grammar.mistakes import Mistake, Mistakes
from tallymast.domain.grammar.paths import settle_quarantines
from tallymast.domain.grammar.profiles import build_profiles
from tallymast.domain.grammar.sites import build_sites
from tallymast.domain.grammar.text import written_text
from tallymast.domain.grammar.toml_mistakes import toml_tables
from tallymast.domain.model import Network

Written = dict[str, Any]

_TABLES: Mapping[str, Grammar] = {"gateway": GATEWAY, "profile": PROFILE, "site": SITE}
_INNER: Mapping[str, Grammar] = {"point": POINT, "supply": SUPPLY, "lock": LOCK}


def parse(text: str, source: str) -> Written:
    """Return what a network file says, key for key.

    Args:
        text: the file's text, TOML 1.0.
        source: what people call the file.

    Returns:
        Plain nested dicts and lists of JSON types, days as ISO text; only the keys a person
        wrote, known ones in the order of keys.py. Nothing is checked beyond TOML.

    Raises:
        ConfigError: the text is not TOML; each faulty line is told, and what is wrong there.

    """
    found, wrong = toml_tables(text, source)
    if wrong:
        raise ConfigError(wrong)
    return _in_order(found, NETWORK)


def build(written: Written, source: str) -> Network:
    """Return the network with every default filled in.

    Args:
        written: as ``parse`` returns it.
        source: what people call the file; mistakes begin with it.

    Raises:
        ConfigError: at least one mistake; all are told, as ``SOURCE: [table key] sentence``.

    """
    mistakes = Mistakes(source)
    network = _built(written, mistakes)
    mistakes.raise_any()
    return network


def mistakes_in(written: Written) -> tuple[Mistake, ...]:
    """Return what is wrong with a network, as place, key and sentence; empty where it is sound."""
    mistakes = Mistakes("")
    _built(written, mistakes)
    return mistakes.found


def _built(written: Written, mistakes: Mistakes) -> Network:
    keys = read_keys(written, NETWORK, "", mistakes)
    gateways = build_gateways(written, mistakes)
    profiles = build_profiles(written, mistakes)
    sites = build_sites(written, gateways, profiles, mistakes)
    settled = settle_quarantines(gateways, sites, _quarantined(written), mistakes)
    time_zone = keys.get("time_zone", "UTC")
    return Network(
        title=keys.get("title", "Network"),
        time_zone=time_zone,
        contract_hour=keys.get("contract_hour", 0),
        contract_zone=keys.get("contract_zone", time_zone),
        gateways=tuple(settled),
        profiles=tuple(one.profile for one in profiles.values()),
        sites=tuple(site for site in sites if site.retired is None),
        retired=tuple(site for site in sites if site.retired is not None),
    )


def read(text: str, source: str) -> tuple[Written, Network]:
    """Return what a network file says and the network it describes; raises ConfigError."""
    written = parse(text, source)
    return written, build(written, source)


def dump(written: Written) -> str:
    """Return the text of a network file; ``parse`` gives ``written`` back, key for key."""
    return written_text(written)


def differences(old: Written, new: Written) -> tuple[str, ...]:
    """Return one sentence for each thing that differs from ``old`` in ``new``, file order."""
    return tuple(tell_differences(old, new))


def _quarantined(written: Written) -> set[str]:
    tables = written.get("gateway", [])
    found = tables if isinstance(tables, list) else []
    return {str(one.get("key")) for one in found if isinstance(one, dict) and "quarantine_s" in one}


def _in_order(table: Mapping[str, Any], grammar: Grammar) -> Written:
    known = [key for key in grammar if key in table]
    unknown = [key for key in table if key not in grammar]
    return {key: _plain(key, table[key], grammar.get(key)) for key in known + unknown}


def _plain(key: str, value: Any, rule: Any) -> Any:
    inner = rule if isinstance(rule, Mapping) else _TABLES.get(key) or _INNER.get(key) or {}
    if isinstance(value, Mapping):
        return _in_order(value, inner)
    if isinstance(value, list):
        return [_plain(key, one, rule) for one in value]
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    return value
