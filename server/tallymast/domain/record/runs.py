"""Runs of missed polls: how many there were in a span, and the long ones one by one.

A span is an hour or a contract day. What is kept of it joins with the spans beside it: a run
that reaches a span's first or last poll may go on there, and is therefore always kept.
Polls in maintenance, and polls whose gateway was lost, are in no run and end none.
"""

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.model import Outcome, PollFlag
from tallymast.domain.record.chunks import PollColumns

LONG_MS: Final = 60_000  # ours: shorter silence is never a comm fail
NOBODY: Final = 0xFFFFFFFF  # in place of an instant that there is not
# How the bytes of a span begin, for whoever reads those of many at once.
HEAD: Final = np.dtype([("n", "<u2"), ("flags", "u1"), ("first", "<u4"), ("last", "<u4")])
RUN: Final = np.dtype(
    [(name, "<u4") for name in ("from", "last", "before", "to", "missed")]
)  # and each kept run after it
_HEAD, _RUN = struct.Struct("<HBII"), struct.Struct("<5I")
_FIRST, _LAST = 1, 2


@dataclass(frozen=True, slots=True)
class MissRun:
    """Polls missed in a row.

    Attributes:
        from_ms: the first of them.
        last_ms: the last of them.
        missed: how many.
        before_ms: the answered poll before it, None: it reaches the span's first poll.
        to_ms: the answered poll after it, None: it reaches the span's last poll.

    """

    from_ms: int
    last_ms: int
    missed: int
    before_ms: int | None
    to_ms: int | None

    @property
    def is_kept(self) -> bool:
        """Whether it is long, or may go on beside its span."""
        reaches = self.before_ms is None or self.to_ms is None
        return reaches or (self.missed > 1 and self.last_ms - self.from_ms >= LONG_MS)


@dataclass(frozen=True, slots=True)
class Runs:
    """The runs of missed polls of one span.

    Attributes:
        n: how many runs, short ones too.
        first_ms: the span's first asked poll, None: nobody asked.
        last_ms: its last one.
        first_missed: whether the first poll was missed.
        last_missed: whether the last one was.
        long: the runs that are kept, ascending.

    """

    n: int = 0
    first_ms: int | None = None
    last_ms: int | None = None
    first_missed: bool = False
    last_missed: bool = False
    long: tuple[MissRun, ...] = ()


NO_RUNS: Final = Runs()


def runs_of(parts: Sequence[PollColumns]) -> Runs:
    """Return the runs of a span, from its polls under every layout."""
    if not parts:
        return NO_RUNS
    at_ms = np.concatenate([part.at_ms for part in parts])
    outcome = np.concatenate([part.outcome for part in parts])
    flags = np.concatenate([part.flags for part in parts])
    counted = (flags & PollFlag.MAINTENANCE == 0) & (outcome != Outcome.GATEWAY_LOST)
    order = np.argsort(at_ms[counted], kind="stable")
    return runs_in(at_ms[counted][order], (outcome > Outcome.RETRIED)[counted][order])


def runs_in(at_ms: NDArray[np.int64], missed: NDArray[np.bool_]) -> Runs:
    """Return the runs of a span, from its asked polls in order of time."""
    if not len(missed):
        return NO_RUNS
    edges = np.diff(np.concatenate(([False], missed, [False])).astype(np.int8))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    some = [_run(at_ms, int(begin), int(end)) for begin, end in zip(begins, ends, strict=True)]
    return Runs(
        len(some),
        int(at_ms[0]),
        int(at_ms[-1]),
        bool(missed[0]),
        bool(missed[-1]),
        tuple(run for run in some if run.is_kept),
    )


def _run(at_ms: NDArray[np.int64], begin: int, end: int) -> MissRun:
    return MissRun(
        int(at_ms[begin]),
        int(at_ms[end - 1]),
        end - begin,
        int(at_ms[begin - 1]) if begin else None,
        int(at_ms[end]) if end < len(at_ms) else None,
    )


def joined(spans: Iterable[Runs]) -> Runs:
    """Return the runs of spans that follow each other in time."""
    whole = NO_RUNS
    long: list[MissRun] = []
    for span in spans:
        if span.first_ms is None:
            continue
        goes_on = whole.last_missed and span.first_missed
        _add(long, whole, span)
        whole = Runs(
            whole.n + span.n - goes_on,
            span.first_ms if whole.first_ms is None else whole.first_ms,
            span.last_ms,
            span.first_missed if whole.first_ms is None else whole.first_missed,
            span.last_missed,
        )
    return replace(whole, long=tuple(run for run in long if run.is_kept))


def _add(long: list[MissRun], before: Runs, span: Runs) -> None:
    """Append a span's runs; those at its border with what was before go on, begin or end there."""
    some = list(span.long)
    if before.last_missed and span.first_missed:
        one, other = long.pop(), some[0]
        some[0] = MissRun(
            one.from_ms, other.last_ms, one.missed + other.missed, one.before_ms, other.to_ms
        )
    elif before.last_missed:
        long[-1] = replace(long[-1], to_ms=span.first_ms)
    elif span.first_missed and before.last_ms is not None:
        some[0] = replace(some[0], before_ms=before.last_ms)
    long += some


# --- as bytes -------------------------------------------------------------------------


def runs_bytes(runs: Runs, start_ms: int) -> bytes:
    """Return a span's runs: 11 bytes, and 20 for each kept one."""
    flags = _FIRST * runs.first_missed | _LAST * runs.last_missed
    ends = (_offset(at_ms, start_ms) for at_ms in (runs.first_ms, runs.last_ms))
    body = [_HEAD.pack(min(runs.n, 0xFFFF), flags, *ends)]
    for run in runs.long:
        times = (run.from_ms, run.last_ms, run.before_ms, run.to_ms)
        body.append(_RUN.pack(*(_offset(at, start_ms) for at in times), run.missed))
    return b"".join(body)


def runs_from(stored: bytes, start_ms: int) -> Runs:
    """Return a span's runs from their bytes."""
    n, flags, first, last = _HEAD.unpack_from(stored)
    rows = _RUN.iter_unpack(stored[_HEAD.size :]) if len(stored) > _HEAD.size else ()
    return Runs(
        n,
        _instant(first, start_ms),
        _instant(last, start_ms),
        bool(flags & _FIRST),
        bool(flags & _LAST),
        tuple(_read(row, start_ms) for row in rows),
    )


def _offset(at_ms: int | None, start_ms: int) -> int:
    return NOBODY if at_ms is None else at_ms - start_ms


def _instant(offset: int, start_ms: int) -> int | None:
    return None if offset == NOBODY else start_ms + offset


def _read(row: tuple[int, ...], start_ms: int) -> MissRun:
    begin, last, before, to, missed = row
    return MissRun(
        start_ms + begin,
        start_ms + last,
        missed,
        _instant(before, start_ms),
        _instant(to, start_ms),
    )
