"""A station's voltmeter beside a hand meter: what the offset becomes, and when to measure again.

The offset of a supply's meter (``Supply.meter_offset_v``) is by how much the station shows
TOO MUCH: shown = true + offset, so offset = shown - hand. The battery's forecast takes it off
again, the simulator adds it; values on the pages stay as the station shows them.
"""

from dataclasses import dataclass
from typing import Final

MOST_SHARE: Final = 0.05  # ours: station meters err by 1 %; five times that is another thing
FRESH_MS: Final = 300_000  # ours: a battery under load moves little in five minutes
LEAST_V, MOST_V = 1.0, 100.0
LARGEST_OFFSET_V: Final = 5.0  # as the network file allows


@dataclass(frozen=True, slots=True)
class Comparison:
    """A hand reading beside what the station showed then [V].

    Attributes:
        hand: what the hand meter read at the battery's terminals.
        shown: what the station showed.
        offset_before: the offset that was in force.

    """

    hand: float
    shown: float
    offset_before: float = 0.0

    @property
    def offset(self) -> float:
        """By how much the station shows too much, rounded to a millivolt."""
        return round(self.shown - self.hand, 3)

    @property
    def as_found(self) -> float:
        """What was wrong with the station's value less the offset in force."""
        return round(self.shown - self.offset_before - self.hand, 3)

    def as_left(self, offset_after: float) -> float:
        """Return what is still wrong with the station's value less the new offset."""
        return round(self.shown - offset_after - self.hand, 3)

    @property
    def share(self) -> float:
        """The difference as a share of the hand reading, 0..1."""
        return abs(self.shown - self.hand) / self.hand


def refusal(one: Comparison) -> str:
    """Return in a sentence why an offset cannot be set at all; empty where it can."""
    if not LEAST_V <= one.hand <= MOST_V:
        return f"Hand meter: {one.hand:g} V lies outside {LEAST_V:g} to {MOST_V:g} V."
    if abs(one.offset) > LARGEST_OFFSET_V:
        return (
            f"The two differ by {abs(one.offset):.2f} V; an offset is at most "
            f"{LARGEST_OFFSET_V:g} V. Something else is wrong: look at the wiring and the range."
        )
    return ""


def doubt(one: Comparison) -> str:
    """Return in a sentence why to measure again; empty where the difference is plausible."""
    if one.share <= MOST_SHARE:
        return ""
    return (
        f"The two differ by {100 * one.share:.0f}\u00a0%: measure again at the battery's own "
        "terminals, with the load as it was; load and clamp drops look like a meter's error."
    )


def offset_words(offset: float) -> str:
    """Return an offset in words: ``shows 0.12 V too much``."""
    if abs(offset) < 0.0005:
        return "agrees with the hand meter"
    side = "too much" if offset > 0 else "too little"
    return f"shows {abs(offset):.2f}\u00a0V {side}"
