"""The nouns of diagnosis: a probable cause, how sure it is, what speaks for it, what decides.

Texts for people are written here with places for times, because how a time is written depends
on whose clock is read: ``Said("silent since {}", At(ms))``.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

SPOKEN: Final = 1.5
"""Ours: least score of a cause that is named, about 4 to 1 against the usual."""
LIKELY: Final = 3.0  # 20 to 1
SURE: Final = 6.0  # 400 to 1
APART: Final = 1.0
"""Ours: causes whose scores differ by less than this are not parted: "A or B"."""


@dataclass(frozen=True, slots=True)
class At:
    """An instant [ms], to be written as weekday, day and clock."""

    ms: int


@dataclass(frozen=True, slots=True)
class TimeOf:
    """An instant [ms], to be written as clock alone, where the day stands beside it."""

    ms: int


@dataclass(frozen=True, slots=True)
class Since:
    """How long something has lasted since an instant [ms], to be written like ``9 days``."""

    ms: int


Value = str | At | TimeOf | Since


@dataclass(frozen=True, slots=True, init=False)
class Said:
    """Words for people with a value for each ``{}``; numbers come as text with their unit."""

    text: str
    values: tuple[Value, ...]

    def __init__(self, text: str, *values: Value) -> None:
        object.__setattr__(self, "text", text)
        object.__setattr__(self, "values", values)


class About(StrEnum):
    """What a cause is about; of each, one cause is named first."""

    CONTACT = "contact"
    SUPPLY = "supply"
    POINT = "point"
    COUNT = "count"  # totals and restarts
    MAP = "map"  # registers and addresses


class Confidence(StrEnum):
    """How sure a cause is, in the words people read."""

    SURE = "all but certain"
    LIKELY = "likely"
    POSSIBLE = "possible"


class Shown(StrEnum):
    """What a finding's chart shows."""

    VOLTS = "volts"  # the supply against its disconnect, by hour
    CONTACT = "contact"  # first-try share and answered share by hour
    SIGNAL = "signal"  # the signal by hour, first-try share beneath
    DAY = "day"  # lost polls by hour of the local day, inside the span and before it
    GARBLED = "garbled"  # garbled and refused polls by hour
    POINT = "point"  # one point's readings, gaps visible
    COUNTS = "counts"  # totals and restart counter


@dataclass(frozen=True, slots=True)
class ChartOf:
    """The chart that shows a cause.

    Attributes:
        shown: what of.
        from_ms: begin of the span.
        to_ms: its end, None: now.
        tags: of points shown, where ``shown`` does not say them.
        marks: instants to mark [ms] and what happened there.
        levels: values to draw a line at, and what they are.

    """

    shown: Shown
    from_ms: int
    to_ms: int | None = None
    tags: tuple[str, ...] = ()
    marks: tuple[tuple[int, str], ...] = ()
    levels: tuple[tuple[float, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """A probable cause.

    Attributes:
        cause: its key, lower case with hyphens; the same as long as it is the same cause.
        title: what it is, as a noun for people: "Antenna, connector or surge arrester".
        about: what it is about.
        gateway_id: behind which gateway.
        site_ids: the sites it accuses, the one to start at first; none: the gateway itself.
        since_ms: since when.
        score: natural logarithm of the odds for it against nothing being wrong; ranks causes.
        says: what is so, one sentence with its numbers, without the site's name.
        advice: one short sentence that names the cause and what decides it, for a line of the
            round.
        decides: the check that decides, and what each outcome means.
        chart: where to see it.
        rests_on: further numbers, a short sentence each.
        desk: what to check from the desk first, in order.
        bring: what to take along.
        cautions: where work on it can hurt someone.
        touched: sites that only suffer from it: behind a repeater or a gateway.
        rivals: titles of causes that the evidence cannot part from it.
        explains: of which other matters nothing is to be named at its sites.
        tag: of the point, where it is about one.

    """

    cause: str
    title: str
    about: About
    gateway_id: int
    site_ids: tuple[int, ...]
    since_ms: int
    score: float
    says: Said
    advice: Said
    decides: Said
    chart: ChartOf
    rests_on: tuple[Said, ...] = ()
    desk: tuple[str, ...] = ()
    bring: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    touched: tuple[int, ...] = ()
    rivals: tuple[str, ...] = ()
    explains: frozenset[About] = field(default=frozenset())
    tag: str = ""

    @property
    def key(self) -> str:
        """Names the finding the same way as long as it lasts: ``antenna-12`` (a site's id)."""
        whose = f"{self.site_ids[0]}" if self.site_ids else f"gateway-{self.gateway_id}"
        return "-".join(part for part in (self.cause, whose, self.tag.lower()) if part)

    @property
    def confidence(self) -> Confidence:
        """How sure it is; two causes that cannot be parted are at most likely."""
        if self.score >= SURE and not self.rivals:
            return Confidence.SURE
        return Confidence.LIKELY if self.score >= LIKELY else Confidence.POSSIBLE
