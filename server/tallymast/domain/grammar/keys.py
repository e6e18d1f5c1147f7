"""Every key a network file may hold, table by table, with the check of its value.

The order here is the order in which a written file lists its keys. A nested mapping is a table
in braces; what keys mean together is decided in points.py, gateways.py and sites.py.
"""

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from tallymast.domain.grammar import values
from tallymast.domain.grammar.mistakes import Mistakes, UnfitError, nearest, shown
from tallymast.domain.grammar.values import Check, number, one_of, one_word, whole
from tallymast.domain.model import (
    Chemistry,
    Order,
    Parity,
    PointKind,
    PollClass,
    Priority,
    SiteClass,
    SupplyKind,
    Table,
    Transport,
    WordLayout,
)

Grammar = Mapping[str, "Check | Grammar"]

_DAY_S = 86_400.0
_WEEK_S = 604_800.0


def _own(value: Any) -> Any:
    """Stand for a table that has its own grammar and builder."""
    return value


_POSITION: Grammar = {
    "latitude": number(-90, 90),
    "longitude": number(-180, 180),
    "altitude_m": number(-500, 9000),
}

NETWORK: Grammar = {
    "title": values.name(),
    "time_zone": values.zone,
    "contract_hour": whole(0, 23),
    "contract_zone": values.zone,
    "gateway": _own,
    "profile": _own,
    "site": _own,
}

GATEWAY: Grammar = {
    "key": values.identifier(),
    "name": values.name(),
    "transport": one_of(Transport),
    "address": values.name(255),
    "baud": whole(50, 10_000_000),
    "character_bits": whole(10, 12),
    "parity": one_of(Parity),
    "stop_bits": whole(1, 2),
    "turnaround_ms": number(0, 10_000),
    "reply_timeout_s": number(0.01, 300),
    "retries": whole(0, 10),
    "min_gap_ms": number(0, 60_000),
    "quarantine_s": number(0.01, 3600),
    "local_echo": values.flag,
    "connect_timeout_s": number(0.01, 300),
    "miss_limit": whole(1, 100),
    "probe_ceiling_s": number(1, _DAY_S),
    "slow_every_s": number(1, _WEEK_S),
    **_POSITION,
}

PROFILE: Grammar = {
    "key": values.identifier(),
    "name": values.name(),
    "max_words": whole(1, 125),  # MODBUS Application Protocol V1.1b3 §6.3: 125 registers a read
    "spare": values.spare,
    "switches": {
        "positions": whole(1, 16),
        "offset": whole(-247, 247),
        "on_is": whole(0, 1),
        "first": one_word("low", "high"),
    },
    "point": _own,
}

LIMITS: Grammar = {
    "low_low": number(),
    "low": number(),
    "high": number(),
    "high_high": number(),
}

POINT: Grammar = {
    "tag": values.identifier(),
    "name": values.name(),
    "kind": one_of(PointKind),
    "table": one_of(Table),
    "register": whole(0, 65535),
    "reference": _own,
    "layout": one_of(WordLayout),
    "bit": whole(0, 15),
    "length": whole(1, 125),
    "word_order": one_of(Order),
    "byte_order": one_of(Order),
    "raw": values.pair,
    "value": values.pair,
    "unit": values.text(20),
    "loop": one_word("4-20mA"),
    "poll": one_of(PollClass),
    "limits": LIMITS,
    "deadband": number(0),
    "deviation": {"from": values.name(40), "high": number(0, above=0)},
    "rate_limit": {
        "rise": number(0, above=0),
        "fall": number(0, above=0),
        "over_s": number(10, _DAY_S),
    },
    "on_delay_s": number(0, _DAY_S),
    "off_delay_s": number(0, _DAY_S),
    "priority": one_of(Priority),
    "modulus": whole(2, 2**64),
    "max_rate": number(above=0),
    "bidirectional": values.flag,
    "k_factor": number(above=0),
    "volume_unit": values.name(20),
    "volume_per_pulse": number(above=0),
    "words": values.two_words,
    "alarm_when": values.name(40),
    "write": {
        "table": one_of(Table),
        "register": whole(0, 65535),
        "reference": _own,
        "function": whole(1, 255),
    },
    "fail_safe": {"state": one_word("off", "on", "hold"), "after_s": number(0, _DAY_S, above=0)},
    "feedback": {"tag": values.name(40), "within_s": number(0, _DAY_S, above=0)},
    "interlock": {
        "tag": values.name(40),
        "is": one_word("==", "!=", "<", "<=", ">", ">="),
        "value": number(),
    },
    "auto": values.name(40),
    "min_off_s": number(0, _DAY_S),
    "starts_per_hour": number(0, 3600, above=0),
    "seconds_per_count": number(0, 3600, above=0),
    "max_s": number(0, _DAY_S, above=0),
    "set_range": values.rising,
    "set_rate": number(above=0),
}

SUPPLY: Grammar = {
    "kind": one_of(SupplyKind),
    "chemistry": one_of(Chemistry),
    "nominal_v": number(1, 60),
    "capacity_ah": number(0, 10_000, above=0),
    "installed": values.day,
    "disconnect_v": number(0, 80, above=0),
    "reconnect_v": number(0, 80, above=0),
    "radio_minimum_v": number(0, 80, above=0),
    "panel_w": number(0, 100_000, above=0),
    "panel_tilt": number(0, 90),
    "panel_azimuth": number(0, 360),
    "meter_offset_v": number(-5, 5),
}

LOCK: Grammar = {
    "where": values.name(120),
    "code": values.secret(40),
}

SITE: Grammar = {
    "key": values.identifier(),
    "name": values.name(),
    "area": values.text(80),
    "gateway": values.name(40),
    "unit": whole(1, 247),  # MODBUS over Serial Line V1.02 §2.2
    "profile": values.name(40),
    "poll_every_s": number(0.1, _DAY_S),
    "via": values.name(40),
    "in_service": values.flag,
    "retired": values.day,
    "season": {"out_from": values.day_of_year, "back": values.day_of_year},
    "reply_timeout_s": GATEWAY["reply_timeout_s"],
    "retries": GATEWAY["retries"],
    "turnaround_ms": GATEWAY["turnaround_ms"],
    "miss_limit": GATEWAY["miss_limit"],
    "class": one_of(SiteClass),
    **_POSITION,
    "access": values.text(2000),
    "road": values.text(2000),
    "coverage": values.text(500),
    "drawing": values.text(500),
    "cautions": values.lines,
    "supply": _own,
    "lock": _own,
    "point": _own,
}

_TABLES: Mapping[str, Grammar] = {
    "the top of the file": NETWORK,
    "[[gateway]]": GATEWAY,
    "[[profile]]": PROFILE,
    "[[profile.point]] and [[site.point]]": POINT,
    "[site.supply]": SUPPLY,
    "[[site.lock]]": LOCK,
    "[[site]]": SITE,
}


def read_keys(
    written: Mapping[str, Any], grammar: Grammar, place: str, mistakes: Mistakes, inside: str = ""
) -> dict[str, Any]:
    """Return the checked values of one table; what does not fit is told and left out.

    Args:
        written: the table as a person wrote it.
        grammar: its keys.
        place: how mistakes name the table.
        mistakes: where they are told.
        inside: path of the table in braces this is, with its dot, else empty.

    """
    found: dict[str, Any] = {}
    for key, value in written.items():
        rule = grammar.get(key)
        if rule is None:
            mistakes.add(place, inside + key, _unknown(key, grammar))
        elif isinstance(rule, Mapping):
            _read_braces(key, value, rule, place, mistakes, found)
        else:
            try:
                found[key] = rule(value)
            except UnfitError as unfit:
                mistakes.add(place, inside + key, str(unfit))
    return found


def doubtful(written: Mapping[str, Any], found: Mapping[str, Any], grammar: Grammar) -> set[str]:
    """Return the keys whose values nothing may be concluded from.

    These are the keys whose value did not fit, and for each unknown key the one that was meant:
    its default would only lead to mistakes nobody made.
    """
    unfit = {key for key in written if key in grammar and key not in found}
    meant = {nearest(key, grammar) for key in written if key not in grammar}
    return unfit | {key for key in meant if key is not None}


def tables_in(
    written: Mapping[str, Any], key: str, place: str, mistakes: Mistakes, heading: str
) -> Iterator[Mapping[str, Any]]:
    """Yield the tables of a list such as ``[[site]]``; anything else in its place is told."""
    value = written.get(key, [])
    if isinstance(value, Mapping):
        mistakes.add(place, key, f"[{heading}] describes one of many; write [[{heading}]].")
        return
    if not isinstance(value, list) or not all(isinstance(one, Mapping) for one in value):
        mistakes.add(place, key, f"Tables headed [[{heading}]] fit here, not {shown(value)}.")
        return
    yield from value


def written_keys(written: Mapping[str, Any], table: str) -> list[str]:
    """Return every key a person wrote for the tables of a list, also those that cannot be used."""
    tables = written.get(table)
    found = tables if isinstance(tables, list) else []
    keys = (one.get("key") for one in found if isinstance(one, Mapping))
    return [key for key in keys if isinstance(key, str)]


def require(
    met: Collection[str], needed: Mapping[str, str], place: str, mistakes: Mistakes
) -> None:
    """Tell each needed key that was not met.

    Args:
        met: the keys that were written, and those that were meant by misspelt ones.
        needed: what each needed key is for.
        place: how mistakes name the table.
        mistakes: where they are told.

    """
    for key, sentence in needed.items():
        if key not in met:
            mistakes.add(place, key, f"This key is missing: {sentence}.")


def _read_braces(
    key: str, value: Any, rule: Grammar, place: str, mistakes: Mistakes, found: dict[str, Any]
) -> None:
    if not isinstance(value, Mapping):
        example = ", ".join(f"{name} = …" for name in list(rule)[:2])
        mistakes.add(place, key, f"{shown(value)} is not a table; write {{ {example} }}.")
        return
    before = len(mistakes)
    inner = read_keys(value, rule, place, mistakes, f"{key}.")
    if len(mistakes) == before:
        found[key] = inner


def _unknown(key: str, grammar: Grammar) -> str:
    homes = [home for home, keys in _TABLES.items() if key in keys]
    close = nearest(key, grammar)
    if homes:
        return (
            f"{shown(key)} belongs to {homes[0]}, not here; in TOML a key counts to the heading"
            f" above it. The nearest key here is {shown(close)}."
        )
    return f"There is no such key; the nearest is {shown(close)}."
