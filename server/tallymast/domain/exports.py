"""What an export holds: which points of which period, and in which columns.

Nothing is read or written here: storage/exports.py reads batches of rows, files/ writes them.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from enum import StrEnum
from typing import Any, Final, Literal, Protocol

from tallymast.domain.errors import ConfigError
from tallymast.domain.grammar.mistakes import nearest
from tallymast.domain.model import GatewayPlan, Point, PollClass, SitePlan, WordLayout

Resolution = Literal["raw", "hour", "day"]
Format = Literal["csv", "xlsx", "parquet"]
FORMATS: Final[tuple[Format, ...]] = ("csv", "xlsx", "parquet")

KIND: Final = "export"  # what its jobs are called
HOW: Final = {"raw": "every poll", "hour": "by hour", "day": "by contract day"}

DAY_MS: Final = 86_400_000
HOUR_MS: Final = 3_600_000
LONGEST_MS: Final = 10 * 366 * DAY_MS

Cell = str | int | float | None


class Kind(StrEnum):
    """What stands in a column."""

    TEXT = "text"
    INSTANT = "instant"  # UTC milliseconds, as each format writes an instant
    WHOLE = "whole number"
    NUMBER = "number"
    EITHER = "number or text"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its heading and what stands in it; an empty cell is None."""

    name: str
    kind: Kind


@dataclass(frozen=True)
class Batch:
    """Some rows, column by column: as many lists as the export has columns, all of one length."""

    columns: tuple[Sequence[Cell], ...]

    def __len__(self) -> int:
        return len(self.columns[0])

    def rows(self) -> Iterator[tuple[Cell, ...]]:
        """Return the same row by row."""
        return zip(*self.columns, strict=True)


@dataclass(frozen=True, slots=True)
class Choice:
    """One point that is exported; ``every_s`` says how often it is read."""

    site_id: int
    site: str
    site_name: str
    point: Point
    every_s: float

    @property
    def word(self) -> str:
        """What it is asked for by: ``SITE/TAG``."""
        return f"{self.site}/{self.point.tag}"

    @property
    def is_contact(self) -> bool:
        """Whether it is on or off."""
        return self.point.layout is WordLayout.BOOL


@dataclass(frozen=True, slots=True)
class Extract:
    """What is exported: points (by site, then tag) over ``from_ms <= t < to_ms`` (UTC).

    Hours and contract days are those that begin in the period.
    """

    title: str
    time_zone: str
    contract_hour: int
    contract_zone: str
    resolution: Resolution
    from_ms: int
    to_ms: int
    points: tuple[Choice, ...]
    version: str
    made_ms: int

    @property
    def sites(self) -> tuple[str, ...]:
        """The names of its sites."""
        return tuple(dict.fromkeys(one.site_name for one in self.points))


class Described(Protocol):
    """A network as far as an export names it."""

    @property
    def title(self) -> str:
        """Its title."""

    @property
    def time_zone(self) -> str:
        """What its people's clocks show."""

    @property
    def contract_hour(self) -> int:
        """When a contract day begins, 0 to 23."""

    @property
    def contract_zone(self) -> str:
        """By which clock it does."""


# --- what is asked for ----------------------------------------------------------------


def choose(
    gateways: Iterable[GatewayPlan], points: Sequence[str], sites: Sequence[str]
) -> tuple[Choice, ...]:
    """Return the points that are asked for, each once, by site and tag.

    Args:
        gateways: the whole network.
        points: ``SITE/TAG`` each.
        sites: keys of sites of which every point is wanted.

    Raises:
        ConfigError: nothing is asked for, or what is asked for is not there; each mistake is
            told with the nearest that is known.

    """
    known = {one.site.key: _choices(gateway, one) for gateway in gateways for one in gateway.sites}
    found: dict[str, Choice] = {}
    mistakes: list[str] = []
    for word in dict.fromkeys([*sites, *points]):
        some = _asked(known, word)
        if isinstance(some, str):
            mistakes.append(some)
        else:
            found |= {one.word: one for one in some}
    if mistakes:
        raise ConfigError(mistakes)
    if not found:
        raise ConfigError("Nothing is chosen: name points as SITE/TAG, or sites for all of theirs.")
    return tuple(sorted(found.values(), key=lambda one: (one.site, one.point.tag)))


def _choices(gateway: GatewayPlan, plan: SitePlan) -> dict[str, Choice]:
    slow_s, site = gateway.gateway.slow_every_s, plan.site
    return {
        point.tag: Choice(
            plan.site_id,
            site.key,
            site.name,
            point,
            site.poll_every_s if point.poll is PollClass.FAST else slow_s,
        )
        for point in site.points
    }


def _asked(known: Mapping[str, Mapping[str, Choice]], word: str) -> list[Choice] | str:
    """Return the points a word names, or a sentence that says why it names none."""
    key, slash, tag = word.partition("/")
    if key not in known:
        return f'There is no site "{key}"{_nearest(key, known)}.'
    if not slash:
        return list(known[key].values())
    if tag not in known[key]:
        return f'Site {key} has no point "{tag}"{_nearest(tag, known[key])}.'
    return [known[key][tag]]


def _nearest(word: str, known: Iterable[str]) -> str:
    near = nearest(word, known)
    return f'; the nearest is "{near}"' if near else ""


def period(from_ms: int, to_ms: int, now_ms: int) -> tuple[int, int]:
    """Return a period [UTC ms] that can be exported: it ends now at the latest.

    Raises:
        ConfigError: it is none, lies in the future or before 1970, or is too long.

    """
    if from_ms >= to_ms:
        raise ConfigError("The period has to begin before it ends.")
    if from_ms < 0:
        raise ConfigError("The period begins before 1970; nothing was recorded then.")
    if from_ms >= now_ms:
        raise ConfigError("The period lies in the future; nothing is recorded of it yet.")
    if to_ms - from_ms > LONGEST_MS:
        raise ConfigError("The period is longer than ten years; ask for parts of it.")
    return from_ms, min(to_ms, now_ms)


def make(
    network: Described,
    points: tuple[Choice, ...],
    span: tuple[int, int],
    resolution: Resolution,
    version: str,
    made_ms: int,
) -> Extract:
    """Return an export of points over a period that ``period`` has let pass."""
    return Extract(
        network.title,
        network.time_zone,
        network.contract_hour,
        network.contract_zone,
        resolution,
        *span,
        points,
        version,
        made_ms,
    )


def params_of(extract: Extract, kind: Format) -> dict[str, Any]:
    """Return what a job has to know of an export, as JSON can hold it."""
    return {
        "points": [one.word for one in extract.points],
        "from_ms": extract.from_ms,
        "to_ms": extract.to_ms,
        "resolution": extract.resolution,
        "format": kind,
    }


def preset(name: str, now: datetime) -> tuple[datetime, datetime]:
    """Return a period by its name, in whole days of the zone of ``now``.

    Args:
        name: yesterday, last-7-days, last-30-days (whole days up to last midnight),
            this-month (up to now) or last-month.
        now: aware, in the zone whose days are meant.

    Raises:
        KeyError: another name: a bug.

    """
    today, first = now.date(), now.date().replace(day=1)
    spans = {
        "yesterday": (today - timedelta(days=1), today),
        "last-7-days": (today - timedelta(days=7), today),
        "last-30-days": (today - timedelta(days=30), today),
        "this-month": (first, today + timedelta(days=1)),
        "last-month": ((first - timedelta(days=1)).replace(day=1), first),
    }
    begin, end = spans[name]
    return midnight(begin, now.tzinfo), midnight(end, now.tzinfo)


def midnight(day: date, zone: tzinfo | None) -> datetime:
    """Return when a day begins in a zone."""
    return datetime.combine(day, time(), zone)


# --- what it will be ------------------------------------------------------------------


def columns_of(extract: Extract) -> tuple[Column, ...]:
    """Return the columns of an export, in order."""
    raw = extract.resolution == "raw"
    when = "time" if raw else "begins"
    zone = extract.time_zone
    head = (  # no two columns may have one name, also where people live by UTC
        Column(f"{when} ({zone if zone != 'UTC' else 'local, UTC'})", Kind.TEXT),
        Column(f"{when} (UTC)", Kind.INSTANT),
        Column("site", Kind.TEXT),
        Column("point", Kind.TEXT),
        Column("name", Kind.TEXT),
    )
    return head + (_RAW if raw else _SPANS)


_RAW: Final = (
    Column("value", Kind.EITHER),
    Column("unit", Kind.TEXT),
    Column("quality", Kind.TEXT),
    Column("raw", Kind.EITHER),
)
_SPANS: Final = (
    Column("readings", Kind.WHOLE),
    Column("least", Kind.NUMBER),
    Column("mean", Kind.NUMBER),
    Column("most", Kind.NUMBER),
    Column("first", Kind.NUMBER),
    Column("last", Kind.NUMBER),
    Column("changes", Kind.WHOLE),
    Column("on (s)", Kind.NUMBER),
    Column("unit", Kind.TEXT),
    Column("quality", Kind.TEXT),
)

# Bytes a row, measured on the demo's network: by format, raw and spans.
_ROW_BYTES: Final = {"csv": (100, 120), "xlsx": (40, 52), "parquet": (9, 11)}


def rows_about(extract: Extract) -> int:
    """Return about how many rows an export will have: as if no poll was left out."""
    span_ms = extract.to_ms - extract.from_ms
    each = {"hour": HOUR_MS, "day": DAY_MS}
    whole = each.get(extract.resolution)
    return sum(max(round(span_ms / (whole or 1000 * one.every_s)), 1) for one in extract.points)


def bytes_about(rows: int, resolution: Resolution, kind: Format) -> int:
    """Return about how large a file of so many rows will be [bytes]."""
    return rows * _ROW_BYTES[kind][resolution != "raw"]


def about(extract: Extract) -> list[tuple[str, str]]:
    """Return what a file says of itself: names and their words, times in UTC."""
    begin, end, made = (_utc(ms) for ms in (extract.from_ms, extract.to_ms, extract.made_ms))
    rules = {
        "raw": "every poll; a poll without a value is a row with quality none",
        "hour": "clock hours that begin in the period",
        "day": "contract days that begin in the period",
    }
    return [
        ("network", extract.title),
        ("from", begin),
        ("to, not included", end),
        ("time zone", extract.time_zone),
        ("contract day begins", f"{extract.contract_hour:02d}:00 {extract.contract_zone}"),
        ("resolution", f"{extract.resolution}: {rules[extract.resolution]}"),
        ("quality", _QUALITY[extract.resolution == "raw"]),
        ("made", made),
        ("by", f"Tallymast {extract.version}"),
    ]


_QUALITY: Final = (
    "good: made of readings that are values; suspect: the computer's clock passed that time "
    "twice; none: 0 readings, and the other cells are empty",
    "good; suspect: an answer came so late that its age is not certain; none: no value",
)


def about_points(extract: Extract) -> list[dict[str, Any]]:
    """Return what a file says of each point: site, point, name, unit, and its words if any."""
    return [
        {
            "site": one.site,
            "site name": one.site_name,
            "point": one.point.tag,
            "name": one.point.name,
            "unit": one.point.unit,
            "words": "; ".join(f"{n} {word}" for n, word in enumerate(one.point.words or ())),
        }
        for one in extract.points
    ]


def _utc(at_ms: int) -> str:
    at = datetime(1970, 1, 1) + timedelta(milliseconds=at_ms)
    return f"{at:%Y-%m-%dT%H:%M:%S}.{at_ms % 1000:03d}Z"
