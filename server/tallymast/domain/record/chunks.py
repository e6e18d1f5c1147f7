"""Packs a site's polls of an hour or a day, all with one layout, into one small exact body.

Format 2 (1 was never released): the format byte; the number of polls; the number of blocks
and the words of each; how times are kept; then one stream (streams.py) a column: outcome,
flags, tries, blocks got, exception code, where having an answer time is not what the outcome
says, answer times, times, and each register. Times are kept as they were, or less the answer
time: whichever is more regular. What was not answered repeats the answer time, and a block
that was not got its words, which costs nothing; ``got`` says what is not to be believed.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.errors import DecodeError
from tallymast.domain.model import Block, Outcome, Poll, PollFlag
from tallymast.domain.record.streams import (
    Ints,
    read_stream,
    read_varint,
    skip_stream,
    write_stream,
    write_varint,
)

FORMAT: Final = 2
_COLUMNS: Final = 8  # before the registers


@dataclass(frozen=True, slots=True)
class PollColumns:
    """Polls as arrays of one length n, ascending in time.

    Attributes:
        at_ms: when each was recorded, UTC milliseconds.
        outcome: Outcome numbers.
        flags: PollFlag numbers.
        tries: attempts of the hardest exchange.
        answer_tenths: answer time in 0.1 ms, -1 where there was no answer.
        got: bit b set: block b was answered.
        code: exception codes.
        words: n x W registers, uint16; those of a block that was not got mean nothing.
        widths: the words of each block, in block order; they add up to W.

    """

    at_ms: Ints
    outcome: Ints
    flags: Ints
    tries: Ints
    answer_tenths: Ints
    got: Ints
    code: Ints
    words: NDArray[np.uint16]
    widths: tuple[int, ...]

    def __len__(self) -> int:
        return len(self.at_ms)

    def has(self, block: int) -> NDArray[np.bool_]:
        """Return which polls answered a block."""
        return (self.got >> block & 1).astype(np.bool_)

    @property
    def answer_ms(self) -> NDArray[np.float64]:
        """Answer times [ms], NaN where there was no answer."""
        return np.where(self.answer_tenths < 0, np.nan, self.answer_tenths / 10)

    def take(self, rows: NDArray[np.bool_] | NDArray[np.int64] | slice) -> "PollColumns":
        """Return some of the polls, chosen as numpy chooses."""
        return PollColumns(
            self.at_ms[rows],
            self.outcome[rows],
            self.flags[rows],
            self.tries[rows],
            self.answer_tenths[rows],
            self.got[rows],
            self.code[rows],
            self.words[rows],
            self.widths,
        )

    def between(self, from_ms: int, to_ms: int) -> "PollColumns":
        """Return the polls of ``from_ms <= at_ms < to_ms``."""
        first, last = np.searchsorted(self.at_ms, (from_ms, to_ms))
        return self.take(slice(first, last))


def block_widths(blocks: Sequence[Block]) -> tuple[int, ...]:
    """Return the words of each block of a layout."""
    return tuple(block.words for block in blocks)


def block_places(got: int, widths: Sequence[int]) -> NDArray[np.int64]:
    """Return which columns of registers belong to the blocks that were got.

    Raises:
        DecodeError: a block the layout does not have.

    """
    return _places(got, _spans(widths))


def columns_of(polls: Sequence[Poll], widths: Sequence[int]) -> PollColumns:
    """Return polls of one layout as columns, ascending in time.

    Args:
        polls: in any order; of two at one instant the later given is kept.
        widths: the words of each block of their layout.

    Raises:
        DecodeError: a poll's words do not fill the blocks it got.

    """
    rows = sorted({poll.at_ms: poll for poll in polls}.values(), key=lambda poll: poll.at_ms)

    def column(name: str) -> Ints:
        return np.array([getattr(poll, name) for poll in rows], np.int64)

    got = column("got")
    return PollColumns(
        column("at_ms"),
        column("outcome"),
        column("flags"),
        column("tries"),
        np.array([_tenths(poll.answer_ms) for poll in rows], np.int64),
        got,
        column("code"),
        _filled(_matrix(rows, widths), got, widths),
        tuple(widths),
    )


def polls_of(columns: PollColumns, site_id: int, layout_id: int) -> list[Poll]:
    """Return columns as polls again."""
    raw = columns.words.astype(">u2")
    spans = _spans(columns.widths)
    numbers = (
        columns.at_ms,
        columns.outcome,
        columns.flags,
        columns.tries,
        columns.answer_tenths,
        columns.got,
        columns.code,
    )
    return [
        Poll(
            site_id=site_id,
            at_ms=at_ms,
            outcome=Outcome(outcome),
            flags=PollFlag(flags),
            tries=tries,
            answer_ms=None if tenths < 0 else tenths / 10,
            layout_id=layout_id,
            got=got,
            code=code,
            words=b"".join(
                row[span].tobytes() for block, span in enumerate(spans) if got >> block & 1
            ),
        )
        for at_ms, outcome, flags, tries, tenths, got, code, row in zip(
            *(column.tolist() for column in numbers), raw, strict=True
        )
    ]


def merge(first: PollColumns, *others: PollColumns) -> PollColumns:
    """Return all polls, ascending in time; of two at one instant the later given stays.

    Merging the same polls again changes nothing.

    Raises:
        DecodeError: their layouts have different blocks.

    """
    parts = (*reversed(others), first)
    if any(part.widths != first.widths for part in others):
        raise DecodeError("Polls of two layouts cannot be kept in one chunk.")
    at_ms = np.concatenate([part.at_ms for part in parts])
    _, rows = np.unique(at_ms, return_index=True)  # the first of equals: the later given
    names = ("at_ms", "outcome", "flags", "tries", "answer_tenths", "got", "code", "words")
    whole = {name: np.concatenate([getattr(part, name) for part in parts])[rows] for name in names}
    whole["words"] = _filled(whole["words"], whole["got"], first.widths)
    return PollColumns(**whole, widths=first.widths)


def pack(polls: Sequence[Poll], widths: Sequence[int]) -> bytes:
    """Return the body of a chunk with these polls (see ``columns_of``)."""
    return pack_columns(columns_of(polls, widths))


def pack_columns(columns: PollColumns) -> bytes:
    """Return the body of a chunk with these polls."""
    head = bytes([FORMAT]) + write_varint(len(columns)) + write_varint(len(columns.widths))
    widths = b"".join(write_varint(width) for width in columns.widths)
    has = columns.answer_tenths >= 0
    odd = has ^ (columns.outcome <= Outcome.RETRIED)
    plain = (
        columns.outcome,
        columns.flags,
        columns.tries,
        columns.got,
        columns.code,
        odd.astype(np.int64),
        columns.answer_tenths[_last_with(has)],
    )
    registers = columns.words.T.astype(np.int64)
    return b"".join(
        (
            head,
            widths,
            _times(columns),
            *(write_stream(column) for column in plain),
            *(write_stream(column, words=True) for column in registers),
        )
    )


def _times(columns: PollColumns) -> bytes:
    """Return how times are kept (0 as they were, 1 less answer time), and the stream."""
    sent = columns.at_ms - columns.answer_tenths // 10
    ways = (columns.at_ms, sent)
    return min(
        (bytes([way]) + write_stream(times, clock=True) for way, times in enumerate(ways)), key=len
    )


def unpack(body: bytes, words: Collection[int] | None = None) -> PollColumns:
    """Return what a chunk holds.

    Args:
        body: as ``pack`` made it.
        words: only these columns of registers are filled, the others stay 0; None: all.

    Raises:
        DecodeError: written by a newer version, or damaged.

    """
    if not body or body[0] != FORMAT:
        raise DecodeError(
            f"A stored hour has format {body[0] if body else 'nothing'}; this version reads "
            f"format {FORMAT}."
        )
    n, at = read_varint(body, 1)
    blocks, at = read_varint(body, at)
    widths = []
    for _ in range(blocks):
        width, at = read_varint(body, at)
        widths.append(width)
    way, at = read_varint(body, at)
    columns = []
    for _ in range(_COLUMNS):
        column, at = read_stream(body, at, n)
        columns.append(column)
    times, outcome, flags, tries, got, code, odd, answers = columns
    tenths = np.where((outcome <= Outcome.RETRIED) ^ odd.astype(np.bool_), answers, -1)
    at_ms = times + tenths // 10 if way else times
    registers = _read_registers(body, at, n, sum(widths), words)
    return PollColumns(at_ms, outcome, flags, tries, tenths, got, code, registers, tuple(widths))


def _read_registers(
    body: bytes, at: int, n: int, width: int, wanted: Collection[int] | None
) -> NDArray[np.uint16]:
    registers = np.zeros((width, n), np.uint16)
    for register in range(width):
        if wanted is not None and register not in wanted:
            at = skip_stream(body, at)
            continue
        column, at = read_stream(body, at, n)
        registers[register] = column
    return registers.T


def _tenths(answer_ms: float | None) -> int:
    return -1 if answer_ms is None else round(answer_ms * 10)


def _spans(widths: Sequence[int]) -> list[slice]:
    ends = np.cumsum(widths).tolist()
    return [slice(end - width, end) for end, width in zip(ends, widths, strict=True)]


def _matrix(polls: Sequence[Poll], widths: Sequence[int]) -> NDArray[np.uint16]:
    """Return n x W registers with 0 where a block was not got."""
    matrix = np.zeros((len(polls), sum(widths)), np.uint16)
    all_spans = _spans(widths)
    masks: dict[int, NDArray[np.int64]] = {}
    for row, poll in enumerate(polls):
        if poll.got not in masks:
            masks[poll.got] = _places(poll.got, all_spans)
        places = masks[poll.got]
        if len(poll.words) != 2 * len(places):
            raise DecodeError(
                f"A poll brought {len(poll.words)} bytes for blocks of {2 * len(places)}."
            )
        matrix[row, places] = np.frombuffer(poll.words, ">u2")
    return matrix


def _places(got: int, spans: Sequence[slice]) -> NDArray[np.int64]:
    if got >> len(spans):
        raise DecodeError(f"A poll speaks of block {got.bit_length() - 1} of {len(spans)}.")
    places = [range(span.start, span.stop) for b, span in enumerate(spans) if got >> b & 1]
    return np.array([place for some in places for place in some], np.int64)


def _filled(words: NDArray[np.uint16], got: Ints, widths: Sequence[int]) -> NDArray[np.uint16]:
    """Repeat the last word known where a block was not got."""
    filled = words.copy()
    for block, span in enumerate(_spans(widths)):
        has = (got >> block & 1).astype(np.bool_)
        filled[:, span] = words[_last_with(has), span] if has.any() else 0
    return filled


def _last_with(has: NDArray[np.bool_]) -> Ints:
    """Return for each row the last one up to it that has; before the first, the first."""
    first = int(np.argmax(has)) if len(has) else 0
    return np.maximum.accumulate(np.where(has, np.arange(len(has)), first))
