"""Keeps the book of one visit to a site: what is still to be asked, and what came of it.

Pure bookkeeping between pacing (when) and exchange (how). A visit has its tries: each
exchange that fails may be tried again while any are left, which are shared by all blocks. A
site that has answered nothing when they are used up is not asked for the rest; one that
answered something is asked for each further block once, until two in a row stay silent.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from tallymast.domain.model import Outcome, Poll, PollFlag, SitePlan

SILENT_IN_ROW = 2


@dataclass(slots=True)
class Visit:
    """One visit: ``blocks`` of the site's layout to read, with ``retries`` for all of them."""

    plan: SitePlan
    blocks: Sequence[int]
    retries: int
    flags: PollFlag = PollFlag.NONE
    jobs: list[int] = field(default_factory=list)
    suspect_blocks: int = 0
    answered_ms: int | None = None  # wall clock at the last answer
    _words: dict[int, bytes] = field(default_factory=dict)
    _tries: dict[int, int] = field(default_factory=dict)
    _left: list[int] = field(init=False)
    _answer_ms: float | None = None
    _code: int = 0
    _garbled: bool = False
    _silent_in_row: int = 0
    _given_up: int = 0

    def __post_init__(self) -> None:
        self._left = list(self.blocks)

    @property
    def next_block(self) -> int | None:
        """The block to ask for now; None when the visit is over."""
        return self._left[0] if self._left else None

    @property
    def left(self) -> tuple[int, ...]:
        """The blocks still to be asked for, in that order."""
        return tuple(self._left)

    @property
    def was_asked(self) -> bool:
        """Whether anything was asked at all, answered or not."""
        return bool(self._tries)

    def put_first(self, block: int) -> None:
        """Ask for this block next."""
        self._left.remove(block)
        self._left.insert(0, block)

    @property
    def is_answered(self) -> bool:
        """Whether the station has answered anything."""
        return self.answered_ms is not None

    @property
    def tries(self) -> int:
        """Attempts the hardest exchange took so far."""
        return max(self._tries.values(), default=0)

    def answered(self, words: bytes, answer_ms: float, now_ms: int, suspect: bool) -> None:
        """Take the words of the block that was asked for."""
        block = self._close(answer_ms, now_ms)
        self._words[block] = words
        if suspect:
            self.suspect_blocks |= 1 << block
            self.flags |= PollFlag.SUSPECT

    def refused(self, code: int, answer_ms: float, now_ms: int) -> None:
        """Take an exception answer that would be the same at the next try."""
        self._close(answer_ms, now_ms)
        self._code = code
        self.flags |= PollFlag.REFUSED

    def failed(self, *, garbled: bool = False, code: int = 0) -> bool:
        """Take a try that led to nothing; return whether it is to be tried again later."""
        block = self._left[0]
        self._tries[block] = self._tries.get(block, 0) + 1
        self._garbled |= garbled
        self._code = code or self._code
        if self.retries > 0:
            self.retries -= 1
            return True
        self._give_up()
        return False

    def poll(self, at_ms: int) -> Poll:
        """Return the visit as it is recorded."""
        got = [block for block in self.blocks if block in self._words]
        return Poll(
            site_id=self.plan.site_id,
            at_ms=at_ms,
            outcome=self._outcome(),
            flags=self.flags,
            tries=self.tries,
            answer_ms=self._answer_ms,
            layout_id=self.plan.layout.id,
            got=sum(1 << block for block in got),
            code=self._code,
            words=b"".join(self._words[block] for block in sorted(got)),
        )

    def _close(self, answer_ms: float, now_ms: int) -> int:
        block = self._left.pop(0)
        self._tries[block] = self._tries.get(block, 0) + 1
        self._answer_ms, self.answered_ms = answer_ms, now_ms
        self._silent_in_row = 0
        return block

    def _give_up(self) -> None:
        self._left.pop(0)
        self._given_up += 1
        self._silent_in_row += 1
        if not self.is_answered or self._silent_in_row >= SILENT_IN_ROW:
            self._given_up += len(self._left)
            self._left.clear()

    def _outcome(self) -> Outcome:
        if not self.is_answered:
            return Outcome.GARBLED if self._garbled else Outcome.NO_ANSWER
        whole = not self._left and not self._given_up and self.tries == 1
        return Outcome.FIRST_TRY if whole else Outcome.RETRIED
