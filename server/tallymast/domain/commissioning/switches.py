"""Says how a station's small switches stand for its unit address, and which address they show.

Binary place values: a position weighs 1, 2, 4 … 128. How many positions there are, what the
station adds to their number, which side counts and at which end the least weight lies differ by
make; they are settings of the profile (``Switches``).
"""

from collections.abc import Sequence
from dataclasses import dataclass

from tallymast.domain.errors import ConfigError
from tallymast.domain.model import Switches

LEAST, MOST = 1, 247  # unit addresses; MODBUS over Serial Line V1.02 §2.2


@dataclass(frozen=True, slots=True)
class Position:
    """One switch: its number as printed beside it (1 …), its weight, and how it is to stand."""

    number: int
    weight: int
    is_on: bool


def weights(switches: Switches) -> tuple[int, ...]:
    """Return what each position weighs, in the order of their numbers."""
    rising = tuple(2**n for n in range(switches.positions))
    return rising if switches.first == "low" else rising[::-1]


def settable(switches: Switches) -> range:
    """Return the unit addresses these switches can be set to; perhaps none."""
    least = max(switches.offset, LEAST)
    most = min(2**switches.positions - 1 + switches.offset, MOST)
    return range(least, most + 1)


def why_not(unit: int, switches: Switches) -> str:
    """Return in a sentence why an address cannot be set with these switches; empty if it can."""
    can = settable(switches)
    if unit in can:
        return ""
    made = f"{switches.positions} switch{'es' if switches.positions != 1 else ''}"
    if switches.offset:
        made += f" to whose number the station adds {switches.offset}".replace("-", "\u2212")
    if not can:
        return f"With {made} no unit address can be set at all: look at the profile's settings."
    return (
        f"Unit address {unit} cannot be set with {made}: they reach from {can[0]} to {can[-1]}. "
        "Choose another address, or put the settings of the switches right."
    )


def positions_of(unit: int, switches: Switches) -> tuple[Position, ...]:
    """Return how the switches are to stand for a unit address.

    Args:
        unit: 1..247.
        switches: the make of the station.

    Raises:
        ConfigError: these switches do not reach that address; says how far they do.

    """
    if wrong := why_not(unit, switches):
        raise ConfigError(wrong)
    shown = unit - switches.offset
    return tuple(
        Position(number, weight, bool(shown & weight) == bool(switches.on_is))
        for number, weight in enumerate(weights(switches), 1)
    )


def address_of(stands: Sequence[bool], switches: Switches) -> int:
    """Return the unit address that switches show; outside 1..247 it is none.

    Args:
        stands: whether each stands at its ON side, in the order of their numbers.
        switches: the make of the station.

    Raises:
        ConfigError: not as many as the settings say.

    """
    if len(stands) != switches.positions:
        raise ConfigError(
            f"The settings say {switches.positions} switches, {len(stands)} were given."
        )
    counting = zip(stands, weights(switches), strict=True)
    shown = sum(weight for is_on, weight in counting if is_on == bool(switches.on_is))
    return shown + switches.offset


def switch_words(positions: Sequence[Position]) -> str:
    """Return how the switches stand in words, ``1 ON, 2 OFF, …``."""
    return ", ".join(f"{one.number} {'ON' if one.is_on else 'OFF'}" for one in positions)


def reckoning(unit: int, switches: Switches) -> str:
    """Return how the address comes about, ``16 + 2 + 1 = 19``, for checking by hand."""
    counted = [one.weight for one in positions_of(unit, switches)]
    shown = unit - switches.offset
    parts = [str(weight) for weight in sorted(counted, reverse=True) if shown & weight] or ["0"]
    if switches.offset > 0:
        parts.append(f"{switches.offset} added by the station")
    taken = f" \u2212 {-switches.offset} taken off by the station" if switches.offset < 0 else ""
    return f"{' + '.join(parts)}{taken} = {unit}"
