"""Between which two steps of an order a kill struck, by what can be proven, and what came of it."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from tallymast.benches.order_proxy import Passing
from tallymast.domain.orders.model import Order, OrderState
from tallymast.simulator.truth import TruthLine


class Moment(StrEnum):
    """When an order's program is killed."""

    BEFORE = "before-stored"  # it was asked for, and no row is there
    STORED = "stored"  # and not claimed
    CLAIMED = "claimed"  # its row says that it is being sent, and no byte of it came out
    WRITTEN = "written"  # its bytes are out, and the station has not answered
    ANSWERED = "answered"  # the station has, and that is not stored
    SENT = "sent"  # it is stored that it was sent, and not asked what the output shows
    ASKED = "asked-back"  # that is asked, and not answered to the program
    SHOWN = "read-back"  # the program was answered and went on, and that is not stored


@dataclass(frozen=True, slots=True)
class Proof:
    """What is certain of a kill.

    Attributes:
        state: what the row said once the program was dead; None: there was none.
        passed: what had passed of the order before.
        went_on: whether the program asked something else after the read-back's answer.

    """

    state: OrderState | None
    passed: Collection[Passing] = ()
    went_on: bool = False

    @property
    def is_early(self) -> bool:
        """Whether bytes went out though no row said that they were being sent."""
        return bool(self.passed) and self.state in _UNCLAIMED

    def moment(self) -> Moment | None:
        """Return which moment it was; None: the order had ended, or its bytes came too early."""
        if self.is_early or (self.state is not None and self.state.is_over):
            return None
        if self.state in _UNCLAIMED:
            return _UNCLAIMED[self.state]
        return self._claimed_moment()

    def _claimed_moment(self) -> Moment:
        if self.went_on and Passing.READ in self.passed:
            return Moment.SHOWN
        if Passing.READ_BACK in self.passed:
            return Moment.ASKED
        if self.state is OrderState.SENT:
            return Moment.SENT
        if Passing.ANSWER in self.passed:
            return Moment.ANSWERED
        return Moment.WRITTEN if Passing.WRITE in self.passed else Moment.CLAIMED


_UNCLAIMED: Final = {None: Moment.BEFORE, OrderState.STORED: Moment.STORED}


@dataclass
class Killed:
    """What came of the orders whose program was killed at one moment.

    Attributes:
        kills: kills of which it is proven that they struck then.
        states: how the orders ended.
        early: bytes went out before the row said so.
        late: could not be sent in time because the next start was slow; no kill is counted.

    """

    kills: int = 0
    states: dict[str, int] = field(default_factory=dict)
    false_done: int = 0
    doubled: int = 0
    lost: int = 0
    early: int = 0
    late: int = 0

    def add(
        self,
        found: Order | None,
        steps: int,
        writes: Sequence[TruthLine],
        value: int,
        *,
        is_late: bool = False,
    ) -> None:
        """Count what an order came to.

        Args:
            found: as it is stored; None: it is not there.
            steps: lines of its history.
            writes: all that was executed at its site until the next order was made.
            value: what its write holds.
            is_late: whether its time was over before the program was there again.

        """
        self.kills += not is_late
        self.late += is_late
        if not is_late:
            name = found.state.value if found is not None else "gone"
            self.states[name] = self.states.get(name, 0) + 1
        self.doubled += len(writes) > 1
        self.lost += found is None or not found.state.is_over or steps < 2
        if found is not None and found.state is OrderState.CONFIRMED:
            self.false_done += not any(one.words[0] == value for one in writes)

    def join(self, other: "Killed") -> None:
        """Count another's besides."""
        for name, n in other.states.items():
            self.states[name] = self.states.get(name, 0) + n
        for name in ("kills", "false_done", "doubled", "lost", "early", "late"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
