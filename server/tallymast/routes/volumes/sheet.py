"""Counted spans as a table: one line a span and point; what is not known is an empty cell."""

from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Final

from tallymast.domain.exports import Kind
from tallymast.domain.local_times import local_time
from tallymast.domain.totals.hand_index import OPERATIONAL
from tallymast.domain.totals.wording import event_words
from tallymast.domain.zones import find_zone
from tallymast.files.sheets import Cell, Instant, Sheet
from tallymast.routes.services import NetworkView
from tallymast.routes.volumes.event_lines import clock_of
from tallymast.routes.volumes.listing import Listed

_COLUMNS: Final[tuple[tuple[str, Kind], ...]] = (
    ("site", Kind.TEXT),
    ("site name", Kind.TEXT),
    ("area", Kind.TEXT),
    ("point", Kind.TEXT),
    ("name", Kind.TEXT),
    ("begins (local)", Kind.TEXT),
    ("begins (UTC)", Kind.INSTANT),
    ("ends (UTC)", Kind.INSTANT),
    ("opening count", Kind.NUMBER),
    ("closing count", Kind.NUMBER),
    ("pulses", Kind.NUMBER),
    ("volume", Kind.NUMBER),
    ("unit", Kind.TEXT),
    ("known share", Kind.NUMBER),
    ("unknown at most", Kind.NUMBER),
    ("unproven at most", Kind.NUMBER),
    ("bound", Kind.TEXT),
    ("estimated", Kind.NUMBER),
    ("adjusted", Kind.NUMBER),
    ("events", Kind.TEXT),
)
KINDS: Final = tuple(kind for _, kind in _COLUMNS)
HEADS: Final = tuple(name for name, _ in _COLUMNS)


def sheet_of(items: Sequence[Listed], network: NetworkView) -> Sheet:
    """Return spans as a table."""
    return Sheet("Volumes", HEADS, [_row(one, network) for one in items])


def about(network: NetworkView, words: str, made: str) -> dict[str, str]:
    """Return what a file tells of itself, by name."""
    zone = network.contract_zone or network.time_zone
    return {
        "network": network.title,
        "period": words,
        "contract day begins": f"{network.contract_hour:02d}:00 {zone}",
        "time zone": network.time_zone,
        "volume": f"known to have passed, with adjustments; {OPERATIONAL}",
        "unknown at most": "what passed besides, at most; empty with bound 'none': nobody can say",
        "unproven at most": "likewise, if the station had no power where nothing proves it had",
        "a span that goes on": "ends with its last reading, or when the file was made",
        "estimated": "of the volume: may belong to the span before or after",
        "made": made,
    }


def about_sheet(told: dict[str, str]) -> Sheet:
    """Return the same as a sheet of its own."""
    return Sheet("About", (), list(told.items()))


def _row(one: Listed, network: NetworkView) -> tuple[Cell, ...]:
    site, point = one.stood.plan.site, one.stood.counted.point
    begin, end = one.told.span
    clock = clock_of(network)
    told = (event_words(step, clock, both_ways=one.stood.both_ways) for step in one.events)
    return (
        site.key,
        site.name,
        site.area,
        point.tag,
        point.name,
        _local(begin, network),
        Instant(begin),
        Instant(end),
        one.open,
        one.close,
        one.pulses,
        _number(one.volume),
        one.unit,
        round(one.known_share, 6),
        _number(one.unknown),
        _number(one.unproven),
        "none" if one.unknown is None else "",
        float(one.estimated),
        float(one.told.booked.adjusted),
        _joined(told),
    )


def _local(at_ms: int, network: NetworkView) -> str:
    return local_time(at_ms, find_zone(network.time_zone)).isoformat(timespec="minutes")


def _number(value: Fraction | None) -> float | None:
    return None if value is None else float(value)


def _joined(words: Iterable[str]) -> str:
    return "; ".join(words)
