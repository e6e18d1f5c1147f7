"""Draws a site's last 24 h of polls: a tape of quarter hours, with missed polls as ink.

A line runs where polls were asked; over it stands ink as high as the quarter hour's share of
missed polls. No ink means nothing was missed, no line means nothing was asked.
"""

from collections.abc import Sequence
from dataclasses import dataclass

QUARTER_MS = 900_000
QUARTERS = 96
WIDTH = 2 * QUARTERS
HEIGHT = 18
_LEAST_INK = 2  # Ours: one missed poll among many is still seen.


@dataclass(frozen=True, slots=True)
class Quarter:
    """Polls of one quarter hour."""

    asked: int = 0
    missed: int = 0


@dataclass(frozen=True, slots=True)
class Tape:
    """A drawing: the line and the ink as SVG path commands."""

    line: str
    ink: str


def tape_start_ms(now_ms: int) -> int:
    """Return where the tape that ends with the present quarter hour begins."""
    return (now_ms // QUARTER_MS + 1 - QUARTERS) * QUARTER_MS


def draw_tape(quarters: Sequence[Quarter]) -> Tape:
    """Return the drawing of consecutive quarter hours, two units wide each, newest last."""
    return Tape(_line(quarters), _ink(quarters))


def _line(quarters: Sequence[Quarter]) -> str:
    path, begin = "", None
    for place, quarter in enumerate([*quarters, Quarter()]):
        if quarter.asked and begin is None:
            begin = place
        elif not quarter.asked and begin is not None:
            path += f"M{2 * begin} {HEIGHT}H{2 * place}"
            begin = None
    return path


def _ink(quarters: Sequence[Quarter]) -> str:
    path = ""
    for place, quarter in enumerate(quarters):
        if quarter.missed:
            high = max(round(HEIGHT * quarter.missed / quarter.asked), _LEAST_INK)
            path += f"M{2 * place} {HEIGHT}v-{high}h2v{high}z"
    return path
