"""Draws the switches of a station as they are to stand for its unit address."""

from dataclasses import dataclass
from typing import Final

from tallymast.domain.commissioning.switches import (
    positions_of,
    reckoning,
    settable,
    switch_words,
    why_not,
)
from tallymast.domain.model import Profile
from tallymast.routes.formats import plural

PITCH: Final = 34  # units of the drawing from one switch to the next
LEFT: Final = 56  # room for the words beside the rows


@dataclass(frozen=True, slots=True)
class Slot:
    """One switch of the drawing: its left edge, its number and weight, and how it stands."""

    x: int
    number: int
    weight: int
    is_on: bool

    @property
    def word(self) -> str:
        """ON or OFF."""
        return "ON" if self.is_on else "OFF"


@dataclass(frozen=True, slots=True)
class SwitchRow:
    """The switches of one station.

    Attributes:
        trouble: why the address cannot be set, a sentence; then there are no slots.
        words: how they stand, ``1 ON, 2 OFF``.
        reckoned: how the address comes about.
        made: what the settings say, in words.
        profile: whose settings these are.

    """

    unit: int
    profile: str
    made: str
    trouble: str = ""
    slots: tuple[Slot, ...] = ()
    words: str = ""
    reckoned: str = ""

    @property
    def width(self) -> int:
        """Width of the drawing."""
        return LEFT + PITCH * len(self.slots) + 4


def switch_row(unit: int, profile: Profile) -> SwitchRow:
    """Return the drawing of a unit address on stations of this make-up."""
    made = _made(profile)
    if trouble := why_not(unit, profile.switches):
        return SwitchRow(unit, profile.key, made, trouble)
    positions = positions_of(unit, profile.switches)
    slots = tuple(
        Slot(LEFT + PITCH * place, one.number, one.weight, one.is_on)
        for place, one in enumerate(positions)
    )
    words = switch_words(positions)
    return SwitchRow(unit, profile.key, made, "", slots, words, reckoning(unit, profile.switches))


def _made(profile: Profile) -> str:
    how, can = profile.switches, settable(profile.switches)
    said = plural(how.positions, "switch", "switches")
    said += f", position 1 weighs {'least' if how.first == 'low' else 'most'}"
    said += f", {'ON' if how.on_is else 'OFF'} counts"
    if how.offset:
        said += f", the station adds {how.offset}".replace("-", "\u2212")
    return f"{said}; addresses {can[0]} to {can[-1]}" if can else said
