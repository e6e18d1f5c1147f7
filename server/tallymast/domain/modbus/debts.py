"""Keeps account of answers that may still come, so that none is taken for another's.

An RTU answer does not say which request it belongs to. Every request sent is therefore a debt
until its answer has come or its quarantine is over, and what may be sent next on the channel
depends on the debts. Pure arithmetic on monotonic seconds that come in as arguments; one
account belongs to one channel and outlives its connections.

Why the reads are right, as long as no frame comes later than the quarantine: reads whose
answers look alike (one shape) are only out together when they ask the same (one identity), so
whichever answer comes, it holds what was asked. An accepted answer pays one debt, but which one
it was nobody can say: the younger one is taken to be still out, because it lasts longer, and
the older one still counts when it is asked how old a value may be. Nothing else pays: an answer
right behind another to the same question may be that frame once more, and a frame that nobody
waited for may be a repeat of an answer already counted; it only teaches how late frames come.

After a lost answer a site that is asked the same more often than once a quarantine keeps a
debt out for ever, and a read of the same shape that asks something else would never go. So who
has waited a quarantine has the next turn: until then the others of its shape wait as well.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from tallymast.domain.modbus.frames import Expected, find_answer, stray_answers
from tallymast.domain.modbus.requests import ReadRequest, Request, Shape, WriteRequest

# Ours: a radio that missed an acknowledgement repeats a packet within a few hops' time.
REPEAT_S = 0.25
# Ours: a frame nobody waited for that comes so soon behind an answer is taken for its repeat.
SOON_S = 1.0
# Ours: so long after it might go a waiting read still has its turn; then nobody wants it any more.
TURN_S = 2.0
# Ours: beyond two minutes a wider quarantine would only keep an operator from writing.
LONGEST_QUARANTINE_S = 120.0


class OpenDebt(NamedTuple):
    """A request whose answer may still come until ``until`` [monotonic s]."""

    request: Request
    sent_at: float
    until: float


class Settled(NamedTuple):
    """What is known of when an accepted answer's values were true.

    Attributes:
        first_sent: when the oldest request was sent that this may answer [monotonic s].
        span_s: from then to the answer's arrival; the values were read somewhere within [s].

    """

    first_sent: float
    span_s: float

    def is_suspect(self, poll_period_s: float) -> bool:
        """Whether the values' time is uncertain by more than one poll period."""
        return self.span_s > poll_period_s


Identity = tuple[int, int]  # start and count: what was asked and is not in the answer


@dataclass(frozen=True, slots=True)
class _Debt:
    request: Request
    sent_at: float
    until: float


@dataclass(frozen=True, slots=True)
class _Paid:
    request: Request
    answered_at: float
    by_exception: bool


@dataclass(frozen=True, slots=True)
class _Wait:
    since: float
    until: float


@dataclass(slots=True)
class _Account:
    """All that is out, and was last answered, under one shape; oldest first.

    ``out`` of the ``waiting`` have no answer yet; which ones is not known. ``newest`` is the
    last that waits of each identity: who must wait for an identity waits for that one.
    ``turns`` are identities that wanted to go and had to wait, and until when they still want to.
    """

    expected: Expected
    newest_sent: float = 0.0
    waiting: deque[_Debt] = field(default_factory=deque)
    newest: dict[Identity, _Debt] = field(default_factory=dict)
    out: int = 0
    lapsed: deque[_Debt] = field(default_factory=deque)  # never answered, kept to learn from
    paid: dict[Identity, _Paid] = field(default_factory=dict)
    turns: dict[Identity, _Wait] = field(default_factory=dict)

    def wait_for(self, debt: _Debt) -> None:
        """Enter the newest debt."""
        self.waiting.append(debt)
        self.newest[debt.request.identity] = debt
        self.turns.pop(debt.request.identity, None)
        self.out += 1

    def all_paid(self) -> None:
        """Forget what waits: everything that was out has been answered."""
        self.waiting.clear()
        self.newest.clear()


class Debts:
    """The debts of one channel.

    Use: ask ``may_send``, call ``add`` when the bytes go out (for every try), then ``answered``
    when an answer was accepted. A timeout, a cancel or a lost connection needs no call: the
    debt is there already. Before an exception answer is accepted ask ``believes_exception``.
    Bytes that led to no accepted answer go to ``overheard``.

    Args:
        quarantine_s: how late an answer may come, counted from its request [s]; rises by
            itself to twice the worst lateness seen, at most to 120 s.
        repeat_s: how long after an answer the same frame may come once more [s]; rises by
            itself to twice the worst seen, at most to the quarantine.

    """

    def __init__(self, quarantine_s: float, repeat_s: float = REPEAT_S) -> None:
        self._quarantine_s = quarantine_s
        self._repeat_s = repeat_s
        self._worst_s = 0.0
        self._repeats = 0
        self.strangers = 0  # whole answers of a kind nobody here has asked for lately
        self._next_sweep = 0.0
        self._accounts: dict[Shape, _Account] = {}

    def revise(self, quarantine_s: float) -> None:
        """Reckon with another quarantine than before; what was seen still raises it."""
        self._quarantine_s = quarantine_s

    @property
    def quarantine_s(self) -> float:
        """The quarantine in force [s]."""
        raised = min(2 * self._worst_s, LONGEST_QUARANTINE_S)
        return max(self._quarantine_s, raised)

    @property
    def repeat_s(self) -> float:
        """How long a repeat of an answer is reckoned with [s]."""
        return min(self._repeat_s, self.quarantine_s)

    @property
    def worst_lateness(self) -> float:
        """The longest an answer is known to have taken from its request to its arrival [s]."""
        return self._worst_s

    @property
    def repeats(self) -> int:
        """Answers that came once more than they were asked for."""
        return self._repeats

    def add(self, request: Request, sent_at: float, until: float | None = None) -> None:
        """Enter a request that was sent just now.

        Args:
            request: what was sent; ``may_send`` allowed it.
            sent_at: when its first byte went out.
            until: end of its quarantine, where that is later than ``sent_at`` + quarantine,
                as for a site with a long reply timeout of its own.

        """
        self._sweep(sent_at)
        account = self._accounts.get(request.shape)
        if account is None:
            account = self._accounts[request.shape] = _Account(request.expected())
        self._lapse(account, sent_at)
        account.newest_sent = sent_at
        account.wait_for(_Debt(request, sent_at, until or 0.0))

    def may_send(self, request: Request, now: float) -> bool:
        """Return whether an answer to this request could not be taken for another's."""
        return self.earliest(request, now) <= now

    def earliest(self, request: Request, now: float) -> float:
        """Return when this request may go; ``now`` when it may go at once [monotonic s].

        A read waits for debts of its shape that ask something else, and for one that has waited
        for such a quarantine long; that it was asked for is remembered. A write waits for every
        unanswered write to an address it shares, and for repeats of an answer like its own.
        """
        if isinstance(request, WriteRequest):
            return max([now, *self._write_waits(request)])
        account = self._accounts.get(request.shape)
        if account is None:
            return now
        may_go = max([now, *self._read_waits(account, request)])
        self._note_wait(account, request.identity, now, may_go)
        return max([may_go, *self._turns_before(account, request.identity, now)])

    def certain_from(self, request: Request, now: float) -> float:
        """Return from when on a first try's answer can only be its own; ``now`` if already.

        A read may go before that, but its answer may then be an older identical request's. Who
        must know that a value was read after some act, as after a write, waits until then.
        """
        account = self._accounts.get(request.shape)
        out = account.newest.values() if account else ()
        return max([now, self.earliest(request, now), *(self._until(debt) for debt in out)])

    def believes_exception(self, request: Request, now: float) -> bool:
        """Return whether an exception answer now can only mean this request.

        All exceptions of one unit and function look alike. One that may belong to another
        request is to be passed over: neither refused nor answered.
        """
        for account in self._of_function(request):
            for debt in account.newest.values():
                if not _same(debt.request, request) and self._until(debt) > now:
                    return False
            for paid in account.paid.values():
                repeat_until = paid.answered_at + self.repeat_s
                if paid.by_exception and not _same(paid.request, request) and repeat_until > now:
                    return False
        return True

    def answered(self, request: Request, arrived: float, *, exception: bool = False) -> Settled:
        """Pay one debt, and say since when its answer may have been on the way.

        Args:
            request: what was asked last and has now been answered.
            arrived: when the answer's last byte came.
            exception: it was an exception answer that ``believes_exception`` let pass.

        Raises:
            ValueError: nothing of this shape is waiting for an answer.

        """
        account = self._accounts.get(request.shape)
        if account is None or not account.out:
            raise ValueError("An answer was booked for a request that is not waiting.")
        first_sent, last_sent = account.waiting[0].sent_at, account.waiting[-1].sent_at
        if not self._may_be_repeat(account, request, arrived):
            account.out -= 1
        if not account.out:
            account.all_paid()
        account.paid[request.identity] = _Paid(request, arrived, exception)
        self._learn_lateness(arrived - last_sent, arrived)
        return Settled(first_sent, arrived - first_sent)

    def _may_be_repeat(self, account: _Account, request: Request, arrived: float) -> bool:
        """Whether this may be the answer before once more: it says the same, but pays nothing."""
        before = account.paid.get(request.identity)
        return before is not None and arrived - before.answered_at <= self.repeat_s

    def overheard(self, received: bytes, arrived: float) -> int:
        """Learn from frames nobody waited for; return how many there were.

        Args:
            received: bytes that hold no accepted answer: from the pause between exchanges, of
                an exchange that ended without one, or from around the accepted one.
            arrived: when they came.

        """
        frames = 0
        self.strangers += sum(one not in self._accounts for one in stray_answers(received))
        for account in self._accounts.values():
            if account.expected.head not in received:
                continue
            for match in find_answer(received, account.expected).matches:
                if not match.is_exception:
                    frames += 1
                    self._learn(account, arrived)
        return frames

    def open(self, now: float) -> tuple[OpenDebt, ...]:
        """Return what may still come, the oldest first."""
        still = (
            OpenDebt(debt.request, debt.sent_at, self._until(debt))
            for account in self._accounts.values()
            for debt in list(account.waiting)[len(account.waiting) - account.out :]
            if self._until(debt) > now
        )
        return tuple(sorted(still, key=lambda debt: debt.sent_at))

    def _read_waits(self, account: _Account, request: ReadRequest) -> Iterator[float]:
        for identity, debt in account.newest.items():
            if identity != request.identity:
                yield self._until(debt)
        for identity, paid in account.paid.items():
            if identity != request.identity:
                yield paid.answered_at + self.repeat_s

    def _note_wait(self, account: _Account, mine: Identity, now: float, may_go: float) -> None:
        """Remember since when a read has to wait for others; while it still wants to go."""
        if may_go <= now:
            return
        before = account.turns.get(mine)
        since = before.since if before is not None and before.until > now else now
        account.turns[mine] = _Wait(since, may_go + TURN_S)

    def _turns_before(self, account: _Account, mine: Identity, now: float) -> Iterator[float]:
        """Yield until when others have their turn that have waited a quarantine, and longer."""
        own = account.turns.get(mine)
        for identity, wait in account.turns.items():
            is_first = own is None or own.until <= now or wait.since < own.since
            has_waited = wait.until > now and now - wait.since >= self.quarantine_s
            if identity != mine and is_first and has_waited:
                yield wait.until

    def _write_waits(self, request: WriteRequest) -> Iterator[float]:
        for account in self._accounts.values():
            for debt in account.newest.values():
                if _write_the_same(debt.request, request):
                    yield self._until(debt)
        alike = self._accounts.get(request.shape)
        for paid in alike.paid.values() if alike else ():
            yield paid.answered_at + self.repeat_s

    def _of_function(self, request: Request) -> Iterator[_Account]:
        for shape, account in self._accounts.items():
            if shape[:2] == request.shape[:2]:
                yield account

    def _until(self, debt: _Debt) -> float:
        # A quarantine that has risen holds for what is already out, too.
        return max(debt.until, debt.sent_at + self.quarantine_s)

    def _learn(self, account: _Account, arrived: float) -> None:
        unanswered = account.waiting or account.lapsed
        answered_at = max((paid.answered_at for paid in account.paid.values()), default=None)
        if answered_at is not None and not account.waiting and arrived - answered_at < SOON_S:
            unanswered = (
                deque()
            )  # right behind an answer comes its repeat, not one given up long ago
        if unanswered:
            # Where frames are repeated, an unclaimed one may be the newest request's.
            sent = account.newest_sent if self._repeats else unanswered[-1].sent_at
            self._learn_lateness(arrived - sent, arrived)
        elif answered_at is not None:
            # More answers than requests: the network repeats frames.
            self._repeats += 1
            self._repeat_s = max(self._repeat_s, 2 * (arrived - answered_at))

    def _learn_lateness(self, lateness_s: float, now: float) -> None:
        before = self.quarantine_s
        self._worst_s = max(self._worst_s, lateness_s)
        if self.quarantine_s > before:
            for account in self._accounts.values():
                self._revive(account, now)

    def _revive(self, account: _Account, now: float) -> None:
        """Take back what was given up too soon."""
        again = [debt for debt in account.lapsed if self._until(debt) > now]
        account.lapsed = deque(debt for debt in account.lapsed if self._until(debt) <= now)
        account.waiting.extendleft(reversed(again))
        account.out += len(again)
        account.newest = {debt.request.identity: debt for debt in account.waiting}

    def _lapse(self, account: _Account, now: float) -> None:
        """Give up what cannot come any more; forget what was given up a quarantine ago.

        What was sent first is given up first: a later one with a shorter wait stays as long.
        """
        over = []
        while account.waiting and self._until(account.waiting[0]) <= now:
            over.append(account.waiting.popleft())
        for debt in over:
            if account.newest.get(debt.request.identity) is debt:
                del account.newest[debt.request.identity]
        if account.out > len(account.waiting):
            account.out = len(account.waiting)
            account.lapsed += over
        oldest = now - self.quarantine_s
        while account.lapsed and self._until(account.lapsed[0]) <= oldest:
            account.lapsed.popleft()
        gone = [key for key, paid in account.paid.items() if paid.answered_at <= oldest]
        for key in gone:
            del account.paid[key]

    def _sweep(self, now: float) -> None:
        if now < self._next_sweep:
            return
        self._next_sweep = now + self.quarantine_s
        for shape, account in list(self._accounts.items()):
            self._lapse(account, now)
            if not (account.waiting or account.lapsed or account.paid):
                del self._accounts[shape]


def _same(one: Request, other: Request) -> bool:
    return (one.shape, one.identity) == (other.shape, other.identity)


def _write_the_same(debt: Request, request: WriteRequest) -> bool:
    if not isinstance(debt, WriteRequest) or debt.unit != request.unit:
        return False
    if debt.target.table is not request.target.table:
        return False
    return debt.start < request.start + request.count and request.start < debt.start + debt.count
