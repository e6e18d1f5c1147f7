"""A network's sites and points as two tables: their columns are the network file's keys.

A key inside braces has its table in front: ``supply.kind``, ``limits.high``. Where a point is
read stands there in both notations. What opens a lock is in neither table, locks are not there
at all, and so are gateways and profiles without their points: they have forms and the file.
"""

from collections.abc import Iterator, Mapping
from typing import Any, Final, Literal

from tallymast.domain.grammar.keys import POINT, SITE, SUPPLY
from tallymast.domain.grammar.mistakes import UnfitError
from tallymast.domain.grammar.reference import notation, place_of
from tallymast.domain.model import Table
from tallymast.domain.setup.cells import Kind, cell_of

TableKind = Literal["sites", "points"]
Cell = str | float | int | None

OWNER: Final = "owner"
IDENTITY: Final[Mapping[TableKind, tuple[str, ...]]] = {
    "sites": ("key",),
    "points": (OWNER, "tag"),
}


def _columns(grammar: Mapping[str, Any], left_out: frozenset[str]) -> Iterator[str]:
    for key, rule in grammar.items():
        if key in left_out:
            continue
        inner = SUPPLY if key == "supply" else rule
        if isinstance(inner, Mapping):
            yield from (f"{key}.{one}" for one in inner)
        else:
            yield key


COLUMNS: Final[Mapping[TableKind, tuple[str, ...]]] = {
    "sites": tuple(_columns(SITE, frozenset(("lock", "point")))),
    "points": (OWNER, *_columns(POINT, frozenset())),
}
_WHOLE = "unit retries miss_limit"
_NUMBERS = (
    "poll_every_s reply_timeout_s turnaround_ms latitude longitude altitude_m supply.nominal_v"
    " supply.capacity_ah supply.disconnect_v supply.reconnect_v supply.radio_minimum_v"
    " supply.panel_w supply.panel_tilt supply.panel_azimuth supply.meter_offset_v"
)
_WHOLE_OF_POINT = "register bit length modulus write.register write.function"
_NUMBERS_OF_POINT = (
    "limits.low_low limits.low limits.high limits.high_high deadband on_delay_s off_delay_s"
    " deviation.high rate_limit.rise rate_limit.fall rate_limit.over_s"
    " max_rate k_factor volume_per_pulse fail_safe.after_s feedback.within_s interlock.value"
    " min_off_s starts_per_hour seconds_per_count max_s set_rate"
)


def _kinds(**columns: str) -> Mapping[str, Kind]:
    return {column: Kind[kind] for kind, names in columns.items() for column in names.split()}


_KINDS: Final[Mapping[TableKind, Mapping[str, Kind]]] = {
    "sites": _kinds(
        WHOLE=_WHOLE,
        NUMBER=_NUMBERS,
        FLAG="in_service",
        DAY_OF_YEAR="season.out_from season.back",
        LINES="cautions",
    ),
    "points": _kinds(
        WHOLE=_WHOLE_OF_POINT,
        NUMBER=_NUMBERS_OF_POINT,
        FLAG="bidirectional",
        PAIR="raw value set_range",
        WORDS="words",
        REFERENCE="reference write.reference",
    ),
}


def kind_of(table: TableKind, column: str) -> Kind:
    """Return what a column's cells hold."""
    return _KINDS[table].get(column, Kind.TEXT)


def at(body: Mapping[str, Any], column: str) -> Any:
    """Return what a body says under a column's name, None where it says nothing."""
    key, _, inner = column.partition(".")
    if column in PLACES:
        return _place(body, column)
    found = body.get(key)
    return (found.get(inner) if isinstance(found, Mapping) else None) if inner else found


PLACES: Final = frozenset(
    f"{inside}{key}" for inside in ("", "write.") for key in ("table", "register", "reference")
)


def _place(body: Mapping[str, Any], column: str) -> Any:
    """Return one of a place's three columns: table and register follow from a reference."""
    inside, _, key = column.rpartition(".")
    home = body.get(inside, {}) if inside else body
    if not isinstance(home, Mapping):
        return None
    if home.get(key) is not None:
        return home[key]
    found = place(home)
    if found is None:
        return None
    words = {"table": str(found[0]), "register": found[1], "reference": notation(*found)}
    return words[key]


def place(home: Mapping[str, Any]) -> tuple[Table, int] | None:
    """Return the table and register a body names, by either notation; None where it names none."""
    try:
        if "reference" in home:
            return place_of(home["reference"])
        return Table(home["table"]), int(home["register"])
    except (KeyError, ValueError, TypeError, UnfitError):
        return None


def site_rows(written: Mapping[str, Any]) -> list[tuple[Cell, ...]]:
    """Return the rows of the table of sites, in the order of ``COLUMNS``."""
    return [_row("sites", body) for body in written.get("site", [])]


def point_rows(written: Mapping[str, Any]) -> list[tuple[Cell, ...]]:
    """Return the rows of the table of points: profiles' points, then those of sites."""
    return [
        (owner, *_row("points", point)[1:])
        for owner, body in owners(written).items()
        for point in body.get("point", [])
    ]


def owners(written: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Return the bodies that may own points, by what the table calls them: ``profile tank``."""
    return {
        f"{table} {body['key']}": body
        for table in ("profile", "site")
        for body in written.get(table, [])
    }


def _row(table: TableKind, body: Mapping[str, Any]) -> tuple[Cell, ...]:
    return tuple(cell_of(at(body, one), kind_of(table, one)) for one in COLUMNS[table])


def without_codes(written: Mapping[str, Any]) -> dict[str, Any]:
    """Return a network without what opens its locks."""
    found = dict(written)
    if "site" in found:
        found["site"] = [_closed(body) for body in found["site"]]
    return found


def _closed(body: Mapping[str, Any]) -> dict[str, Any]:
    if "lock" not in body:
        return dict(body)
    locks = [{key: one for key, one in lock.items() if key != "code"} for lock in body["lock"]]
    return {**body, "lock": locks}


def with_kept_codes(
    written: Mapping[str, Any], today: Mapping[str, Any]
) -> tuple[dict[str, Any], int]:
    """Return a network whose locks without a code keep the one of the same lock today.

    The same lock is one of the same site with the same ``where``.

    Returns:
        The network, and how many locks kept their code.

    """
    known = {body["key"]: body.get("lock", []) for body in today.get("site", [])}
    kept = 0
    sites = []
    for body in written.get("site", []):
        locks = body.get("lock") if isinstance(body, Mapping) else None
        if not isinstance(locks, list):
            sites.append(body)
            continue
        filled, n = _filled(locks, known.get(body.get("key"), []))
        kept += n
        sites.append({**body, "lock": filled} if n else body)
    return ({**written, "site": sites} if kept else dict(written)), kept


def _filled(locks: list[Any], known: list[Mapping[str, Any]]) -> tuple[list[Any], int]:
    codes: dict[str, list[str]] = {}
    for lock in known:
        if "code" in lock:
            codes.setdefault(lock["where"], []).append(lock["code"])
    filled, n = [], 0
    for lock in locks:
        lacks = isinstance(lock, Mapping) and "code" not in lock
        found = codes.get(lock.get("where"), []) if lacks else []
        n += bool(found)
        filled.append({**lock, "code": found.pop(0)} if found else lock)
    return filled, n
