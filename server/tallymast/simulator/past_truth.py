"""Says what the stations of a filled past answered, in the lines of the live simulation.

An answered poll gives a line a block, at the poll's instant. A try that came to nothing gives a
line only if the station answered on its side: for the block asked first, at the try's own
instant, with the fate the model gave it. Whole days are worded at once.
"""

import numpy as np

from tallymast.domain.model import Block, Outcome, PollClass, Table
from tallymast.domain.record.chunks import PollColumns
from tallymast.simulator.chance import Ints
from tallymast.simulator.history import GARBLED, LATE, LOST, Past
from tallymast.simulator.stations import READS
from tallymast.simulator.truth import Fate

_FUNCTION: dict[Table, int] = {table: number for number, (table, _) in READS.items()}
_FAILED = {LOST: Fate.LOST, LATE: Fate.LATE, GARBLED: Fate.GARBLED}


def past_truth(past: Past, columns: PollColumns) -> str:
    """Return the lines of the polls that ``past`` made, ascending in time."""
    lines: list[str] = []
    place = 0
    for n, block in enumerate(past.layout.blocks):
        rows = np.flatnonzero(columns.has(n))
        words = columns.words[rows, place : place + block.words]
        lines += _lines(past, block, columns.at_ms[rows], words, Fate.SENT)
        place += block.words
    return "".join(sorted(lines + _failed(past, columns)))  # they begin with their instant


def _failed(past: Past, columns: PollColumns) -> list[str]:
    """Return the lines of tries that came to nothing."""
    blocks = past.layout.blocks
    first = next((one for one in blocks if one.poll is PollClass.FAST), blocks[0])
    failed = columns.tries - (columns.outcome <= Outcome.RETRIED)
    begun = past.begun_ms(columns)
    lines: list[str] = []
    for n in range(int(failed.max(initial=0))):
        at_ms = past.try_at_ms(begun[failed > n], n)
        at_s = at_ms / 1000.0
        fates = np.where(past.refusals(at_ms)[0], -1, past.fates(at_s))
        for number, fate in _FAILED.items():
            rows = np.flatnonzero(fates == number)
            if len(rows):
                words = past.image(first, np.floor(at_s[rows]))
                lines += _lines(past, first, at_ms[rows], words, fate)
    return lines


def _lines(past: Past, block: Block, at_ms: Ints, words: np.ndarray, fate: Fate) -> list[str]:
    """Return answers of one block as lines; the same text as ``TruthLine.as_json``."""
    site = past.site
    before = (
        f'Z","gateway":"{site.gateway}","unit":{site.unit},"function":{_FUNCTION[block.table]},'
        f'"table":"{block.table.value}","start":{block.start},"count":{block.count},"words":['
    )
    after = f'],"fate":"{fate.value}"}}\n'
    times = np.datetime_as_string(at_ms.astype("datetime64[ms]"), unit="ms").tolist()
    return [
        f'{{"at":"{at}{before}{",".join(map(str, row))}{after}'
        for at, row in zip(times, words.tolist(), strict=True)
    ]
