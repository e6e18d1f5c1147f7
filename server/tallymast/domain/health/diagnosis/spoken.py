"""Numbers, hours and directions as people say them."""

from typing import Final

from tallymast.domain.health.comms.model import Share

NBSP: Final = "\u00a0"
TOWER: Final = (
    "Climbing: fall protection and a second person; keep clear of power lines. Local code and "
    "licensed practice come first.",
    "Switch the transmitter off before touching an antenna: RF exposure, burns.",
)
ELECTRIC: Final = (
    "Batteries and supplies: disconnect first, no loose tools; mains only by licensed people.",
)
_HALF_OF_A_MAIN_WIND: Final = 10.0  # ours: nearer than this a wind of the four or eight is said
_EIGHT: Final = (
    "north",
    "north-east",
    "east",
    "south-east",
    "south",
    "south-west",
    "west",
    "north-west",
)
_BETWEEN: Final = (
    "north-north-east",
    "east-north-east",
    "east-south-east",
    "south-south-east",
    "south-south-west",
    "west-south-west",
    "west-north-west",
    "north-north-west",
)
_COUNTS: Final = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


def direction(bearing_deg: float) -> str:
    """Return a true bearing [°] in words: one of sixteen winds."""
    nearest = round(bearing_deg / 45.0)
    if abs(bearing_deg - 45.0 * nearest) <= _HALF_OF_A_MAIN_WIND:
        return _EIGHT[nearest % 8]
    return _BETWEEN[int(bearing_deg // 45.0) % 8]


def count_of(number: int) -> str:
    """Return a count as a word below ten."""
    return _COUNTS[number] if number < len(_COUNTS) else str(number)


def clock(minute: int) -> str:
    """Return a minute of the local day as a clock shows it."""
    return f"{minute // 60:02d}:{minute % 60:02d}"


def percent(part: float, whole: float) -> str:
    """Return a share without unit; it is never rounded to 100 where one is missing."""
    share = 100.0 * part / whole
    rounded = round(share)
    if rounded == 100 and part < whole:
        return f"{min(share, 99.9):.1f}"
    return str(rounded)


def of_hundred(share: Share) -> str:
    """Return a share as so many of a hundred."""
    return f"{percent(share.part, max(share.whole, 1))} of 100"


def decibel(value: float) -> str:
    """Return a difference of the signal."""
    return f"{value:.0f}{NBSP}dB"


def many(number: int) -> str:
    """Return a number with its thousands apart."""
    return f"{number:,}".replace(",", NBSP)


def some(number: int, noun: str) -> str:
    """Return so many of something: ``1 day``, ``2 days``."""
    return f"{many(number)}{NBSP}{noun}{'' if number == 1 else 's'}"
